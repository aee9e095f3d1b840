package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/launch"
)

func launchCommand() *cobra.Command {
	var dir string
	cmd := &cobra.Command{
		Use:   "launch",
		Short: "Play a season's launch: from a draft to forty counters in three time zones",
		Long: `Starts the bus, the authority and forty stations of the invented chain Harbour &
Finch in this process, and tells step by step how an autumn menu reaches them:
a draft with cautions, four eyes, two sites that go first with a slip in the
recipe, the test that halts them, roll-back and mending, all sites over the
night of a clock change with the bus away, an allergen stop, and one site with
a departure of its own. Stations go off and on throughout.

At the end each station's book is compared with what the authority resolves for
its site, byte for byte. Exit code 0: all went as told; 1: something did not.
It takes well under a minute. Data go to a temporary directory, which is kept
when something went wrong, or to --data, which is kept always.`,
		Example: `  samecup launch
  samecup launch --data ./launch`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) (err error) {
			kept := dir != ""
			if !kept {
				if dir, err = os.MkdirTemp("", "samecup-launch-"); err != nil {
					return fmt.Errorf("make a temporary directory: %w", err)
				}
			} else if found, err := filepath.Glob(filepath.Join(dir, "*")); err != nil || len(found) > 0 {
				return exitError{code: 2, msg: fmt.Sprintf("--data %s: is not empty; a launch begins with nothing", dir)}
			}
			log, done, err := demoLog(dir)
			if err != nil {
				return err
			}
			res, err := launch.Run(cmd.Context(), launch.Options{Dir: dir, Out: cmd.OutOrStdout(), Log: log})
			done()
			if err != nil {
				return fmt.Errorf("%w; data and log are left in %s", err, dir)
			}
			fmt.Fprintf(cmd.OutOrStdout(), "\n%s\n", res)
			if !kept {
				return os.RemoveAll(dir)
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&dir, "data", "", "empty directory for all data (default: a temporary one)")
	return cmd
}
