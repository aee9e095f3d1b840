package chart

import (
	"fmt"
	"math"
	"time"

	"samecup.example/samecup/internal/stat"
)

// Histogram draws how often each value was read, the values upwards, so that
// the tolerance is the same band as on a control chart beside it. step is the
// width of a bar in the unit, such as the instrument's step; above 0.
func Histogram(id, title, unit string, values []float64, step float64, tol *stat.Tolerance) *Chart {
	out := &Chart{ID: id, Title: title, N: fmt.Sprintf("n = %d readings", len(values)), PanelHeight: 300,
		Method: "Histogram of single readings in steps of " + Number(step) + " " + unit + "; nothing is smoothed."}
	lo, hi := math.Inf(1), math.Inf(-1)
	counts := map[int]int{}
	most := 1
	outside := 0
	for _, v := range values {
		// Readings lie on the instrument's steps: bars are centred on them.
		k := int(math.Round(v / step))
		counts[k]++
		most = max(most, counts[k])
		lo, hi = math.Min(lo, v-step), math.Max(hi, v+step)
		if tol != nil && (tol.Lower != nil && v < *tol.Lower || tol.Upper != nil && v > *tol.Upper) {
			outside++
		}
	}
	p := Panel{X: NewAxis("readings", 0, float64(most))}
	p.X.Min = 0
	if tol != nil {
		p.Tolerances = []Tolerance{{Low: tol.Lower, High: tol.Upper, Label: "tolerance"}}
		for _, v := range []*float64{tol.Lower, tol.Upper} {
			if v != nil {
				lo, hi = math.Min(lo, *v-step), math.Max(hi, *v+step)
			}
		}
		out.Desc = fmt.Sprintf("%d of %d readings lie outside the tolerance of the book", outside, len(values))
	}
	p.Y = NewAxis(unit, lo, hi)
	if len(values) > 0 {
		for k := int(math.Floor(lo / step)); k <= int(math.Ceil(hi/step)); k++ {
			if n := counts[k]; n > 0 {
				bottom, top := (float64(k)-0.42)*step, (float64(k)+0.42)*step
				p.Bars = append(p.Bars, Bar{Low: bottom, High: top, Long: float64(n),
					Text: fmt.Sprintf("%s %s: %d", Number(float64(k)*step), unit, n)})
			}
		}
	}
	out.Panels = []Panel{p}
	return out
}

// Series is one measure along a day.
type Series struct {
	// Name with its unit, such as "shot time, s".
	Name      string
	Tolerance *Tolerance
	Points    []Timed
}

// Timed is one reading at a moment; Off says why it is out of its tolerance.
type Timed struct {
	At              time.Time
	Value           float64
	Off, Text, Href string
}

// Event is something that happened at the machine: a release, a lot, an
// adjustment, a stop.
type Event struct {
	At    time.Time
	Label string
}

// Day draws every reading of a station's day on one axis of time, a panel a
// measure, with what happened marked in each. from and to are in the zone of
// the site.
func Day(id, title string, from, to time.Time, series []Series, events []Event) *Chart {
	out := &Chart{ID: id, Title: title, PanelHeight: 240,
		Method: "Every reading as logged, at the time it was measured by the station's clock; nothing is averaged."}
	n, off := 0, 0
	for i, s := range series {
		p := Panel{X: ClockAxis(from, to)}
		if i < len(series)-1 {
			p.X.Name = ""
		}
		lo, hi := math.Inf(1), math.Inf(-1)
		if t := s.Tolerance; t != nil {
			p.Tolerances = []Tolerance{*t}
			for _, v := range []*float64{t.Low, t.High} {
				if v != nil {
					lo, hi = math.Min(lo, *v), math.Max(hi, *v)
				}
			}
		}
		for _, q := range s.Points {
			lo, hi = math.Min(lo, q.Value), math.Max(hi, q.Value)
			point := Point{XY: XY{q.At.Sub(from).Seconds(), q.Value}, Href: q.Href,
				Text: fmt.Sprintf("%s: %s", q.At.In(from.Location()).Format("15:04"), Number(q.Value))}
			if q.Text != "" {
				point.Text += "; " + q.Text
			}
			if q.Off != "" {
				point.Shape = Diamond
				point.Text += "; " + q.Off
				off++
			}
			p.Points = append(p.Points, point)
			n++
		}
		for _, e := range events {
			label := e.Label
			if i > 0 {
				label = "" // said once, above
			}
			p.Marks = append(p.Marks, Mark{X: e.At.Sub(from).Seconds(), Label: label})
		}
		p.Y = NewAxis(s.Name, lo, hi)
		out.Panels = append(out.Panels, p)
	}
	out.N = fmt.Sprintf("n = %d readings", n)
	out.Desc = fmt.Sprintf("%d readings, %d of them out of tolerance; %d things happened at the machine", n, off, len(events))
	return out
}

// Small is one of several panels with the same scales.
type Small struct {
	Title, Href string
	Tolerance   *Tolerance
	Points      []Point
}

// Multiples draws small panels side by side, all with the same axes, so that
// heights can be compared across. yName carries the unit.
func Multiples(id, title, yName string, x Axis, panels []Small, columns int) *Chart {
	out := &Chart{ID: id, Title: title, Columns: max(1, columns), Method: "All panels share one scale; lines join neighbours and claim nothing between them."}
	lo, hi, n := math.Inf(1), math.Inf(-1), 0
	take := func(v *float64) {
		if v != nil {
			lo, hi = math.Min(lo, *v), math.Max(hi, *v)
		}
	}
	for _, s := range panels {
		if s.Tolerance != nil {
			take(s.Tolerance.Low)
			take(s.Tolerance.High)
		}
		for _, q := range s.Points {
			y := q.Y
			take(&y)
			take(q.Low)
			take(q.High)
			n++
		}
	}
	y := NewAxis(yName, lo, hi)
	for i, s := range panels {
		p := Panel{Title: s.Title, Href: s.Href, X: x, Y: y, Points: s.Points}
		if i%out.Columns > 0 {
			p.Y.Name = ""
		}
		if i+out.Columns < len(panels) {
			p.X.Name = ""
		}
		if s.Tolerance != nil {
			p.Tolerances = []Tolerance{*s.Tolerance}
		}
		along := make([]XY, 0, len(s.Points))
		for _, q := range s.Points {
			along = append(along, q.XY)
		}
		p.Lines = []Line{{along}}
		out.Panels = append(out.Panels, p)
	}
	out.N = fmt.Sprintf("n = %d points in %d panels", n, len(panels))
	out.Desc = out.N
	return out
}
