//go:build !station

package main

import (
	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportagree"
)

func agreeCommand() *cobra.Command {
	var q reportagree.Question
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "agree FILE --auditor COL --self COL [--pair COL] --limit X",
		Short: "Do self-logged values agree with the auditor's",
		Long: `Compares two measurements of the same drink, one pair a row of a CSV file with a
header row, "-" for stdin, by limits of agreement. --limit is how far apart they
may be, in the unit of the values: decide it before looking. --pair names the
column that repeated pairs share (the visit, the site). Rows with a missing
value are listed and left out. Exit 0 with an answer, 2 when the file cannot be
used.`,
		Example: "  samecup agree testdata/stat/agree-milk-temperature.csv --auditor auditor_c --self self_c --pair visit --limit 2",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			r, err := reportagree.Build(args[0], cmd.InOrStdin(), q)
			if err != nil {
				return cannotUse("agree", err)
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Auditor, "auditor", "", "column of the auditor's value")
	f.StringVar(&q.Self, "self", "", "column of the self-logged value")
	f.StringVar(&q.Pair, "pair", "", "column that repeated pairs share")
	f.Float64Var(&q.Limit, "limit", 0, "largest difference that matters not, set before")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "auditor", "self", "limit")
}
