//go:build !station

package main

import (
	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportgauge"
)

func gaugeCommand() *cobra.Command {
	var q reportgauge.Question
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "gauge FILE --value COL --part COL --operator COL",
		Short: "How much of the spread is the measuring itself",
		Long: `Splits the spread of a gauge study (every person measures every part two or more
times) into the device, the person and the part, from a CSV file with a header
row, "-" for stdin. --tolerance is the width between the limits, in the unit of
the values. Unbalanced studies are refused: use samecup variance for them. Exit 0
with an answer, 2 when the file cannot be used.`,
		Example: "  samecup gauge testdata/stat/gauge-froth.csv --value froth_mm --part cup --operator barista --tolerance 4",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := reportgauge.Build(args[0], cmd.InOrStdin(), q)
			if err != nil {
				return cannotUse("gauge", err)
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Value, "value", "", "column of the values")
	f.StringVar(&q.Part, "part", "", "column of what was measured, such as the cup")
	f.StringVar(&q.Operator, "operator", "", "column of who measured")
	f.Float64Var(&q.Tolerance, "tolerance", 0, "upper less lower limit, 0 where there is none")
	f.Float64Var(&q.PoolAbove, "pool-above", 0.25, "join the interaction to repeatability when its p-value is above this; 0 never")
	f.BoolVar(&q.AverageRange, "average-range", false, "the form for pencil and paper: cannot see an interaction")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "value", "part", "operator")
}
