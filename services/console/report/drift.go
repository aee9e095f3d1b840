package report

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
	"samecup.example/samecup/services/console/reading"
)

const (
	// leastPast days set limits of their own; with fewer the week is part of
	// them, and that is said.
	leastPast = 10
	// mostSignalRows are listed.
	mostSignalRows = 25
)

// drifts lists what moved and draws the surest.
func (b *builder) drifts() error {
	b.add(Heading{Text: "What moved"})
	t := Table{Headers: []string{"Where", "What", "Moved", "Began about", "How sure", "Times"}, Weights: []float64{2.3, 3, 1.3, 2.8, 1.7, 0.9},
		Right: []bool{false, false, true, false, false, true}}
	type line struct {
		s *pb.Signal
		n int
	}
	var lines []*line
	at := map[string]*line{}
	for _, s := range b.d.Signals {
		key := strings.Join([]string{s.Site, s.Station, s.Kind, s.Measure, s.Finding}, "|")
		if l, ok := at[key]; ok {
			l.n++
			continue
		}
		l := &line{s, 1}
		at[key], lines = l, append(lines, l)
	}
	slices.SortStableFunc(lines, func(x, y *line) int {
		switch a, c := chance(x.s), chance(y.s); {
		case a < c:
			return -1
		case a > c:
			return 1
		}
		return 0
	})
	for i, l := range lines {
		if i == mostSignalRows {
			b.note("%s more are not listed: the least sure.", capital(b.count(len(lines)-i)))
			break
		}
		s := l.s
		where := "the whole chain"
		if s.Site != "" {
			where = b.place(s.Site, s.Station)
		}
		t.Rows = append(t.Rows, []string{where, b.signalWords(s), b.movedBy(s), b.moment(s.BeganTime.AsTime(), s.Site), s.Sure, b.count(l.n)})
	}
	if len(t.Rows) == 0 {
		b.say("The watch noticed nothing this week: no level, spread or rate moved by more than its own past allows.")
		return nil
	}
	b.use(method.Watch)
	b.say("The watch charts each station and measure against its own past. It gave %s this week; the same thing noticed again stands once, with how often it was seen.", b.many(len(b.d.Signals), "signal"))
	b.add(t)
	for i := range b.d.Drifts {
		if err := b.drift(i, &b.d.Drifts[i]); err != nil {
			return err
		}
	}
	return nil
}

// drift draws the means of each day against their own past, and the week's
// readings against the tolerance.
func (b *builder) drift(i int, d *Drift) error {
	m := drink.MeasureByCode(d.Signal.Measure)
	name := fmt.Sprintf("%s of %s, at %s", capital(m.Label), b.serving(d.Serving), b.place(d.Signal.Site, d.Signal.Station))
	c, note, err := b.means(fmt.Sprintf("drift-%d", i), name, m, d)
	if err != nil {
		return err
	}
	if c != nil {
		b.use(method.Individuals)
		b.add(Figure{c})
	}
	if note != "" {
		b.note("%s: %s", name, note)
	}
	if len(d.Readings) == 0 {
		return nil
	}
	var tol *stat.Tolerance
	if k := d.Check; k != nil {
		t := tolerance(k, metric)
		tol = &stat.Tolerance{Lower: t.Low, Upper: t.High}
	}
	step := m.Resolution.Float()
	if k := d.Check; k != nil && k.Resolution > 0 {
		step = k.Resolution.Float()
	}
	h := chart.Histogram(fmt.Sprintf("readings-%d", i), name+": each reading of the week", m.Unit.Symbol(), d.Readings, step, tol)
	b.readIn(h, m.Unit, step)
	h.Panels[0].Y.Name = m.Label + ", " + b.read.Symbol(m.Unit)
	b.use(method.Histogram)
	b.add(Figure{h})
	return nil
}

// readIn turns a histogram's scale into the unit that is read. Its bars stand on
// the steps of the instrument, which are round in metric units alone, so it is
// drawn in those first.
func (b *builder) readIn(h *chart.Chart, u drink.Unit, step float64) {
	if !b.read.US {
		return
	}
	symbol := b.read.Symbol(u)
	p := &h.Panels[0]
	for i := range p.Bars {
		k := &p.Bars[i]
		mid := b.read.Value((k.Low+k.High)/2, u)
		k.Low, k.High = b.read.Value(k.Low, u), b.read.Value(k.High, u)
		k.Text = fmt.Sprintf("%s: %.0f", reading.WithUnit(b.read.Figure(mid, u), symbol), k.Long)
	}
	for i := range p.Tolerances {
		for _, end := range []**float64{&p.Tolerances[i].Low, &p.Tolerances[i].High} {
			if *end != nil {
				v := b.read.Value(**end, u)
				*end = &v
			}
		}
	}
	p.Y = chart.NewAxis(symbol, b.read.Value(p.Y.Min, u), b.read.Value(p.Y.Max, u))
	h.Method = fmt.Sprintf("Histogram of single readings in steps of %s; nothing is smoothed.", reading.WithUnit(b.number(b.read.Difference(step, u), b.read.Decimals(u, 2)), symbol))
}

// means charts each day's mean as one value, so that what is alike within a day
// is not taken for more evidence than it is.
func (b *builder) means(id, name string, m *drink.Measure, d *Drift) (*chart.Chart, string, error) {
	var x, past []float64
	var labels []string
	monday := b.d.Week.Monday().Format(time.DateOnly)
	n := int64(0)
	for _, r := range d.Days {
		v := b.read.Value(r.Check.GetMeanMilli()/1000, m.Unit)
		day, err := time.Parse(time.DateOnly, r.Period)
		if err != nil {
			return nil, "", fmt.Errorf("day %q of a roll-up: %w", r.Period, err)
		}
		x, labels = append(x, v), append(labels, day.Format("2 Jan"))
		if r.Period < monday {
			past = append(past, v)
		}
		n += r.Check.Readings
	}
	o := stat.ChartOptions{Name: "mean " + m.Label, Unit: b.read.Symbol(m.Unit), Labels: labels}
	note := ""
	if len(past) >= leastPast {
		// Constant days have no spread to set limits by.
		if first, err := stat.Individuals(past, stat.ChartOptions{Name: m.Label}); err == nil && first.Location.Sigma > 0 {
			mean := 0.0
			for _, v := range past {
				mean += v / float64(len(past))
			}
			o.Given = &stat.Given{Centre: mean, Sigma: first.Location.Sigma}
		}
	}
	if o.Given == nil {
		note = fmt.Sprintf("only %s before this week, so the limits rest on the week itself too and are provisional.", b.many(len(past), "day"))
	}
	charts, err := stat.Individuals(x, o)
	if err != nil {
		return nil, "its days are too few or too alike for limits of their own.", nil
	}
	c := chart.Control(id, &stat.Charts{Location: charts.Location}, nil)
	c.Title = name + ": mean of each day"
	c.N = fmt.Sprintf("n = %s, %s", b.many(len(x), "day"), b.many(int(n), "reading"))
	c.Panels[0].X.Name = "business day"
	c.PanelHeight = 260
	c.Method = "Individuals chart of the daily means; limits three sigmas about the days before this week, sigma from their mean moving range."
	if note != "" {
		c.Method = "Individuals chart of the daily means; limits three sigmas about all days shown."
	}
	if math.Abs(d.Signal.Moved) > 0 {
		c.Desc += fmt.Sprintf("; the watch says it moved by %s", b.movedBy(d.Signal))
	}
	return c, note, nil
}
