package watch

import (
	"fmt"
	"time"
)

// Plain is the chart that most would draw: individuals with limits at three
// sigmas by the mean moving range of the first readings, one chart a station
// and measure, never restarted. It is there to be compared with.
type Plain struct {
	// First is how many readings set the limits.
	first  int
	sigmas float64
	charts map[string]*plainChart
}

type plainChart struct {
	N         int
	Mean, MR  float64
	Last      float64
	Centre, S float64
	Unit      float64
}

// NewPlain makes a plain chart with limits set by the first readings (50 where
// first is 0) at the given number of sigmas (3 where 0). Another number serves
// a comparison at equal false alarms.
func NewPlain(first int, sigmas float64) *Plain {
	if first <= 1 {
		first = 50
	}
	if sigmas <= 0 {
		sigmas = 3
	}
	return &Plain{first: first, sigmas: sigmas, charts: map[string]*plainChart{}}
}

// Build takes a build in and gives a signal for each reading beyond a limit.
func (p *Plain) Build(b *Build) []Signal {
	var out Out
	for i := range b.Readings {
		r := &b.Readings[i]
		k := b.Site + "/" + b.Station + "|" + r.Measure
		c := p.charts[k]
		if c == nil {
			c = &plainChart{}
			p.charts[k] = c
		}
		hw := half(r)
		if v := c.take((r.Value-r.Target)/hw, p.first, p.sigmas); v != 0 {
			out.signal(plainSignal(b, r, v, c, hw, b.Started))
		}
	}
	return out.Signals
}

// plainD2 is the mean range of two normal readings in sigmas.
const plainD2 = 1.128379

func (c *plainChart) take(u float64, first int, sigmas float64) int {
	if c.N < first {
		if c.N > 0 {
			d := u - c.Last
			if d < 0 {
				d = -d
			}
			c.MR += d
		}
		c.N++
		c.Mean += (u - c.Mean) / float64(c.N)
		c.Last = u
		if c.N == first {
			c.Centre, c.S = c.Mean, c.MR/float64(first-1)/plainD2
		}
		return 0
	}
	switch {
	case c.S <= 0:
		return 0
	case u > c.Centre+sigmas*c.S:
		return 1
	case u < c.Centre-sigmas*c.S:
		return -1
	}
	return 0
}

func plainSignal(b *Build, r *Reading, dir int, c *plainChart, hw float64, at time.Time) Signal {
	u := (r.Value - r.Target) / hw
	return Signal{Kind: SignalPlain, Method: "individuals, limits by the mean moving range of the first readings", Site: b.Site, Station: b.Station,
		Serving: b.Serving, Measure: r.Measure, Finding: b.ID, Direction: dir, Began: at.UTC(), Seen: at.UTC(), N: 1, Before: c.Centre, After: u, SD: c.S,
		Moved: (u - c.Centre) * hw, P: 0.0027, Sure: "one reading", RunLength: 370.4,
		Words: fmt.Sprintf("%s/%s: %s %s by %s in one build", b.Site, b.Station, label(r.Measure), upDown(dir), moved((u-c.Centre)*hw, unitOf(r.Measure)))}
}
