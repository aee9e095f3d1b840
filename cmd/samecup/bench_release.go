//go:build !station

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
by plain publishes. Ours goes as the authority sends it: signed, through the
stream that syncs and acknowledges each write, a release and behind it the
assignments that name it.
Prints medians of interleaved rounds, to the last station:
  release_delivered  both until received; the goal is stated for this one
  release_checked    both until the subscribers have checked signatures and order
  release_in_force   ours until checked and in force, the peer until received: no
                     goal, since in a chain each station checks on its own machine
The goal is that ours takes at most twice as long, which is a ratio of 0.5 in the
table. "samecup bench all" has it with the other benches.`,
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
				if err := bench.WriteTable(cmd.OutOrStdout(), rows); err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "\n%s\n", fanout.Summary(rows))
				return nil
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
