package console

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
	"samecup.example/samecup/services/console/reading"
)

// minPast is how many days set limits.
const minPast = 8

// dayMean is the mean distance from target of a day's readings.
type dayMean struct {
	day int
	n   int64
	sum float64
}

// driftFigure charts a measure at a station, a whole site or the chain, day by day: how far
// the mean reading lies from its drink's target, so that drinks with different
// targets share one chart. Limits come from the days before began; tolerances hold
// for single readings and are not drawn.
func (v *visit) driftFigure(id string, at spot, measure string, s span, began time.Time, marks func(span) []chart.Mark) (*Figure, error) {
	b, err := v.newestBook()
	if err != nil {
		return nil, err
	}
	f := s.filter()
	at.filter(f)
	rows, err := v.rollups(&pb.QueryRollupsRequest{Filter: f, GroupBy: []pb.RollupDimension{
		pb.RollupDimension_ROLLUP_DIMENSION_SERVING, pb.RollupDimension_ROLLUP_DIMENSION_DAY, pb.RollupDimension_ROLLUP_DIMENSION_CHECK}}, nil)
	if err != nil {
		return nil, err
	}
	by := map[int]*dayMean{}
	checks := map[string]bool{}
	for _, r := range rows {
		k := b.check(r.Serving, r.Check.GetCheck())
		d := s.day(r.Period)
		if k == nil || k.Measure != measure || r.Check.MeanMilli == nil || d < 0 || d >= s.Days() {
			continue
		}
		if by[d] == nil {
			by[d] = &dayMean{day: d}
		}
		checks[k.ID] = true
		by[d].n += r.Check.Readings
		by[d].sum += float64(r.Check.Readings) * (*r.Check.MeanMilli - float64(k.Target))
	}
	var days []dayMean
	for _, d := range by {
		days = append(days, *d)
	}
	slices.SortFunc(days, func(a, b dayMean) int { return cmp.Compare(a.day, b.day) })
	if len(days) < 4 {
		return nil, nil
	}
	if empty := days[0].day - 1; empty > 0 {
		// Weeks without a reading say nothing.
		s.From = s.From.AddDate(0, 0, empty)
		for i := range days {
			days[i].day -= empty
		}
	}
	c, past, err := driftChart(days, s.day(began.Format(time.DateOnly)))
	if err != nil || c == nil {
		return nil, err
	}
	m := drink.MeasureByCode(measure)
	check := ""
	if len(checks) == 1 {
		for k := range checks {
			check = k
		}
	}
	return drawDrift(id, at, m, check, v.teller(), s, days, c, past, marks(s)), nil
}

// filter restricts figures to the spot.
func (s spot) filter(f *pb.RollupFilter) {
	switch {
	case s.station != "":
		f.Stations = []string{s.site + "/" + s.station}
	case s.site != "":
		f.Sites = []string{s.site}
	}
}

// driftChart judges the days by limits from those before began, or from all
// where they are too few.
func driftChart(days []dayMean, began int) (c *stat.Chart, past int, err error) {
	x := make([]float64, len(days))
	for i, d := range days {
		x[i] = d.sum / float64(d.n) / 1000
		if d.day < began {
			past = i + 1
		}
	}
	if past < minPast {
		past = len(x)
	}
	rules, err := stat.RuleSet(1, 4)
	if err != nil {
		return nil, 0, err
	}
	first, err := stat.Individuals(x[:past], stat.ChartOptions{Rules: rules})
	if err != nil {
		return nil, 0, nil //nolint:nilerr // values all alike leave nothing to draw limits from
	}
	all, err := stat.Individuals(x, stat.ChartOptions{Rules: rules, Given: &stat.Given{Centre: first.Location.Points[0].Limits.Centre, Sigma: first.Location.Sigma}})
	if err != nil {
		return nil, 0, nil //nolint:nilerr // as above
	}
	return all.Location, past, nil
}

func drawDrift(id string, at spot, m *drink.Measure, check string, k teller, s span, days []dayMean, c *stat.Chart, past int, marks []chart.Mark) *Figure {
	read := k.read
	name, unit := named(m, check), read.Symbol(unitOf(m))
	// Distances from target have no 32 of °F in them.
	away := func(v float64) float64 { return read.Difference(v, unitOf(m)) }
	signed := func(v float64) string {
		return reading.Mark(fmt.Sprintf("%+.*f", read.Decimals(unitOf(m), 2), away(v)))
	}
	cell := func(v float64) Cell { return both(signed(v), fmt.Sprintf("%+.2f", v)) }
	title := fmt.Sprintf("%s at %s: the day's mean, from target", sentenceCase(name), k.name(at))
	p := chart.Panel{X: chart.DayAxis(s.From, s.Days(), 10), Marks: marks}
	t := &Table{ID: id + "-data", Caption: title, Cols: cols("business day", "#mean from target, "+unit, "#readings", "#lower limit", "#upper limit", "a rule speaks")}
	t.Cols[1].CSV = "mean from target, " + unitOf(m).Symbol()
	lo, hi := math.Inf(1), math.Inf(-1)
	low, high, centre := chart.Limit{}, chart.Limit{}, chart.Limit{Centre: true}
	line, spoke, n := chart.Line{}, 0, int64(0)
	for i, q := range c.Points {
		day := s.From.AddDate(0, 0, days[i].day).Format(time.DateOnly)
		date := s.From.AddDate(0, 0, days[i].day)
		href := buildsLink(span{date, date}, "site", at.site, "check", check)
		if at.station != "" {
			href = buildsLink(span{date, date}, "station", at.site+"/"+at.station, "check", check)
		}
		pt := chart.Point{XY: chart.XY{X: float64(days[i].day), Y: away(q.Value)}, Href: href, Text: fmt.Sprintf("%s: %s %s from target, %d readings", day, signed(q.Value), unit, days[i].n)}
		word := ""
		if len(q.Rules) > 0 {
			pt.Shape, word = chart.Diamond, "yes"
			spoke++
		}
		n += days[i].n
		p.Points = append(p.Points, pt)
		line.Along = append(line.Along, pt.XY)
		l, u := q.Limits.Centre, q.Limits.Centre
		if q.Limits.Lower != nil {
			l = *q.Limits.Lower
		}
		if q.Limits.Upper != nil {
			u = *q.Limits.Upper
		}
		lo, hi = math.Min(lo, away(math.Min(l, q.Value))), math.Max(hi, away(math.Max(u, q.Value)))
		t.add(head(day, href), cell(q.Value), textf("%d", days[i].n), cell(l), cell(u), text(word))
		if i == len(c.Points)-1 {
			low.Label, high.Label, centre.Label = "lower limit "+signed(l), "upper limit "+signed(u), "centre "+signed(q.Limits.Centre)
		}
		if i == 0 || i == len(c.Points)-1 {
			x := p.X.Min
			if i > 0 {
				x = p.X.Max
			}
			low.Along, high.Along = append(low.Along, chart.XY{X: x, Y: away(l)}), append(high.Along, chart.XY{X: x, Y: away(u)})
			centre.Along = append(centre.Along, chart.XY{X: x, Y: away(q.Limits.Centre)})
		}
	}
	p.Limits, p.Lines = []chart.Limit{low, high, centre}, []chart.Line{line}
	if len(marks) > 0 {
		hi += 0.15 * (hi - lo) // for their words
	}
	p.Y = chart.NewAxis(name+" from target, "+unit, lo, hi)
	basis := fmt.Sprintf("Individuals chart of daily means; limits are three sigmas by the mean moving range of the %d days before it began. A rule speaks for a point beyond a limit and for eight in a row on one side (Western Electric rules 1 and 4).", past)
	if past == len(days) {
		basis = "Individuals chart of daily means; limits are three sigmas by the mean moving range of all these days, since too few came before. A rule speaks for a point beyond a limit and for eight in a row on one side (Western Electric rules 1 and 4)."
	}
	desc := "No day stands out from its own past."
	if spoke > 0 {
		desc = plural(spoke, "day stands", "days stand") + " out from its own past."
	}
	return &Figure{Chart: &chart.Chart{ID: id, Title: title, Desc: desc, N: "n = " + strconv.FormatInt(n, 10) + " readings on " + plural(len(days), "day", "days"), Method: basis, Panels: []chart.Panel{p}}, Table: t, Help: []string{method.Individuals}, Latest: true}
}

func sentenceCase(s string) string {
	if s == "" {
		return s
	}
	if s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}
