//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/consolebench"
)

func benchConsoleCommand() *cobra.Command {
	var asJSON bool
	var o consolebench.Options
	cmd := &cobra.Command{
		Use:   "console",
		Short: "Measure the console's pages over a year of a large chain",
		Long: fmt.Sprintf(`Makes a chain with a year behind it, serves authority, quality and the console in
this process, and asks for each page over HTTP as somebody who is signed in. The
stations are enrolled as usual; four weeks of builds at four of them go through
quality's roll-ups and its watch; the rest of the year is simulated as roll-ups,
so far as pages read them.

Printed are the median and the worst time to the first byte, the time to the last
(medians; the first request of a page does not count), and what the page and all
that it links to for its look transfer, packed and unpacked. The first %d pages
are the main ones. The goals are a median first byte under %d ms and under %d kB
transferred; exit code 1: a page misses one.`, consolebench.Main, consolebench.GoalMillis, consolebench.GoalKB),
		Example: `  samecup bench console
  samecup bench console --stations 100 --days 90 --requests 5 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			o.Progress = cmd.ErrOrStderr()
			rows, err := consolebench.Measure(cmd.Context(), o)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				if err := enc.Encode(rows); err != nil {
					return fmt.Errorf("writing the figures: %w", err)
				}
			} else if err := consolebench.WriteTable(cmd.OutOrStdout(), rows); err != nil {
				return err
			}
			for _, r := range rows {
				if !r.Met() {
					return exitError{code: 1, msg: fmt.Sprintf("the page %s takes %.1f ms to its first byte and transfers %.1f kB; the goals are under %d ms and %d kB",
						r.Page, r.FirstByte, r.KB, consolebench.GoalMillis, consolebench.GoalKB)}
				}
			}
			return nil
		},
	}
	cmd.Flags().IntVar(&o.Stations, "stations", 1000, "stations of the chain, two a site: an even number, 12 to 4000")
	cmd.Flags().IntVar(&o.Days, "days", 365, "days of roll-ups, 60 to 800")
	cmd.Flags().IntVar(&o.Requests, "requests", 21, "requests of each page that count")
	cmd.Flags().StringVar(&o.Dir, "dir", "", "empty `directory` for the data (default: a temporary one)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	return cmd
}
