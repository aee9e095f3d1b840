package tablet

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/station/bar"
)

// The chart's own units; the page scales it.
const (
	chartWide, chartHigh                        = 720.0, 250.0
	chartLeft, chartRight, chartTop, chartUnder = 52.0, 14.0, 14.0, 30.0
)

// chart draws one series of the day: a solid band for the tolerance of the book,
// round points within, ringed diamonds beyond.
func (v *view) chart(id string, s *bar.Series, marks []bar.Mark) template.HTML {
	if len(s.Points) == 0 {
		return ""
	}
	m := drink.MeasureByCode(s.Measure)
	unit := drink.Count
	if m != nil {
		unit = m.Unit
	}
	lo, hi := valueSpan(s)
	from, to := timeSpan(s, marks)
	x := func(t time.Time) float64 {
		return chartLeft + (chartWide-chartLeft-chartRight)*float64(t.Sub(from))/float64(to.Sub(from))
	}
	y := func(f float64) float64 {
		return chartTop + (chartHigh-chartTop-chartUnder)*(1-(f-lo)/(hi-lo))
	}
	var off int
	for _, p := range s.Points {
		if p.Off {
			off++
		}
	}
	var w strings.Builder
	fmt.Fprintf(&w, `<svg class="chart" viewBox="0 0 %s %s" role="img" aria-labelledby="%s-t %s-d">`, n(chartWide), n(chartHigh), id, id)
	fmt.Fprintf(&w, `<title id="%s-t">%s</title>`, id, esc(v.T("chart.title", v.Measure(s.Measure), v.Of(s.Of))))
	fmt.Fprintf(&w, `<desc id="%s-d">%s</desc>`, id, esc(v.N("chart.desc", len(s.Points), off, v.Range(s.Low, s.High, unit))))

	right := chartWide - chartRight
	if s.Low != drink.NoLow || s.High != drink.NoHigh {
		top, bottom := chartTop, chartHigh-chartUnder
		if s.High != drink.NoHigh {
			top = y(s.High.Float())
		}
		if s.Low != drink.NoLow {
			bottom = y(s.Low.Float())
		}
		fmt.Fprintf(&w, `<rect class="tolerance" x="%s" y="%s" width="%s" height="%s"/>`, n(chartLeft), n(top), n(right-chartLeft), n(math.Max(bottom-top, 1)))
		for _, edge := range []struct {
			has bool
			at  float64
		}{{s.High != drink.NoHigh, top}, {s.Low != drink.NoLow, bottom}} {
			if edge.has {
				fmt.Fprintf(&w, `<path class="edge" d="M%s %sH%s"/>`, n(chartLeft), n(edge.at), n(right))
			}
		}
		fmt.Fprintf(&w, `<text class="small" x="%s" y="%s">%s</text>`, n(chartLeft+6), n(top+14), esc(v.T("chart.tolerance")))
	}
	for _, tick := range ticks(lo, hi, 5) {
		fmt.Fprintf(&w, `<path class="grid" d="M%s %sh-5"/><text x="%s" y="%s" text-anchor="end">%s</text>`,
			n(chartLeft), n(y(tick)), n(chartLeft-9), n(y(tick)+4), esc(v.arg(tick)))
	}
	fmt.Fprintf(&w, `<path class="axis" d="M%s %sV%sH%s"/>`, n(chartLeft), n(chartTop), n(chartHigh-chartUnder), n(right))
	last := math.Inf(-1)
	for _, t := range hours(from, to, v.State.Zone) {
		if x(t)-last < 60 {
			continue
		}
		last = x(t)
		fmt.Fprintf(&w, `<path class="grid" d="M%s %sv5"/><text x="%s" y="%s" text-anchor="middle">%s</text>`,
			n(x(t)), n(chartHigh-chartUnder), n(x(t)), n(chartHigh-8), esc(v.Clock(t)))
	}
	for i, mark := range marks {
		if mark.At.Before(from) || mark.At.After(to) {
			continue
		}
		fmt.Fprintf(&w, `<path class="mark" d="M%s %sV%s"/><text class="small" x="%s" y="%s">%d</text>`,
			n(x(mark.At)), n(chartTop), n(chartHigh-chartUnder), n(x(mark.At)+3), n(chartTop+9), i+1)
	}
	var line []string
	for _, p := range s.Points {
		line = append(line, n(x(p.At))+" "+n(y(p.Value.Float())))
	}
	fmt.Fprintf(&w, `<path class="line" d="M%s"/>`, strings.Join(line, "L"))
	for _, p := range s.Points {
		px, py := x(p.At), y(p.Value.Float())
		if p.Off {
			fmt.Fprintf(&w, `<path class="off" d="M%s %sl7 7l-7 7l-7 -7z"/>`, n(px), n(py-7))
		}
		fmt.Fprintf(&w, `<circle class="point" cx="%s" cy="%s" r="3.2"/>`, n(px), n(py))
	}
	w.WriteString(`</svg>`)
	// Every word above is escaped and every number formatted here.
	return template.HTML(w.String())
}

// valueSpan is what the vertical axis shows: all points and the tolerance.
func valueSpan(s *bar.Series) (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	take := func(m drink.Milli) { lo, hi = math.Min(lo, m.Float()), math.Max(hi, m.Float()) }
	for _, p := range s.Points {
		take(p.Value)
	}
	if s.Low != drink.NoLow {
		take(s.Low)
	}
	if s.High != drink.NoHigh {
		take(s.High)
	}
	room := (hi - lo) * 0.12
	if room == 0 {
		room = 1
	}
	return lo - room, hi + room
}

func timeSpan(s *bar.Series, marks []bar.Mark) (from, to time.Time) {
	from, to = s.Points[0].At, s.Points[0].At
	for _, p := range s.Points {
		if p.At.Before(from) {
			from = p.At
		}
		if p.At.After(to) {
			to = p.At
		}
	}
	for _, m := range marks {
		if m.At.Before(from) && from.Sub(m.At) < 2*time.Hour {
			from = m.At
		}
	}
	room := max(to.Sub(from)/30, 5*time.Minute)
	return from.Add(-room), to.Add(room)
}

// ticks are round values strictly within a span, about want of them.
func ticks(lo, hi float64, want int) []float64 {
	raw := (hi - lo) / float64(want)
	unit := math.Pow(10, math.Floor(math.Log10(raw)))
	step := unit
	for _, k := range []float64{1, 2, 5, 10} {
		if step = unit * k; step >= raw {
			break
		}
	}
	var out []float64
	for i := math.Ceil(lo / step); i*step <= hi; i++ {
		out = append(out, math.Round(i*step*1000)/1000)
	}
	return out
}

// hours are the full hours or half hours within a span, in the site's zone.
func hours(from, to time.Time, zone *time.Location) []time.Time {
	step := time.Hour
	if to.Sub(from) < 3*time.Hour {
		step = 15 * time.Minute
	}
	local := from.In(zone)
	t := time.Date(local.Year(), local.Month(), local.Day(), local.Hour(), 0, 0, 0, zone)
	var out []time.Time
	for ; !t.After(to) && len(out) < 200; t = t.Add(step) {
		if !t.Before(from) {
			out = append(out, t)
		}
	}
	return out
}
