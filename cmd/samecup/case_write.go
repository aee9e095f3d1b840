//go:build !station

package main

import (
	"cmp"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func dash(s string) string { return cmp.Or(s, "-") }

// word turns CASE_STAGE_FIX_STATED into "fix stated".
func word(name, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(name, prefix)), "_", " ")
}

func stageWord(s pb.CaseStage) string { return word(s.String(), "CASE_STAGE_") }
func riskWord(r pb.CaseRisk) string   { return word(r.String(), "CASE_RISK_") }

func writeCases(w io.Writer, list []*pb.Case) error {
	if len(list) == 0 {
		_, err := fmt.Fprintln(w, "no case is open")
		return err
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "CASE\tRISK\tSTAGE\tSITES\tSINCE\tOWNER\tWHAT")
	for _, k := range list {
		stage := stageWord(k.Stage)
		if k.MergedInto != "" {
			stage = "merged into " + k.MergedInto
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\t%s\t%s\n", k.Id, riskWord(k.Risk), stage, len(k.Sites), clock(k.BeganTime), dash(k.Owner), k.Title)
	}
	return t.Flush()
}

func writeCase(w io.Writer, res *pb.GetCaseResponse) error {
	k := res.Case
	fmt.Fprintf(w, "case %s: %s\n", k.Id, k.Title)
	fmt.Fprintf(w, "%s, %s; opened %s, began about %s; %d signals, the last %s; etag %s\n", stageWord(k.Stage), riskWord(k.Risk),
		clock(k.OpenedTime), clock(k.BeganTime), k.SignalCount, clock(k.LastTime), k.Etag)
	if k.MergedInto != "" {
		fmt.Fprintf(w, "merged into %s: act there\n", k.MergedInto)
	}
	if k.ReopenedCount > 0 {
		fmt.Fprintf(w, "it came back %d times\n", k.ReopenedCount)
	}
	fmt.Fprintf(w, "owner: %s\nfor now: %s\n", dash(k.Owner), cmp.Or(k.Containment, "nothing stated; advice: "+k.Advice))
	if f := k.Fix; f != nil {
		fmt.Fprintf(w, "cause: %s: %s\ndone: %s, %s\nprevents: %s\n", f.Cause, f.Explanation, f.Done, clock(f.FixTime), f.Prevention)
	}
	if e := res.Effect; e != nil {
		fmt.Fprintf(w, "the builds since: %s: %s\n", word(e.Outcome.String(), "FIX_OUTCOME_"), e.Text)
	}
	fmt.Fprintln(w, "\nchecks, most likely cause first:")
	for i, s := range k.Suspects {
		fmt.Fprintf(w, "  %d. %s (%.0f %% of the weight: %s)\n     %s\n", i+1, s.Cause, 100*s.Weight, s.Why, s.Check)
	}
	fmt.Fprintln(w, "\nevidence:")
	for _, g := range res.Evidence {
		fmt.Fprintf(w, "  %s  %s\n", clock(g.SeenTime), g.Text)
		if n := len(g.BuildIds); n > 0 {
			fmt.Fprintf(w, "    builds: %s%s\n", strings.Join(g.BuildIds[:min(n, 3)], ", "), more(n-3))
		}
	}
	fmt.Fprintln(w, "\nhistory:")
	for _, e := range res.History {
		if _, err := fmt.Fprintf(w, "  %s  %s: %s\n", clock(e.Time), e.Actor, e.Text); err != nil {
			return err
		}
	}
	return nil
}

func more(n int) string {
	if n <= 0 {
		return ""
	}
	return fmt.Sprintf(" and %d more", n)
}

func writeSignals(w io.Writer, res *pb.ListSignalsResponse) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "SEEN\tKIND\tCASE\tBUILDS\tWHAT")
	for _, g := range res.Signals {
		fmt.Fprintf(t, "%s\t%s\t%s\t%d\t%s\n", clock(g.SeenTime), g.Kind, dash(g.CaseId), len(g.BuildIds), g.Text)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	return writeNext(w, len(res.Signals), res.NextPageToken, "nothing was noticed")
}

func writeQuestions(w io.Writer, res *pb.ListQuestionsResponse) error {
	for _, q := range res.Questions {
		fmt.Fprintf(w, "%s  case %s, %s/%s\n  %s\n  sure: %s; method: %s\n", clock(q.SeenTime), dash(q.CaseId), q.Site, dash(q.Station), q.Text, q.Sure, q.Method)
		if n := len(q.BuildIds); n > 0 {
			fmt.Fprintf(w, "  logs: %s%s\n", strings.Join(q.BuildIds[:min(n, 3)], ", "), more(n-3))
		}
	}
	return writeNext(w, len(res.Questions), res.NextPageToken, "there is nothing to ask")
}

func writeNext(w io.Writer, n int, token, none string) (err error) {
	switch {
	case n == 0:
		_, err = fmt.Fprintln(w, none)
	case token != "":
		_, err = fmt.Fprintf(w, "there are more; go on with --page %s\n", token)
	}
	return err
}
