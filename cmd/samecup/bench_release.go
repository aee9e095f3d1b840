package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/fanout"
	"samecup.example/samecup/internal/bench"
)

func benchReleaseCommand() *cobra.Command {
	var asJSON bool
	var o bench.Options
	stations := fanout.DefaultStations
	cmd := &cobra.Command{
		Use:   "release",
		Short: "Measure a release to many stations beside a raw fan-out of the same bytes",
		Long: `Publishes releases to simulated stations, a connection each, that verify what
arrives as stations do, and beside that the same bytes to the same connections
by plain publishes. Prints medians of interleaved rounds to the last station:
  release_in_force   ours until all have it verified and in force; the peer until received
  release_delivered  both until received, ours through the synced stream
  release_checked    ours as in the first; the peer's subscribers check the same
The goal, a ratio of at least 0.5, is that ours takes at most twice as long.`,
		Example: `  samecup bench release
  samecup bench release --stations 200 --rounds 3 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			o.Progress = cmd.ErrOrStderr()
			rows, err := fanout.Measure(cmd.Context(), stations, o)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if !asJSON {
				return bench.WriteTable(cmd.OutOrStdout(), rows)
			}
			enc := json.NewEncoder(cmd.OutOrStdout())
			enc.SetIndent("", "  ")
			if err := enc.Encode(rows); err != nil {
				return fmt.Errorf("writing the rows: %w", err)
			}
			return nil
		},
	}
	cmd.Flags().IntVar(&stations, "stations", stations, "simulated stations, 1 to 5000")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	cmd.Flags().IntVar(&o.Rounds, "rounds", 0, "rounds to take the medians over, at most 7 (default 7)")
	return cmd
}
