package console

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
)

const (
	// maxCaseCharts keeps a page to what is looked at.
	maxCaseCharts = 2
	// daysBefore a case began set the limits that it is held against.
	daysBefore = 21
	// mostCaseDays bounds what a chart of a case looks at.
	mostCaseDays = 120
)

// caseSpan is the days that the charts of a case show: three weeks before it began,
// and what came since.
func (v *visit) caseSpan(k *pb.Case) span {
	to := dateOf(v.now)
	if last := dateOf(k.LastTime.AsTime()).AddDate(0, 0, 14); last.Before(to) && k.Stage == pb.CaseStage_CASE_STAGE_CLOSED {
		to = last
	}
	s := span{From: dateOf(k.BeganTime.AsTime()).AddDate(0, 0, -daysBefore), To: to}
	if s.Days() > mostCaseDays {
		s.From = s.To.AddDate(0, 0, 1-mostCaseDays)
	}
	return s
}

// caseMarks are when it began and when it was mended.
func caseMarks(k *pb.Case, s span) []chart.Mark {
	marks := []chart.Mark{{X: dayOf(k.BeganTime.AsTime(), s), Label: "began about here"}}
	if f := k.Fix; f != nil && f.FixTime != nil {
		marks = append(marks, chart.Mark{X: dayOf(f.FixTime.AsTime(), s), Label: "fix"})
	}
	return marks
}

// dayOf is a moment's place among days: the middle of a day is its own number.
func dayOf(t time.Time, s span) float64 { return t.Sub(s.From).Hours()/24 - 0.5 }

// charted is a measure at a place that signals tell of.
type charted struct {
	spot
	measure string
}

// chartedBy lists what the evidence is about, what most signals tell of first.
func chartedBy(evidence []*pb.Signal) []charted {
	var out []charted
	seen := map[charted]int{}
	for _, s := range slices.Backward(evidence) {
		if s.Site == "" && s.Kind != "chain" || measureOf(s) == "" {
			continue // about a lot, a person or a release, wherever it was
		}
		p := charted{spot{s.Site, s.Station}, measureOf(s)}
		if seen[p]++; seen[p] == 1 {
			out = append(out, p)
		}
	}
	slices.SortStableFunc(out, func(a, b charted) int { return cmp.Compare(seen[b], seen[a]) })
	// A site and its station would show much the same, and the station is nearer.
	all := slices.Clone(out)
	return slices.DeleteFunc(out, func(p charted) bool {
		return p.station == "" && slices.ContainsFunc(all, func(o charted) bool { return o.measure == p.measure && o.site == p.site && o.station != "" })
	})
}

// measureOf is what a signal's chart is of: the grinder's dial is seen in the time of
// its shots, and servings with syrup are among the others.
func measureOf(s *pb.Signal) string {
	m, _, _ := strings.Cut(s.Measure, "@")
	if m == "grind_setting" {
		return "shot_time"
	}
	if drink.MeasureByCode(m) == nil {
		return ""
	}
	return m
}

// caseCharts answer the case: a lot by what was made with it and without it, a
// finding about no measure by its days, and the rest by the measures of the evidence at their
// places, day by day, against limits from before it began.
func (v *visit) caseCharts(res *pb.GetCaseResponse) []*Figure {
	k := res.Case
	s := v.caseSpan(k)
	if sub, _, _ := subjectOf(k, v.sites()); sub.lot != "" {
		figures, err := v.lotFigures(k, sub.lot, res.Evidence, s)
		v.part("the charts of the lot", err)
		return figures
	}
	about := chartedBy(res.Evidence)
	if kind, drinks := countedFinding(res.Evidence); kind != "" && (k.Domain == "safety" || len(about) == 0) {
		f, err := v.findingFigure(k, kind, drinks, s)
		if v.part("the chart of the findings", err) && f != nil {
			return []*Figure{f}
		}
		return nil
	}
	var out []*Figure
	for i, p := range about {
		if len(out) == maxCaseCharts {
			break
		}
		f, err := v.driftFigure("drift"+strconv.Itoa(i+1), p.spot, p.measure, s, dateOf(k.BeganTime.AsTime()), func(s span) []chart.Mark { return caseMarks(k, s) })
		if v.part("a chart of the evidence", err) && f != nil {
			out = append(out, f)
		}
	}
	return out
}

// beside puts figures of like kind next to one another on one scale, each panel
// under its place.
func beside(id, title string, figures []*Figure, names []string) *Figure {
	first := figures[0]
	c := *first.Chart
	c.ID, c.Title, c.Panels = id, title, nil
	c.Columns = min(2, len(figures))
	t := &Table{ID: id + "-data", Caption: title, Cols: append(cols("place"), first.Table.Cols...)}
	lo, hi := first.Panels[0].Y.Min, first.Panels[0].Y.Max
	var said []string
	for i, f := range figures {
		p := f.Panels[0]
		p.Title = names[i]
		lo, hi = min(lo, p.Y.Min), max(hi, p.Y.Max)
		c.Panels = append(c.Panels, p)
		said = append(said, names[i]+": "+strings.TrimSuffix(strings.TrimPrefix(f.N, "n = "), "."))
		for _, row := range f.Table.Rows {
			t.Rows = append(t.Rows, append([]Cell{text(names[i])}, row...))
		}
	}
	if len(figures) > 1 {
		c.N, c.Desc, c.PanelHeight = strings.Join(said, "; "), "Both scales are shared, and each place has limits from its own past", 230
		y := chart.NewAxis(first.Panels[0].Y.Name, lo, hi)
		y.Min, y.Max = lo, hi
		for i := range c.Panels {
			p := &c.Panels[i]
			p.Y = y
			if p.Y.Ticks = inside(y); i%c.Columns > 0 {
				p.Y.Name = ""
			}
			if i+c.Columns < len(c.Panels) {
				p.X.Name = ""
			}
		}
	}
	return &Figure{Chart: &c, Table: t, Help: first.Help, Latest: len(figures) == 1}
}

// inside are the ticks that lie on the axis.
func inside(a chart.Axis) []chart.Tick {
	return slices.DeleteFunc(slices.Clone(a.Ticks), func(t chart.Tick) bool { return t.At < a.Min || t.At > a.Max })
}
