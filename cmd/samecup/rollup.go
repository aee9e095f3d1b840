//go:build !station

package main

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"samecup.example/samecup/services/quality"
)

func rollupCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rollup",
		Short: "Compute the quality figures anew, or prove them",
		Long: `Roll-ups are the sums by station, serving, check and hour that every page of
figures is read from. They follow the stored builds by themselves; these
commands compute them anew from the builds, and prove them equal to the builds.`,
	}
	cmd.AddCommand(rollupRebuildCommand(), rollupVerifyCommand())
	return cmd
}

func rollupRebuildCommand() *cobra.Command {
	var data, database string
	cmd := &cobra.Command{
		Use:   "rebuild --data DIR",
		Short: "Compute every roll-up anew from the stored builds",
		Long: `Rebuild empties the roll-ups and computes all of them from the stored builds. It
may run beside a running centre, whose figures grow back as it goes. Where it is
interrupted, the centre goes on, or another run begins again.`,
		Example: `  samecup rollup rebuild --data /var/lib/samecup`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			err := quality.RebuildRollups(cmd.Context(), rollupsAt(data, database), rollupProgress(cmd.ErrOrStderr(), "rolled up"))
			if err != nil {
				return rollupFailed(err)
			}
			fmt.Fprintln(cmd.OutOrStdout(), "the roll-ups are computed anew; prove them with samecup rollup verify")
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	return cmd
}

func rollupVerifyCommand() *cobra.Command {
	var data, database string
	cmd := &cobra.Command{
		Use:   "verify --data DIR",
		Short: "Prove that every roll-up equals its builds",
		Long: `Verify computes every roll-up again from the stored builds, station after
station, and compares byte by byte; all sums are integers, so equal means equal.
It names the first cell that differs and then exits with 1.`,
		Example: `  samecup rollup verify --data /var/lib/samecup`,
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			err := quality.VerifyRollups(cmd.Context(), rollupsAt(data, database), rollupProgress(cmd.ErrOrStderr(), "read"))
			if err != nil {
				return rollupFailed(err)
			}
			fmt.Fprintln(cmd.OutOrStdout(), "every roll-up equals its builds")
			return nil
		},
	}
	dataFlag(cmd, &data)
	databaseFlag(cmd, &database)
	return cmd
}

// rollupsAt is the database where one is named, else the directory.
func rollupsAt(data, database string) string {
	if database != "" {
		return database
	}
	return filepath.Join(data, "quality")
}

func rollupFailed(err error) error {
	if errors.Is(err, quality.ErrNoDatabase) {
		return exitError{code: 2, msg: err.Error()}
	}
	return err
}

// rollupProgress tells how far it is, at most once a second.
func rollupProgress(w io.Writer, done string) func(n, all int64) {
	var last time.Time
	return func(n, all int64) {
		if now := time.Now(); n == all || now.Sub(last) >= time.Second {
			last = now
			fmt.Fprintf(w, "%d of %d builds %s\n", n, all, done)
		}
	}
}
