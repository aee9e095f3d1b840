package stat

import "fmt"

// DriftSettings choose the memory of an EWMA or CUSUM chart, in sigmas.
type DriftSettings struct {
	Lambda, L  float64 // EWMA
	K, H       float64 // CUSUM
	HeadStart  float64 // CUSUM: share of H to begin with, 0 to below 1
	Asymptotic bool    // EWMA: limits of constant width
}

// EWMAChart draws an EWMA as a Chart; every segment starts anew at its centre.
// Phase 1 takes centre and sigma as Individuals does.
func EWMAChart(x []float64, d DriftSettings, o ChartOptions) (*Chart, error) {
	c, err := driftBase(x, o)
	if err != nil {
		return nil, err
	}
	run, err := EWMAARL(d.Lambda, d.L, 0, 0)
	if err == nil && !d.Asymptotic {
		run, err = EWMAARLVarying(d.Lambda, d.L, 0)
	}
	if err != nil {
		return nil, err
	}
	c.Kind, c.RunLength = "ewma", run
	c.Name = "weighted average of " + o.Name
	c.Method = fmt.Sprintf("EWMA, lambda %.4g, limits at %.4g sigmas of the average, starting at the centre", d.Lambda, d.L)
	err = eachSegment(c, func(from, to int) error {
		centre := c.Points[from].Limits.Centre
		points, err := EWMA(x[from:to], EWMADesign{Centre: centre, Sigma: c.Sigma, Lambda: d.Lambda, L: d.L, Asymptotic: d.Asymptotic})
		if err != nil {
			return err
		}
		for i, p := range points {
			q := &c.Points[from+i]
			q.Value, q.Z = p.Z, 3*(p.Z-centre)/(p.Upper-centre)
			q.Limits = Limits{Centre: centre, Lower: &p.Lower, Upper: &p.Upper}
			q.Rules = driftSignal(p.Signal != 0)
		}
		return nil
	})
	return c, err
}

// CUSUMCharts draws the upper and the lower sum as two charts, each from 0 to
// its decision interval, in the units of the readings: Location is the upper
// sum, Spread the lower.
func CUSUMCharts(x []float64, d DriftSettings, o ChartOptions) (*Charts, error) {
	base, err := driftBase(x, o)
	if err != nil {
		return nil, err
	}
	run, err := CUSUMARL(d.K, d.H, 0, d.HeadStart*d.H)
	if err != nil {
		return nil, err
	}
	s := base.Sigma
	base.Kind, base.RunLength = "cusum", run
	base.Method = fmt.Sprintf("tabular CUSUM, k %.4g sigma, h %.4g sigma, head start %.4g h; signals above h", d.K, d.H, d.HeadStart)
	high, low := *base, *base
	high.Name, low.Name = "upward sum of "+o.Name, "downward sum of "+o.Name
	high.Points = append([]ChartPoint(nil), base.Points...)
	low.Points = append([]ChartPoint(nil), base.Points...)
	err = eachSegment(base, func(from, to int) error {
		points, err := CUSUM(x[from:to], CUSUMDesign{Centre: base.Points[from].Limits.Centre,
			K: d.K * s, H: d.H * s, HeadStart: d.HeadStart * d.H * s})
		if err != nil {
			return err
		}
		h := d.H * s
		for i, p := range points {
			for _, side := range []struct {
				q *ChartPoint
				v float64
			}{{&high.Points[from+i], p.High}, {&low.Points[from+i], p.Low}} {
				side.q.Value, side.q.Z = side.v, 3*side.v/h
				side.q.Limits = Limits{Centre: 0, Upper: &h}
				side.q.Rules = driftSignal(side.v > h)
			}
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &Charts{Location: &high, Spread: &low}, nil
}

func driftSignal(beyond bool) []Rule {
	if beyond {
		return []Rule{RuleBeyondLimit}
	}
	return nil
}

// driftBase takes centre, sigma, segments and labels from an individuals chart.
func driftBase(x []float64, o ChartOptions) (*Chart, error) {
	o.Rules, o.Tolerance = 1<<RuleBeyondLimit, nil
	pair, err := Individuals(x, o)
	if err != nil {
		return nil, err
	}
	return pair.Location, nil
}

func eachSegment(c *Chart, do func(from, to int) error) error {
	from := 0
	for i := 1; i <= len(c.Points); i++ {
		if i == len(c.Points) || c.Points[i].Segment != c.Points[from].Segment {
			if err := do(from, i); err != nil {
				return err
			}
			from = i
		}
	}
	return nil
}
