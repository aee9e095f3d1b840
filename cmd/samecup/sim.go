//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"samecup.example/samecup/internal/sim/score"
	"samecup.example/samecup/internal/sim/season"
)

func simCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "sim",
		Short: "Simulated seasons of a chain with known truth, and simulated instruments",
	}
	cmd.AddCommand(simScoreCommand(), simInstrumentsCommand())
	return cmd
}

func simScoreCommand() *cobra.Command {
	cfg := score.Config{}
	var faults []string
	var asJSON, asMarkdown bool
	var page string
	cmd := &cobra.Command{
		Use:   "score --seeds N [--faults F1,F8A] [--days N] [--held-out]",
		Short: "How well the watch finds faults that were put in",
		Long: `Simulates seasons of a chain, each with one known fault, and scores the watch:
sensitivity, delay in shifts, right cause, right place, alarms elsewhere, all
with intervals and n. F12 is no fault and gives the false alarms a
station-month; F11 is an honest outlier, who must not be asked about a log.
Plain charts are scored beside the watch, at limits at which they ring as often
as the watch does in runs without a fault (--calibration of them, of other
seeds). A run of 28 days takes about a second of one processor.
--held-out takes other parameters each seed. It is for a last look: tune nothing
by it.
The result does not depend on --workers. Exit 0 with an answer, 2 for flags that
cannot be used.`,
		Example: `  samecup sim score --seeds 200
  samecup sim score --seeds 20 --faults F1,F8A,F11 --markdown
  samecup sim score --seeds 200 --within 45m --markdown
  samecup sim score --seeds 50 --held-out --json
  samecup sim score --seeds 200 --insert docs/detection.md`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if asJSON && asMarkdown || page != "" && (asJSON || asMarkdown) {
				return exitError{code: 2, msg: "sim score: --json, --markdown and --insert are different forms: choose one"}
			}
			for _, f := range faults {
				cfg.Faults = append(cfg.Faults, season.Fault(strings.ToUpper(strings.TrimSpace(f))))
			}
			if term.IsTerminal(int(os.Stderr.Fd())) {
				cfg.Progress = func(done, all int) {
					const wide = 40
					bar := strings.Repeat("#", done*wide/all)
					end := ""
					if done == all {
						end = "\n"
					}
					fmt.Fprintf(cmd.ErrOrStderr(), "\r[%-*s] %d of %d runs%s", wide, bar, done, all, end)
				}
			}
			r, err := score.Run(cmd.Context(), cfg)
			switch {
			case errors.Is(err, context.Canceled):
				return fmt.Errorf("sim score: stopped before the end: %w", err)
			case err != nil:
				return exitError{code: 2, msg: fmt.Sprintf("sim %v", err)}
			case page != "":
				return insertScore(page, r)
			case asMarkdown:
				_, err = fmt.Fprint(cmd.OutOrStdout(), r.Markdown())
				return err
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.IntVar(&cfg.Seeds, "seeds", 20, "runs of each fault")
	f.Uint64Var(&cfg.First, "first-seed", 1, "seed of the first run")
	f.StringSliceVar(&faults, "faults", nil, "labels F1 to F12, F8A to F8E; all where not given")
	f.IntVar(&cfg.Days, "days", 28, "days of a season")
	f.BoolVar(&cfg.HeldOut, "held-out", false, "other parameters each seed; tune nothing by them")
	f.IntVar(&cfg.Calibration, "calibration", 30, "runs without a fault that set the limits of the plain charts")
	f.DurationVar(&cfg.Within, "within", 0, "begin no seed after so long, such as 45m, and report on those there are; 0 is no limit")
	f.IntVar(&cfg.Workers, "workers", 0, "runs at once; 0 is one for each processor")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	f.StringVar(&page, "insert", "", "Markdown page whose tables are made anew")
	f.BoolVar(&asMarkdown, "markdown", false, "print Markdown tables")
	return cmd
}

// insertScore makes the tables of a page anew.
func insertScore(path string, r *score.Result) error {
	old, err := os.ReadFile(path)
	if err != nil {
		return exitError{code: 2, msg: fmt.Sprintf("sim score: read the page: %v", err)}
	}
	page, err := r.Insert(old)
	if err != nil {
		return exitError{code: 2, msg: fmt.Sprintf("sim %v: %s", err, path)}
	}
	if err := os.WriteFile(path, page, 0o644); err != nil {
		return fmt.Errorf("sim score: write the page: %w", err)
	}
	return nil
}
