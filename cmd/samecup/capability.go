//go:build !station

package main

import (
	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportcapability"
)

func capabilityCommand() *cobra.Command {
	var q reportcapability.Question
	var low, high, target float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "capability FILE --value COL [--low X] [--high X] [--target X] [--group COL]",
		Short: "Can the process hold its limits",
		Long: `Works out Cp, Cpk, Pp, Ppk and Cpm with intervals from a CSV file with a header
row, "-" for stdin. Give --low, --high or both, in the unit of the column. Rows
have to be in the order of time. --group names the column of the subgroup (the
shift); without it moving ranges are used. Stability comes first: the values are
charted, and where points signal the figures promise nothing. --stable with
--reason says that a chart made elsewhere showed it.
Values that cannot be read are listed and left out. Exit 0 with an answer, 2
when the file or the limits cannot be used.`,
		Example: `  samecup capability testdata/stat/capability-shot-time.csv --value shot_time_s --low 25 --high 31 --target 28 --group shift
  samecup capability testdata/stat/chart-milk.csv --value milk_c --high 65`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, f := range []struct {
				name string
				to   **float64
				v    *float64
			}{{"low", &q.Low, &low}, {"high", &q.High, &high}, {"target", &q.Target, &target}} {
				if cmd.Flags().Changed(f.name) {
					*f.to = f.v
				}
			}
			r, err := reportcapability.Build(args[0], cmd.InOrStdin(), q)
			if err != nil {
				return cannotUse("capability", err)
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Value, "value", "", "column of the values")
	f.StringVar(&q.Group, "group", "", "column of the subgroup, for the deviation within")
	f.Float64Var(&low, "low", 0, "low limit of the specification")
	f.Float64Var(&high, "high", 0, "high limit of the specification")
	f.Float64Var(&target, "target", 0, "target, for Cpm")
	f.Float64Var(&q.Conf, "confidence", 0.95, "confidence of the intervals")
	f.BoolVar(&q.Stable, "stable", false, "a chart made elsewhere showed the process to be stable; say which with --reason")
	f.StringVar(&q.Reason, "reason", "", "how stability was looked at")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "value")
}
