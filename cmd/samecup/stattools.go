//go:build !station

package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"samecup.example/samecup/internal/stat"
)

// statTool makes a statistics command refuse a command line that it cannot use
// with code 2, as it refuses a file: code 1 says that something was found, and a
// script must not take a flag left out for a finding.
func statTool(cmd *cobra.Command, required ...string) *cobra.Command {
	name := cmd.Name()
	cmd.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return cannotUse(name, err) })
	args := cmd.Args
	cmd.Args = func(cmd *cobra.Command, given []string) error {
		if args(cmd, given) == nil {
			return nil
		}
		return cannotUse(name, fmt.Errorf("given %q, wanted: samecup %s", given, cmd.Use))
	}
	cmd.PreRunE = func(cmd *cobra.Command, _ []string) error {
		var missing []string
		for _, f := range required {
			if !cmd.Flags().Changed(f) {
				missing = append(missing, "--"+f)
			}
		}
		if len(missing) > 0 {
			return cannotUse(name, fmt.Errorf("no %s; see samecup %s --help for an example", strings.Join(missing, ", "), name))
		}
		return nil
	}
	return cmd
}

// cannotUse words a refusal: the field, its value and what is allowed, without the
// package's own words before them.
func cannotUse(name string, err error) error {
	return exitError{code: 2, msg: name + ": " + strings.ReplaceAll(err.Error(), stat.ErrInput.Error()+": ", "")}
}
