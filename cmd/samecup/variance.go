//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportvariance"
	"samecup.example/samecup/cmd/samecup/internal/table"
)

func varianceCommand() *cobra.Command {
	var o reportvariance.Options
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "variance FILE --value COL --factor COL...",
		Short: "Say where the spread comes from: site, station, barista, lot, or within",
		Long: `Splits the spread of one column among random factors, nested or crossed,
unbalanced or not, by REML with profile likelihood intervals, and gives the
effect of each level drawn towards the mean. It says where two factors, such as
site and barista, cannot be told apart. FILE is a CSV with a header row, or - for
standard input. Write station(site) for stations that are counted within a site.
Exit 0 with a result, 2 when the data cannot be used.`,
		Example: "  samecup variance testdata/stat/variance-shots.csv --value seconds \\\n" +
			"    --factor site --factor 'station(site)' --factor barista --json",
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			t, err := table.Open(args[0], cmd.InOrStdin(), o.Columns()...)
			if err != nil {
				return cannotUse("variance", err)
			}
			r, err := reportvariance.Make(t, o)
			if err != nil {
				return cannotUse("variance", err)
			}
			if !asJSON {
				_, err = fmt.Fprint(cmd.OutOrStdout(), r)
				return err
			}
			enc := json.NewEncoder(cmd.OutOrStdout())
			enc.SetIndent("", "  ")
			return enc.Encode(r)
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Value, "value", "", "the column of the values")
	f.StringArrayVar(&o.Factors, "factor", nil, "a random factor, again for each; inner(outer) for a nested one")
	f.StringArrayVar(&o.Fixed, "fixed", nil, "a factor whose means are no source of spread, such as drink; again for each")
	f.BoolVar(&o.ML, "ml", false, "maximise the plain likelihood instead of REML")
	f.BoolVar(&o.Quick, "quick", false, "leave out the intervals of the components, most of the work")
	f.Float64Var(&o.Confidence, "confidence", 0.95, "of each interval, above 0.5 and below 1")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	return statTool(cmd, "value", "factor")
}
