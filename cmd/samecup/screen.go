//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportscreen"
	"samecup.example/samecup/cmd/samecup/internal/table"
)

func screenCommand() *cobra.Command {
	var o reportscreen.Options
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "screen FILE --value COL --by COL",
		Short: "Say what to ask about a log; never a verdict",
		Long: `Looks for traits that honest logs seldom have: last digits, heaping, too little
spread, equal runs, copied builds, impossible timing (shots that overlap, entries
while closed, a probe read before it settles), pile-up at a limit, no failures, no
drift where audits saw drift, entries written up together. Screens whose flags are not given are not
run. All stations are adjusted together, and a question is put only where two
independent kinds of screen stand out. FILE is a CSV with a header row, or - for
standard input. Exit 0 with nothing to ask, 1 with a question, 2 when the data
cannot be used.`,
		Example: "  samecup screen testdata/stat/screen-shots.csv --value seconds --by station --resolution 0.1 \\\n" +
			"    --measured measured_at --entered entered_at --low 25 --high 31 --audited-sd 1.5 --audited-df 60 \\\n" +
			"    --open 07:00 --close 19:00",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.HasLow, o.HasHigh = cmd.Flags().Changed("low"), cmd.Flags().Changed("high")
			t, err := table.Open(args[0], cmd.InOrStdin(), o.Columns()...)
			if err != nil {
				return cannotUse("screen", err)
			}
			r, err := reportscreen.Make(t, o)
			if err != nil {
				return cannotUse("screen", err)
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				err = enc.Encode(r)
			} else {
				_, err = fmt.Fprint(cmd.OutOrStdout(), r)
			}
			if err != nil {
				return err
			}
			for _, q := range r.Questions {
				if q.Put {
					return exitError{code: 1}
				}
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Value, "value", "", "the column of the values")
	f.StringVar(&o.By, "by", "", "the column of who logged: a station, or a group of a machine")
	f.Float64Var(&o.Resolution, "resolution", 0, "the smallest step that the device shows, in the unit of the values")
	f.StringVar(&o.Measured, "measured", "", "the column of the time measured, by the device's clock")
	f.StringVar(&o.Entered, "entered", "", "the column of the time entered, by the same clock; not the time received")
	f.StringVar(&o.Shot, "shot", "", "the column of shot seconds on one group; --measured is then the start")
	f.Float64Var(&o.Low, "low", 0, "the lower limit of the measure")
	f.Float64Var(&o.High, "high", 0, "the upper limit of the measure")
	f.Float64Var(&o.AuditedSD, "audited-sd", 0, "the SD of audited values of the same measure and device")
	f.IntVar(&o.AuditedDF, "audited-df", 0, "the degrees of freedom of --audited-sd, 0 when known well")
	f.Float64Var(&o.AuditedRate, "audited-rate", 0, "the share outside the limits in audits, such as 0.04")
	f.StringVar(&o.Hours, "hours", "", "the column of hours since the grinder was last adjusted")
	f.Float64Var(&o.AuditedDrift, "audited-drift", 0, "the least drift that audits saw, in units an hour of --hours, of either sign")
	f.StringVar(&o.Open, "open", "", "when the site opens, such as 06:30; with --close and --entered")
	f.StringVar(&o.Close, "close", "", "when it closes; entries from half an hour before opening to half an hour after closing pass")
	f.DurationVar(&o.ProbeResponse, "probe-response", 0, "how long the probe takes to settle, such as 5s; with --measured")
	f.StringArrayVar(&o.Also, "also", nil, "another measure of the build, to find copied builds; again for each")
	f.Float64Var(&o.AlsoResolution, "also-resolution", 0.1, "the smallest step of the --also columns")
	f.Float64Var(&o.FalseShare, "false-share", 0.05, "the share of false findings that is accepted")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "value", "by")
}
