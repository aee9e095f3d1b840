//go:build !station

package main

import (
	"encoding/json"
	"fmt"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/fanout"
	"samecup.example/samecup/cmd/samecup/internal/pipeline"
	"samecup.example/samecup/internal/bench"
)

// benches in the order in which "all" runs them.
var benches = []bench.Bench{
	{Name: "verdict", Run: bench.Verdict},
	{Name: "pipeline", Run: pipeline.Bench},
	{Name: "release", Run: fanout.Bench},
}

func benchCommand() *cobra.Command {
	var asJSON bool
	var o bench.Options
	cmd := &cobra.Command{
		Use:   "bench NAME|all",
		Short: "Measure beside the peers, in one run",
		Long: `Bench runs ours and a peer in interleaved rounds and prints the medians, a line a
comparison. The ratio says how many times better ours is; a goal is met when the
ratio reaches it. Progress goes to standard error.`,
		Example: `  samecup bench verdict
  samecup bench all --json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			o.Progress = cmd.ErrOrStderr()
			rows, err := bench.Run(cmd.Context(), benches, args[0], o)
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
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	cmd.Flags().IntVar(&o.Rounds, "rounds", 0, "rounds to take the medians over (default 9)")
	cmd.Flags().DurationVar(&o.RoundTime, "round-time", 0, "how long each side runs in a round (default 50ms)")
	cmd.AddCommand(benchReleaseCommand(), benchStationCommand(), benchConsoleCommand())
	return cmd
}
