//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportcompare"
	"samecup.example/samecup/cmd/samecup/internal/table"
)

// printReport prints the words of a statistics report, or its JSON.
func printReport(cmd *cobra.Command, r fmt.Stringer, asJSON bool) error {
	if !asJSON {
		_, err := fmt.Fprint(cmd.OutOrStdout(), r)
		return err
	}
	enc := json.NewEncoder(cmd.OutOrStdout())
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(r)
}

func compareCommand() *cobra.Command {
	var c reportcompare.Columns
	var target float64
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "compare FILE --site COL --bad COL --n COL [--kind COL] [--target P]",
		Short: "Compare sites fairly",
		Long: `Compares the share of bad drinks between sites from a CSV file with a header row,
"-" for stdin; rows of one site are added up. It gives Wilson intervals, a
funnel with exact limits, shrunken rates with intervals of the rank instead of
ranks, and with --kind (drink, hour, milk) the rates adjusted for the mix.
"Not enough data" is an answer, with the number of checks that would be enough.
Exit 0 with an answer, 2 when the file cannot be used.`,
		Example: "  samecup compare testdata/stat/compare-sites.csv --site site --bad bad --n checks --kind drink",
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			var goal *float64
			if cmd.Flags().Changed("target") {
				goal = &target
			}
			t, err := table.Open(args[0], cmd.InOrStdin(), c.Names()...)
			if err != nil {
				return cannotUse("compare", err)
			}
			r, err := reportcompare.Build(t, c, goal)
			if err != nil {
				return cannotUse("compare", err)
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&c.Site, "site", "", "column of the site")
	f.StringVar(&c.Bad, "bad", "", "column of the number of bad drinks")
	f.StringVar(&c.N, "n", "", "column of the number of checks")
	f.StringVar(&c.Kind, "kind", "", "column to adjust for, such as the drink")
	f.Float64Var(&target, "target", 0, "target share of bad drinks, 0 to 1 (default the rate of all sites)")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "site", "bad", "n")
}
