package chart

import (
	"fmt"
	"math"
	"strings"

	"samecup.example/samecup/internal/stat"
)

// Control draws a control chart: single readings, means and spreads of samples,
// EWMA, counts. Limits are dashed and come from the process; a tolerance, which
// stat allows on charts of single readings only, is a band. href leads from a
// point to what is beneath it, by its index; nil links none.
func Control(id string, c *stat.Charts, href func(i int) string) *Chart {
	loc := c.Location
	out := &Chart{ID: id, Title: fmt.Sprintf("%s, %s", upper(loc.Name), plainKind(loc.Kind)), Desc: describe(loc),
		Method: upper(loc.Method) + ".", N: fmt.Sprintf("n = %d points from %s readings", len(loc.Points), Number(loc.Total))}
	if loc.Total == float64(len(loc.Points)) {
		out.N = fmt.Sprintf("n = %d readings", len(loc.Points))
	}
	out.Panels = append(out.Panels, controlPanel(loc, href))
	if c.Spread != nil {
		p := controlPanel(c.Spread, href)
		p.Title = upper(c.Spread.Kind)
		out.Panels = append(out.Panels, p)
	}
	return out
}

// plainKind says what a letter of the trade means.
func plainKind(kind string) string {
	switch kind {
	case "individuals":
		return "each in order"
	case "mean":
		return "means of samples"
	case "ewma":
		return "newest counted most"
	}
	return kind
}

func describe(c *stat.Chart) string {
	signals := c.Signals()
	last := c.Points[len(c.Points)-1].Limits
	s := fmt.Sprintf("%d points about a centre of %s %s", len(c.Points), Number(last.Centre), c.Unit)
	if last.Lower != nil && last.Upper != nil {
		s += fmt.Sprintf(", with limits from its own past of %s and %s", Number(figures(*last.Lower)), Number(figures(*last.Upper)))
	}
	switch len(signals) {
	case 0:
		return strings.TrimSpace(s) + "; none breaks a rule"
	case 1:
		return s + "; one breaks a rule: " + c.Points[signals[0]].Label
	}
	return fmt.Sprintf("%s; %d break a rule, the last %s", s, len(signals), c.Points[signals[len(signals)-1]].Label)
}

// figures leaves four figures: a limit is an estimate.
func figures(v float64) float64 {
	if v == 0 || !finite(v) {
		return v
	}
	ten := math.Pow(10, 3-math.Floor(math.Log10(math.Abs(v))))
	if out := math.Round(v*ten) / ten; finite(out) {
		return out
	}
	return v
}

func upper(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + s[1:]
}

func controlPanel(c *stat.Chart, href func(int) string) Panel {
	lo, hi := math.Inf(1), math.Inf(-1)
	take := func(v *float64) {
		if v != nil {
			lo, hi = math.Min(lo, *v), math.Max(hi, *v)
		}
	}
	for i := range c.Points {
		q := &c.Points[i]
		take(&q.Value)
		take(&q.Limits.Centre)
		take(q.Limits.Lower)
		take(q.Limits.Upper)
	}
	p := Panel{X: indexAxis(c.Points)}
	if t := c.Tolerance; t != nil {
		take(t.Lower)
		take(t.Upper)
		p.Tolerances = []Tolerance{{Low: t.Lower, High: t.Upper, Label: "tolerance"}}
	}
	name := c.Name
	if c.Unit != "" {
		name += ", " + c.Unit
	}
	p.Y = NewAxis(name, lo, hi)
	p.Limits = append(p.Limits, stairs(c, "upper limit", func(l stat.Limits) *float64 { return l.Upper })...)
	p.Limits = append(p.Limits, stairs(c, "lower limit", func(l stat.Limits) *float64 { return l.Lower })...)
	centre := stairs(c, "centre", func(l stat.Limits) *float64 { return &l.Centre })
	for i := range centre {
		centre[i].Centre = true
	}
	p.Limits = append(p.Limits, centre...)
	for _, r := range c.Restarts {
		p.Marks = append(p.Marks, Mark{X: float64(r.At) - 0.5, Label: r.Reason})
	}
	var along []XY
	for i, q := range c.Points {
		at := XY{float64(i), q.Value}
		if i > 0 && q.Segment != c.Points[i-1].Segment {
			p.Lines, along = append(p.Lines, Line{along}), nil
		}
		along = append(along, at)
		point := Point{XY: at, At: q.Label, Text: fmt.Sprintf("%s: %s %s", q.Label, Number(figures(q.Value)), c.Unit)}
		if len(q.Rules) > 0 {
			point.Shape = Diamond
			if set, err := stat.RuleSet(q.Rules...); err == nil {
				point.Text += "; " + set.String()
			}
		}
		if q.SetAside != "" {
			point.Shape = Ring
			point.Text += "; left out of the limits: " + q.SetAside
		}
		if href != nil {
			point.Href = href(i)
		}
		p.Points = append(p.Points, point)
	}
	p.Lines = append(p.Lines, Line{along})
	return p
}

// stairs draws one of the limits, broken where there is none and where the
// chart starts anew; the last run is labelled with its value.
func stairs(c *stat.Chart, label string, of func(stat.Limits) *float64) []Limit {
	var out []Limit
	var run Limit
	flush := func() {
		if len(run.Along) > 0 {
			out = append(out, run)
		}
		run = Limit{}
	}
	for i, q := range c.Points {
		v := of(q.Limits)
		if v == nil || i > 0 && q.Segment != c.Points[i-1].Segment {
			flush()
		}
		if v != nil {
			run.Along = append(run.Along, XY{float64(i) - 0.5, *v}, XY{float64(i) + 0.5, *v})
		}
	}
	flush()
	if n := len(out); n > 0 {
		a := out[n-1].Along
		out[n-1].Label = label + " " + Number(figures(a[len(a)-1].Y))
	}
	return out
}

// indexAxis puts points one beside the other, with about ten labels.
func indexAxis(points []stat.ChartPoint) Axis {
	n := len(points)
	a := Axis{Name: "in order of time", Min: -0.6, Max: float64(n) - 0.4}
	longest := 1
	for _, q := range points {
		longest = max(longest, len(q.Label))
	}
	// A label takes about 7 units a letter of the 630 that a panel is wide.
	every := max(1, (n*(7*longest+14)+629)/630)
	for i := range points {
		t := Tick{At: float64(i)}
		if i%every == 0 {
			t.Label = points[i].Label
		} else if n > 80 {
			continue
		}
		a.Ticks = append(a.Ticks, t)
	}
	return a
}
