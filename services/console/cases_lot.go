package console

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/stat"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

const (
	// lotSites are shown beside each other; of more, those by name come first.
	lotSites = 4
	// lotBuilds of a site are read at most: the pages of a chain's lot stay quick.
	lotBuilds = 2000
	// lotDays before the lot and after, by single readings.
	lotDays = 14
)

// lotFigures answer whether a lot moved the cup: the days of each site against
// limits from before the lot, and every reading with it and without it against the
// tolerance of the book. The two never stand in one panel.
func (v *visit) lotFigures(k *pb.Case, lot string, evidence []*pb.Signal, s span) ([]*Figure, error) {
	measure := ""
	for _, e := range evidence {
		if measure = measureOf(e); measure != "" {
			break
		}
	}
	if measure == "" {
		return nil, nil
	}
	ids := k.Sites[:min(len(k.Sites), lotSites)]
	began := k.BeganTime.AsTime()
	var all []lotReading
	var out, days []*Figure
	var names []string
	sites := v.sites()
	for _, id := range ids {
		list, err := v.lotReadings(id, measure, lot, began)
		if err != nil {
			return out, err
		}
		all = append(all, list...)
		opened := began
		if i := slices.IndexFunc(list, func(r lotReading) bool { return r.with }); i >= 0 {
			opened = list[i].at
		}
		f, err := v.driftFigure("lot-days", spot{site: id}, measure, s, dateOf(opened), func(s span) []chart.Mark {
			marks := caseMarks(k, s)
			marks[0] = chart.Mark{X: dayOf(opened, s), Label: "lot " + lot}
			return marks
		})
		if err != nil {
			return out, err
		}
		if f != nil {
			days, names = append(days, f), append(names, sites.name(id))
		}
	}
	m := drink.MeasureByCode(measure)
	if len(days) > 0 {
		f := beside("lot-days", sentenceCase(m.Label)+" before lot "+lot+" and since: the day's mean, from target", days, names)
		if more := len(k.Sites) - len(ids); more > 0 {
			f.N += fmt.Sprintf("; %d more sites had the lot", more)
		}
		out = append(out, f)
	}
	if f := lotReadingsFigure(all, m, lot, v.read); f != nil {
		out = append(out, f)
	}
	return out, nil
}

// lotReading is a reading's distance from target.
type lotReading struct {
	at        time.Time
	away      float64
	low, high *float64
	with      bool
}

// lotReadings of a site, in order of time.
func (v *visit) lotReadings(site, measure, lot string, began time.Time) ([]lotReading, error) {
	first := dateOf(began).AddDate(0, 0, -lotDays)
	last := dateOf(began).AddDate(0, 0, lotDays)
	if today := dateOf(v.now); last.After(today) {
		last = today
	}
	builds, err := v.measuredBuilds(measure, span{first, last}, spot{site: site}, lotBuilds)
	if err != nil {
		return nil, err
	}
	var out []lotReading
	for _, b := range builds {
		r := lotReading{at: b.Build.StartedTime.AsTime(), with: slices.ContainsFunc(b.Build.Lots, func(l string) bool {
			_, name, ok := strings.Cut(l, ":")
			return name == lot || !ok && l == lot
		})}
		v.readingsOf(b, measure, func(value float64, c *drink.Check) {
			r.away, r.low, r.high = value-c.Target.Float(), nil, nil
			if c.Low != drink.NoLow {
				low := (c.Low - c.Target).Float()
				r.low = &low
			}
			if c.High != drink.NoHigh {
				high := (c.High - c.Target).Float()
				r.high = &high
			}
			out = append(out, r)
		})
	}
	slices.SortStableFunc(out, func(a, b lotReading) int { return a.at.Compare(b.at) })
	return out, nil
}

// measuredBuilds are the builds of a place that have a reading of the measure; only
// as many as most for each check of it.
func (v *visit) measuredBuilds(measure string, s span, at spot, most int) ([]*pb.JudgedBuild, error) {
	b, err := v.newestBook()
	if err != nil {
		return nil, err
	}
	var checks []string
	for id, m := range b.measures {
		if m != nil && m.Code == measure {
			checks = append(checks, id)
		}
	}
	slices.Sort(checks)
	var out []*pb.JudgedBuild
	seen := map[string]bool{}
	for _, id := range checks {
		f := s.filter()
		at.filter(f)
		list, _, err := v.listBuilds(&pb.ListBuildsRequest{Filter: f, Check: id}, most)
		if err != nil {
			return nil, err
		}
		for _, b := range list {
			if !seen[b.Build.Id] {
				seen[b.Build.Id] = true
				out = append(out, b)
			}
		}
	}
	return out, nil
}

// readingsOf calls each with the readings of a measure that its book asks for, in
// the measure's base unit; what is impossible is left out.
func (v *visit) readingsOf(b *pb.JudgedBuild, measure string, each func(value float64, c *drink.Check)) {
	bk, err := v.bookOf(b.Build.Release)
	if err != nil {
		return // a build whose book is not here cannot be held against it
	}
	for _, r := range b.Build.Readings {
		c, m := bk.check(b.Build.Serving, r.Check), bk.measure(r.Check)
		if c == nil || m == nil || m.Code != measure || r.Unit != string(m.Unit) || drink.Milli(r.ValueMilli) < m.Least || drink.Milli(r.ValueMilli) > m.Most {
			continue
		}
		each(float64(r.ValueMilli)/1000, c)
	}
}

// lotReadingsFigure draws how often each distance from target was read, without the
// lot and with it, beside the tolerance. Drinks of unlike tolerances share it in
// shares of the way to the limit.
func lotReadingsFigure(all []lotReading, m *drink.Measure, lot string, read reader) *Figure {
	scaled, low, high := oneTolerance(all)
	unit, scale := read.Symbol(m.Unit), read.Difference(1, m.Unit)
	name := m.Label + " from target, " + unit
	if scaled {
		name, scale = m.Label+" from target; 1 is the limit", 1
	}
	var groups [2][]float64
	var bad [2]int
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, r := range all {
		u := r.away * scale
		if scaled {
			u = r.away / half(r)
		}
		g := 0
		if r.with {
			g = 1
		}
		groups[g] = append(groups[g], u)
		if r.low != nil && r.away < *r.low-1e-9 || r.high != nil && r.away > *r.high+1e-9 {
			bad[g]++
		}
		lo, hi = math.Min(lo, u), math.Max(hi, u)
	}
	if len(groups[0]) == 0 || len(groups[1]) == 0 {
		return nil
	}
	tol := &stat.Tolerance{}
	for _, e := range []struct{ from, to **float64 }{{&low, &tol.Lower}, {&high, &tol.Upper}} {
		if *e.from != nil {
			v := **e.from * scale
			*e.to = &v
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
	}
	step := niceStep((hi - lo) / 30)
	title := sentenceCase(m.Label) + " without lot " + lot + " and with it: every reading"
	c := &chart.Chart{ID: "lot-readings", Title: title, Columns: 2, PanelHeight: 300, Method: fmt.Sprintf("Histograms of single readings, %d days before the lot and after, in steps of %s; the solid band is the tolerance of the book, and nothing here is a control limit", lotDays, chart.Number(step))}
	most := 0.0
	var said, counted []string
	for g, words := range []string{"without it", "with it"} {
		p := chart.Histogram("", "", name, groups[g], step, tol).Panels[0]
		p.Title = sentenceCase(words)
		n := float64(len(groups[g]))
		for i := range p.Bars {
			b := &p.Bars[i]
			b.Text = fmt.Sprintf("%s of the readings %s", percent(b.Long/n), words)
			b.Long *= 100 / n
			most = math.Max(most, b.Long)
		}
		c.Panels = append(c.Panels, p)
		share := newShare(int64(bad[g]), int64(len(groups[g])), "")
		said = append(said, fmt.Sprintf("%s %s of the readings lay outside the tolerance (95 %% interval %s)", words, share.Share, share.Interval))
		counted = append(counted, plural(len(groups[g]), "reading ", "readings ")+words)
	}
	c.Desc, c.N = sentenceCase(strings.Join(said, "; ")), "n = "+strings.Join(counted, " and ")
	x, y := chart.NewAxis("share of the readings, %", 0, most), chart.NewAxis(name, lo-step, hi+step)
	x.Min = 0
	for i := range c.Panels {
		c.Panels[i].X, c.Panels[i].Y = x, y
	}
	c.Panels[1].Y.Name = ""
	return figureOf(c, method.Histogram, method.Wilson)
}

// oneTolerance is that of all readings, where they share one; otherwise they are
// scaled to their own, from -1 to 1.
func oneTolerance(all []lotReading) (scaled bool, low, high *float64) {
	same := func(a, b *float64) bool {
		return a == nil && b == nil || a != nil && b != nil && math.Abs(*a-*b) < 1e-9
	}
	for _, r := range all {
		if !same(r.low, all[0].low) || !same(r.high, all[0].high) {
			one, minus := 1.0, -1.0
			return true, &minus, &one
		}
	}
	if len(all) == 0 {
		return false, nil, nil
	}
	return false, all[0].low, all[0].high
}

// half is the distance from target to limit on a reading's side.
func half(r lotReading) float64 {
	side := r.high
	if r.away < 0 && r.low != nil || side == nil {
		side = r.low
	}
	if side == nil || *side == 0 {
		return 1
	}
	return math.Abs(*side)
}

// niceStep is 1, 2 or 5 times a power of ten, at least v.
func niceStep(v float64) float64 {
	if !(v > 0) || math.IsInf(v, 0) {
		return 1
	}
	ten := math.Pow(10, math.Floor(math.Log10(v)))
	for _, k := range []float64{1, 2, 5} {
		if k*ten >= v {
			return k * ten
		}
	}
	return 10 * ten
}
