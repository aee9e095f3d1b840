package score

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"text/tabwriter"

	"samecup.example/samecup/internal/sim/season"
)

// grid is a table to be printed.
type grid struct {
	title string
	head  []string
	rows  [][]string
}

func pct(p float64) string {
	s := fmt.Sprintf("%.0f", 100*p)
	if p > 0 && p < 0.001 {
		return fmt.Sprintf("%.2f", 100*p)
	}
	if p > 0 && p < 0.1 || p > 0.99 && p < 1 {
		s = fmt.Sprintf("%.1f", 100*p)
	}
	return s
}

func (s Share) String() string {
	if s.N == 0 {
		return "none"
	}
	return fmt.Sprintf("%s %% (%s to %s), %d of %d", pct(float64(s.X)/float64(s.N)), pct(s.Bound.Lower), pct(s.Bound.Upper), s.X, s.N)
}

func (r Rate) String() string {
	if r.Months <= 0 {
		return "none"
	}
	if r.Runs < 2 {
		return fmt.Sprintf("%.2f", r.Mean)
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", r.Mean, r.Bound.Lower, r.Bound.Upper)
}

func shifts(n int) string {
	if n == Never {
		return "never"
	}
	return fmt.Sprint(n)
}

func (q Quartiles) String() string {
	return fmt.Sprintf("%s (%s to %s)", shifts(q.Median), shifts(q.Low), shifts(q.High))
}

// grids are the tables of a result.
func (r *Result) grids() []grid {
	finds := grid{title: "What the watch finds", head: []string{"fault", "cause", "sensitivity", "by chance", "delay, shifts", "right cause", "localised", "episodes elsewhere"}}
	rivals := grid{title: "Against plain charts at equal false alarms (episodes)", head: []string{"fault", "detector", "sensitivity", "by chance", "delay, shifts", "watch sooner, of runs not tied"}}
	for _, f := range r.Faults {
		w := f.Detectors[byWatch]
		finds.rows = append(finds.rows, []string{string(f.Fault), f.Cause, w.Sensitivity.String(), w.Chance.String(), w.Delay.String(), f.Right.String(), w.Exact.String(), w.Elsewhere.String()})
		for _, d := range f.Detectors {
			sooner := ""
			if d.Sooner != nil {
				sooner = d.Sooner.String()
			}
			rivals.rows = append(rivals.rows, []string{string(f.Fault), d.Name, d.Sensitivity.String(), d.Chance.String(), d.Delay.String(), sooner})
		}
	}
	quiet := grid{title: "False alarms a station-month with no fault (F12)", head: []string{"what", "episodes", "signals"}}
	for i, q := range r.Quiet {
		quiet.rows = append(quiet.rows, []string{r.Names[i] + ", all alarms of chance", q.Episodes.String(), q.Signals.String()})
	}
	for _, k := range slices.Sorted(maps.Keys(r.Kinds)) {
		quiet.rows = append(quiet.rows, []string{"watch, " + k, r.Kinds[k].Episodes.String(), r.Kinds[k].Signals.String()})
	}
	quiet.rows = append(quiet.rows, []string{"cases, but for safety", r.Cases.String(), ""}, []string{"safety cases (by rule)", r.Safety.String(), ""})
	out := []grid{quiet}
	if len(r.Faults) > 0 {
		out = []grid{finds, rivals, quiet}
	}
	logs := grid{title: "Questions about honest logs", head: []string{"who", "share asked"}}
	if r.Asked.Outlier.N > 0 {
		logs.rows = append(logs.rows, []string{"F11, the steady hand, from onset to end", r.Asked.Outlier.String()},
			[]string{"F11, as of a month", fmt.Sprintf("%s %% (%s to %s)", pct(r.Asked.PerMonth), pct(r.Asked.Bound.Lower), pct(r.Asked.Bound.Upper))})
	}
	logs.rows = append(logs.rows, []string{"all other honest people, a run", r.Asked.Others.String()})
	out = append(out, logs)
	if t := r.targets(); len(t.rows) > 0 {
		out = append(out, t)
	}
	return out
}

// targets compares with what was asked for before anything was built.
func (r *Result) targets() grid {
	t := grid{title: "Targets", head: []string{"target", "got", "met"}}
	met := func(ok bool) string {
		if ok {
			return "met"
		}
		return "not met"
	}
	for _, f := range r.Faults {
		w := f.Detectors[byWatch].Within
		if w == nil {
			continue
		}
		got := float64(w.X) / float64(max(1, w.N))
		switch f.Fault {
		case season.DullBurr:
			// The target names no share; the same as for F8A is taken.
			t.rows = append(t.rows, []string{"F1 told within 5 shifts of 2 s, 90 % taken", w.String() + "; median from 2 s: " + f.Detectors[byWatch].FromFull.String() + "; by chance in the whole time: " + f.Detectors[byWatch].Chance.String(), met(got >= 0.9)})
		case season.FakeCopies:
			t.rows = append(t.rows, []string{"F8A told within 3 shifts in 90 %", w.String(), met(got >= 0.9)})
		}
	}
	if len(r.Faults) > 0 {
		for d := byPlain; d < detectors; d++ {
			got := r.versus(d)
			ok := strings.HasPrefix(got, "sooner") && !strings.Contains(got, "later") && !strings.Contains(got, "cannot")
			watch, rival := r.Quiet[byWatch].Episodes, r.Quiet[d].Episodes
			got += fmt.Sprintf("; the chart had %.2f false episodes a station-month, the watch %.2f", rival.Mean, watch.Mean)
			word := met(ok)
			if ok && rival.Bound.Upper < watch.Mean {
				word = "not shown: on these seeds the chart had fewer"
			}
			t.rows = append(t.rows, []string{"sooner than the " + names[d] + " at equal false alarms, F1 to F7 and F9", got, word})
		}
	}
	if r.Asked.Outlier.N > 0 {
		word := met(r.Asked.PerMonth <= 0.01)
		if r.Asked.PerMonth <= 0.01 && r.Asked.Bound.Upper > 0.01 {
			word = "met by the estimate, not shown: the interval reaches above 1 %"
		}
		t.rows = append(t.rows, []string{"F11 asked at most 1 % a month", fmt.Sprintf("%s %% (%s to %s)", pct(r.Asked.PerMonth), pct(r.Asked.Bound.Lower), pct(r.Asked.Bound.Upper)), word})
	}
	return t
}

// versus sorts the faults that a chart can see by who was sooner in more than
// half of the runs, where the interval says so.
func (r *Result) versus(d int) string {
	var list [3][]string
	for _, f := range r.Faults {
		if strings.HasPrefix(string(f.Fault), "F8") || f.Fault == season.OverlayMissing {
			continue // a log, or a rule: no matter of a chart
		}
		s, i := f.Detectors[d].Sooner, 2
		switch {
		case s.N > 0 && s.Bound.Lower > 0.5:
			i = 0
		case s.N > 0 && s.Bound.Upper < 0.5:
			i = 1
		}
		list[i] = append(list[i], string(f.Fault))
	}
	var words []string
	for i, w := range []string{"sooner", "later", "cannot be told"} {
		if len(list[i]) > 0 {
			words = append(words, w+": "+strings.Join(list[i], ", "))
		}
	}
	return strings.Join(words, "; ")
}

// notes say how it was done and what is supposed.
func (r *Result) notes() []string {
	set := "default parameters"
	if r.HeldOut {
		set = "held-out parameters, other ones each seed"
	}
	c := r.Calibration
	per := func(t tally) string {
		return fmt.Sprintf("%.2f episodes (%.2f signals)", float64(t.Episodes)/c.Months, float64(t.Signals)/c.Months)
	}
	return []string{
		fmt.Sprintf("n: %d seeds from %d, %d days, %d sites of %d stations; %s.", r.Seeds, r.First, r.Days, r.Sites, r.Stations, set),
		"Intervals: 95 %; shares by Wilson, rates by the spread between runs. One season is one run; seeds are independent, faults of one seed share their draws.",
		"Sensitivity: share of runs in which, between onset and a day after the end, an alarm about what the fault changes named the right site, person or lot. Localised: of those, the station, person or lot was named. By chance: the same rule on the run of the same seed without the fault.",
		"Delay: shifts until told, the shift of the onset being 1; median and quartiles of all runs, \"never\" where fewer were told.",
		"Right cause: of the runs found, the case with most of the alarms names it first.",
		fmt.Sprintf("False alarms are counted as episodes, for all detectors alike: the first signal of a kind, site, station (or person, lot), measure or finding and direction after at least %d shifts (%d days) without one of the same. Signals: one a chart and shift, each repeat counted. Findings by rule (safety, release behind) are certain and count neither among alarms of chance nor in the comparison. Elsewhere: begun since the onset, a station-month of the sites not struck.", quietShifts, quietShifts/shiftsADay),
		"Sensitivity and delay count any signal in time, also the repeat of an episode begun before the onset; this favours a detector that rings on, and by chance says how much.",
		fmt.Sprintf("Plain charts: individuals (one a station and measure, limits by the first 50 readings) and shift means (the first %d shifts), never restarted. On %d runs of other seeds without a fault they have %s and %s a station-month at three sigmas, the watch %s. On these runs their limits were set to the lowest such that neither they nor any higher ones leave more episodes than the watch has: %.2f and %.2f sigmas, with %s and %s.",
			meansBaseline, c.Runs, per(c.Three[byPlain]), per(c.Three[byMeans]), per(c.Watch), c.Limit.Plain, c.Limit.Means, per(c.Got[byPlain]), per(c.Got[byMeans])),
		"Supposed: the simulator is like life. All its parameters are invented; detectors developed beside it look better here than they will be.",
	}
}

// String is the result as plain text.
func (r *Result) String() string {
	var b strings.Builder
	for _, g := range r.grids() {
		fmt.Fprintf(&b, "%s\n", g.title)
		w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', 0)
		fmt.Fprintln(w, strings.Join(g.head, "\t"))
		for _, row := range g.rows {
			fmt.Fprintln(w, strings.Join(row, "\t"))
		}
		_ = w.Flush() // a Builder does not fail
		b.WriteString("\n")
	}
	for _, n := range r.notes() {
		fmt.Fprintf(&b, "%s\n", n)
	}
	return b.String()
}

// Markdown is the result as Markdown.
func (r *Result) Markdown() string {
	var b strings.Builder
	for _, g := range r.grids() {
		fmt.Fprintf(&b, "### %s\n\n| %s |\n|%s\n", g.title, strings.Join(g.head, " | "), strings.Repeat("---|", len(g.head)))
		for _, row := range g.rows {
			fmt.Fprintf(&b, "| %s |\n", strings.Join(row, " | "))
		}
		b.WriteString("\n")
	}
	for _, n := range r.notes() {
		fmt.Fprintf(&b, "- %s\n", n)
	}
	return b.String()
}
