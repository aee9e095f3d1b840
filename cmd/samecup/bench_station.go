//go:build !station

package main

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/stationbench"
)

func benchStationCommand() *cobra.Command {
	var asJSON bool
	var o stationbench.Options
	cmd := &cobra.Command{
		Use:   "station",
		Short: "Measure a station agent's memory and its time to start",
		Long: `Starts "samecup station", a process of its own, on a directory with a large book
and many builds that wait for the bus, and measures it from outside: resident
memory as Linux counts it (VmRSS, and VmHWM for the most), and the time from
starting the process to its first useful answer. At the end it gets a bus and
drains. Each figure stands beside its goal; exit code 1: a goal is missed.

It measures this very program unless --binary names another, such as the build of
the station alone that "make station" makes; the first line says which it was.`,
		Example: `  samecup bench station
  samecup bench station --binary bin/samecup-station
  samecup bench station --drinks 50 --waiting 1000 --starts 1 --json`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.Binary == "" {
				exe, err := os.Executable()
				if err != nil {
					return fmt.Errorf("find this program: %w", err)
				}
				o.Binary = exe
			}
			o.Page, o.Progress = true, cmd.ErrOrStderr()
			o.Command = func(dir, busURL string) *exec.Cmd {
				c := exec.Command(o.Binary, "station", "--data", dir, "--bus", busURL, "--tablet", "127.0.0.1:0")
				c.Stderr = nil // what it logs of the bus that is away
				return c
			}
			rows, err := stationbench.Measure(cmd.Context(), o)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			if asJSON {
				enc := json.NewEncoder(cmd.OutOrStdout())
				enc.SetIndent("", "  ")
				if err := enc.Encode(rows); err != nil {
					return fmt.Errorf("writing the figures: %w", err)
				}
			} else if err := stationbench.WriteTable(cmd.OutOrStdout(), rows); err != nil {
				return err
			}
			for _, r := range rows {
				if !r.Met() {
					return exitError{code: 1, msg: fmt.Sprintf("%s is %.4g %s; the goal is under %g", r.Name, r.Value, r.Unit, r.Goal)}
				}
			}
			return nil
		},
	}
	cmd.Flags().IntVar(&o.Drinks, "drinks", 200, "drinks in the book, 1 to 1000")
	cmd.Flags().IntVar(&o.Waiting, "waiting", 100_000, "builds that wait for the bus")
	cmd.Flags().IntVar(&o.Starts, "starts", 5, "starts to take the medians over")
	cmd.Flags().StringVar(&o.Binary, "binary", "", "the `file` of the program to measure (default: this one)")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a JSON array")
	return cmd
}
