//go:build !station

package main

import (
	"fmt"
	"io"
	"os"

	"github.com/spf13/cobra"

	"samecup.example/samecup/cmd/samecup/internal/reportaudit"
)

func auditCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "audit",
		Short: "Plan an auditor's visit, print its form, compare it with the log",
		Long: `An auditor measures drinks without seeing what the station logged. The plan draws
the drinks, checks and times and fixes how far self-logged values may lie from the
auditor's; the form is made from the plan alone; the readings are judged like any
build and compared with the log.`,
	}
	cmd.AddCommand(auditPlanCommand(), auditFormCommand(), auditAgreeCommand())
	return cmd
}

func auditPlanCommand() *cobra.Command {
	var q reportaudit.PlanQuestion
	cmd := &cobra.Command{
		Use:   "plan BOOK --site SLUG --day DAY --slot STATION,BARISTA,FROM-TO...",
		Short: "Draw the drinks, checks and times of a visit",
		Long: `Draws a visit from a seed and writes it as JSON: in every slot (a barista at a
station) so many drinks at random minutes inside equal windows, at least one with
plant milk, and cups to taste blind. The plan holds the key to the cups: give the
auditor the form, not the plan. Exit 0, or 2 when a visit cannot be drawn.`,
		Example: `  samecup audit plan testdata/harbour-finch --site tannery-row --day 2026-03-02 --seed 7 \
    --slot bar-1,b-17,07:00-11:00 --slot bar-2,b-23,11:30-15:00 --cups 2 --limit milk_temp=2 > plan.json`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := loadCardBook(args[0])
			if err != nil {
				return err
			}
			p, err := reportaudit.Plan(book, q)
			if err != nil {
				return exitError{code: 2, msg: fmt.Sprintf("audit plan: %v", err)}
			}
			return p.Write(cmd.OutOrStdout())
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Site, "site", "", "the site's slug")
	f.StringVar(&q.Day, "day", "", "the business day, such as 2026-03-02")
	f.StringArrayVar(&q.Slots, "slot", nil, "who works where and when: station,barista,07:00-11:00; again for each")
	f.IntVar(&q.PerSlot, "per-slot", 2, "drinks to measure in each slot")
	f.IntVar(&q.Cups, "cups", 1, "cups to taste blind")
	f.StringSliceVar(&q.Drinks, "drinks", nil, "drink ids on sale (default all of the book)")
	f.StringArrayVar(&q.Limits, "limit", nil, "how far apart values may lie, such as milk_temp=2; again for each measure")
	f.Float64Var(&q.Fault, "fault", 0.1, "share of drinks with a fault that the statement of power speaks of")
	f.Uint64Var(&q.Seed, "seed", 0, "seed of the draw; keep it to yourself until the visit is over")
	for _, name := range []string{"site", "day", "slot", "seed"} {
		_ = cmd.MarkFlagRequired(name)
	}
	return cmd
}

func auditFormCommand() *cobra.Command {
	var pdf, page, slip, name string
	cmd := &cobra.Command{
		Use:   "form PLAN",
		Short: "Print the form of a visit",
		Long: `Writes the form that the auditor fills in, made from the plan alone: no logged
value, no target, no key to the tasting cups. Without flags it is written as a
page fragment to standard output. --slip writes the key for the person who carries
the cups. Exit 2 when the plan cannot be used.`,
		Example: `  samecup audit form testdata/audit/tannery-row.plan.json --site-name "Tannery Row" --pdf form.pdf --slip slip.txt`,
		Args:    cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			p, form, err := reportaudit.Form(args[0], cmd.InOrStdin())
			if err != nil {
				return exitError{code: 2, msg: fmt.Sprintf("audit form: %v", err)}
			}
			if name != "" {
				form.Site = name
			}
			if pdf == "" && page == "" && slip == "" {
				return form.HTML(cmd.OutOrStdout())
			}
			for _, out := range []struct {
				path  string
				write func(io.Writer) error
			}{{pdf, form.PDF}, {page, form.HTML}, {slip, func(w io.Writer) error {
				_, err := io.WriteString(w, p.Slip())
				return err
			}}} {
				if out.path == "" {
					continue
				}
				if err := writeFile(out.path, out.write); err != nil {
					return err
				}
			}
			return nil
		},
	}
	cmd.Flags().StringVar(&pdf, "pdf", "", "write the paper form, A4, to this file")
	cmd.Flags().StringVar(&page, "html", "", "write the page fragment to this file")
	cmd.Flags().StringVar(&name, "site-name", "", "the site's name as people say it (default: its slug of the plan)")
	cmd.Flags().StringVar(&slip, "slip", "", "write the key to the tasting cups to this file")
	return cmd
}

func auditAgreeCommand() *cobra.Command {
	var q reportaudit.AgreeQuestion
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "agree BUILDS --book DIR --plan FILE --visit FILE...",
		Short: "Judge visits and compare them with what was logged",
		Long: `Judges the readings of each visit against the book, then compares them with the
builds of the log (JSON Lines, "-" for stdin) that have the same build number:
limits of agreement, repeated pairs of a site kept apart, against the limits of
the plan. Drinks that cannot be paired are compared as distributions. --plan and
--visit stand in pairs, again for each visit; a visit is a CSV with the columns
no,build,serving,check,n,value,step,missed. Exit 0 with an answer, 2 when a file
cannot be used.`,
		Example: `  samecup audit agree testdata/audit/builds.jsonl --book testdata/harbour-finch \
    --plan testdata/audit/tannery-row.plan.json --visit testdata/audit/tannery-row.visit.csv \
    --plan testdata/audit/lantern-hill.plan.json --visit testdata/audit/lantern-hill.visit.csv \
    --plan testdata/audit/oyster-steps.plan.json --visit testdata/audit/oyster-steps.visit.csv`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			book, err := loadCardBook(q.Book)
			if err != nil {
				return err
			}
			in := cmd.InOrStdin()
			if args[0] != "-" {
				f, err := os.Open(args[0])
				if err != nil {
					return exitError{code: 2, msg: fmt.Sprintf("audit agree: opening the log: %v", err)}
				}
				defer f.Close()
				in = f
			}
			r, err := reportaudit.Agree(book, in, q)
			if err != nil {
				return exitError{code: 2, msg: fmt.Sprintf("audit agree: %v", err)}
			}
			return printReport(cmd, r, asJSON)
		},
	}
	f := cmd.Flags()
	f.StringVar(&q.Book, "book", "", "the book that the plans were made from")
	f.StringArrayVar(&q.Plans, "plan", nil, "the plan of a visit")
	f.StringArrayVar(&q.Visits, "visit", nil, "the readings of that visit")
	f.BoolVar(&asJSON, "json", false, "print one JSON object")
	for _, name := range []string{"book", "plan", "visit"} {
		_ = cmd.MarkFlagRequired(name)
	}
	return cmd
}
