//go:build !station

package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/demo"
	"samecup.example/samecup/cmd/samecup/internal/launch"
)

// demoLaunch plays a season's launch in place of a shift.
func demoLaunch(cmd *cobra.Command, opts demo.Options, once, asJSON bool) (err error) {
	for _, name := range []string{"seed", "listen", "faults", "pace", "builds"} {
		if cmd.Flags().Changed(name) {
			return exitError{code: 2, msg: fmt.Sprintf("--%s is for a shift; leave it out of a launch", name)}
		}
	}
	switch {
	case once && cmd.Flags().Changed("console"):
		return exitError{code: 2, msg: "--console stays until Ctrl-C, and --once ends by itself; give one of the two"}
	case asJSON && !once:
		return exitError{code: 2, msg: "--json tells the end of a launch that ends by itself; give --once too"}
	}
	kept := opts.Dir != ""
	if !kept {
		if opts.Dir, err = os.MkdirTemp("", "samecup-launch-"); err != nil {
			return fmt.Errorf("make a temporary directory: %w", err)
		}
	} else if found, err := filepath.Glob(filepath.Join(opts.Dir, "*")); err != nil || len(found) > 0 {
		return exitError{code: 2, msg: fmt.Sprintf("--data %s: is not empty; a launch begins with nothing", opts.Dir)}
	}
	log, done, err := demoLog(opts.Dir)
	if err != nil {
		return err
	}
	out := cmd.OutOrStdout()
	o := launch.Options{Dir: opts.Dir, Log: log, Out: out}
	if !once {
		o.Console = opts.Console
	}
	if asJSON {
		o.Out = io.Discard
	}
	fmt.Fprintf(o.Out, "starting Harbour & Finch with forty sites in %s ...\n", opts.Dir)
	res, err := launch.Run(cmd.Context(), o)
	done()
	switch {
	case err != nil && cmd.Context().Err() != nil && !once:
		// An end on request is no failure.
	case err != nil:
		return fmt.Errorf("%w; data and log are left in %s", err, opts.Dir)
	case asJSON:
		if err := json.NewEncoder(out).Encode(res); err != nil {
			return err
		}
	case once:
		fmt.Fprintf(out, "\n%s\n", res)
	}
	if !kept {
		return os.RemoveAll(opts.Dir)
	}
	return nil
}
