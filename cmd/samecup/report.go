//go:build !station

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/services/console/reading"
	"samecup.example/samecup/services/console/report"
)

func reportCommand() *cobra.Command {
	var quality, authority, as, scope, week, out, locale, units, paper, made string
	cmd := &cobra.Command{
		Use:   "report --scope SCOPE --out FILE",
		Short: "Print the weekly consistency report of a site, an area or the chain",
		Long: `Asks quality and authority about one week and prints a PDF: a first page
of what to do, safety first, each with its next step and how sure it is; then
the evidence: places beside each other, what moved, checks taken and missed,
releases and stops, questions about logs, and how to read the figures.

Weeks are those of ISO 8601, from Monday, by each site's business days. The same
answers with the same --made give the same bytes. Exit 1 when a service does not
answer, 2 when a flag cannot be used or the file cannot be written.

Figures, dates and units follow --locale and --units, and the console's page Print
follows its reader's settings; what is stored is metric. Build cards for training
are printed by samecup cards, the form for an auditor's visit by samecup audit form.`,
		Example: `  samecup report --scope site/tannery-row --week 2026-W47 --out tannery-row.pdf
  samecup report --scope region/harbour --week 2026-W47 --locale de --out harbour.pdf
  samecup report --scope site/lantern-hill --units us --locale en-US --out lantern-hill.pdf
  samecup report --scope chain --out chain.pdf --quality 127.0.0.1:7100 --authority 127.0.0.1:7100`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if out == "" {
				return exitError{code: 2, msg: "--out is missing: name the file to write, such as --out chain.pdf"}
			}
			q, err := reportQuery(scope, week, locale, units, made)
			if err != nil {
				return exitError{code: 2, msg: err.Error()}
			}
			var sheet report.Sheet
			if paper != "" {
				if sheet, err = report.ParseSheet(paper); err != nil {
					return exitError{code: 2, msg: "--paper: " + err.Error()}
				}
			}
			live := newLiveLine(cmd.ErrOrStderr())
			q.Progress = func(step string) {
				// A line that cannot be drawn is no reason to stop.
				_ = live.show("asking for " + step + " …")
			}
			a := ask{to: authority, as: as}
			return a.reach(cmd, func(ctx context.Context, cc *grpc.ClientConn) error {
				token, err := callerToken(as)
				if err != nil {
					return err
				}
				judge, err := rpc.Dial(quality, rpc.WithToken(token))
				if err != nil {
					return err
				}
				defer judge.Close()
				d, err := report.Gather(ctx, report.NewClients(judge, cc), q)
				live.end()
				if errors.Is(err, report.ErrQuery) {
					return exitError{code: 2, msg: err.Error()}
				}
				if c := status.Code(err); c == codes.Unavailable || c == codes.DeadlineExceeded {
					return exitError{code: 1, msg: err.Error() + "; are quality and the authority running at the addresses that --quality and --authority name?"}
				}
				if err != nil {
					return err
				}
				doc, err := report.Build(d)
				if err != nil {
					return err
				}
				if paper != "" {
					doc.Sheet = sheet
				}
				if err := writeFile(out, func(w io.Writer) error { return doc.PDF(w) }); err != nil {
					return err
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %s, %s\n", out, doc.Title, q.Week)
				return err
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&scope, "scope", "chain", "what it is about: chain, region/NAME or site/NAME")
	f.StringVar(&week, "week", "", "week as 2026-W47 (default: the last whole one)")
	f.StringVar(&out, "out", "", "the PDF file to write")
	f.StringVar(&quality, "quality", authorityAddress, "address of the quality service")
	f.StringVar(&authority, "authority", authorityAddress, "address of the authority")
	f.StringVar(&as, "as", "", "file with the token of the person who calls (default: the variable "+tokenVariable+")")
	f.StringVar(&locale, "locale", "en-GB", "how numbers and dates are written, as a language tag such as de or en-US; the words are English")
	f.StringVar(&units, "units", "metric", "units that values are shown in: metric, or us for US customary; what is stored stays metric")
	f.StringVar(&paper, "paper", "", "a4 or letter (default: that of the locale's country)")
	f.StringVar(&made, "made", "", "time that the document carries, as 2026-11-23T06:00:00Z (default: now)")
	return cmd
}

// reportQuery reads the flags that say what to print.
func reportQuery(scope, week, locale, units, made string) (q report.Query, err error) {
	if q.Scope, err = report.ParseScope(scope); err != nil {
		return q, fmt.Errorf("--scope: %w", err)
	}
	q.Made = time.Now()
	if made != "" {
		if q.Made, err = time.Parse(time.RFC3339, made); err != nil {
			return q, fmt.Errorf("--made %q cannot be used: write a time as 2026-11-23T06:00:00Z", made)
		}
	}
	q.Week = report.WeekOf(q.Made).Before(1)
	if week != "" {
		if q.Week, err = report.ParseWeek(week); err != nil {
			return q, fmt.Errorf("--week: %w", err)
		}
	}
	ok := false
	if q.Read, ok = reading.New(locale); !ok {
		return q, fmt.Errorf("--locale %q cannot be used: write a language tag such as en-GB, en-US or de", locale)
	}
	switch units {
	case "metric":
	case "us":
		q.Read.US = true
	default:
		return q, fmt.Errorf("--units %q cannot be used: allowed are metric and us", units)
	}
	return q, nil
}
