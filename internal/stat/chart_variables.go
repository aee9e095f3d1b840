package stat

import (
	"fmt"
	"math"
)

const (
	saysIndependent = "Readings are independent in time order, apart from what the chart is there to find."
	saysNormal      = "Readings within a segment are about normal; the stated run length is exact only then."
	saysEstimated   = "Limits from few points vary: the true run length varies about the stated one."
	saysSpreadRules = "Only rule 1 is used on the spread: neighbouring points are related and skewed."
)

func saysVariables(o ChartOptions) []string {
	out := []string{saysIndependent, saysNormal}
	if o.Given == nil {
		out = append(out, saysEstimated)
	}
	return out
}

// Individuals charts single readings and their moving ranges (I-MR). Sigma is
// the mean moving range of neighbours in one segment over d2(2) = 1.128379;
// limits are centre +/- 3 sigma. In the units of the readings. Constant
// readings are refused: their spread is below the scale's resolution.
func Individuals(x []float64, o ChartOptions) (*Charts, error) {
	if err := chartValues("readings", x); err != nil {
		return nil, err
	}
	k, err := ChartConstants(2)
	if err != nil {
		return nil, err
	}
	n := constant(len(x), 1)
	location, err := frame{kind: "individuals", name: o.Name, unit: o.Unit, value: x, n: n, rules: o.Rules,
		method:      "individual readings, sigma from the mean moving range / 1.128, limits at 3 sigma",
		assumptions: saysVariables(o),
		limits: func(use []bool, seg []int) ([]Limits, []float64, float64, error) {
			sigma, err := givenSigma(o, func() (float64, error) {
				mr, _ := movingRange(x, use, seg)
				return mr / k.D2, nil
			})
			if err != nil {
				return nil, nil, 0, err
			}
			centre := centres(x, n, use, seg, o)
			limits, z := aroundCentre(x, centre, constant(len(x), sigma), math.Inf(-1))
			return limits, z, sigma, nil
		}}.run(o)
	if err != nil {
		return nil, err
	}
	location.Tolerance = o.Tolerance
	spread, err := movingRangeChart(x, location, k, o)
	if err != nil {
		return nil, err
	}
	return &Charts{Location: location, Spread: spread}, nil
}

// movingRangeChart plots |x_i - x_(i-1)|; the first of a segment has none and
// is left out.
func movingRangeChart(x []float64, location *Chart, k Constants, o ChartOptions) (*Chart, error) {
	var value []float64
	var labels []string
	var restarts []Restart
	for i := 1; i < len(x); i++ {
		p := location.Points[i]
		if p.Segment != location.Points[i-1].Segment {
			restarts = append(restarts, Restart{At: len(value), Reason: o.Restarts[p.Segment-1].Reason})
			continue
		}
		value = append(value, math.Abs(x[i]-x[i-1]))
		labels = append(labels, p.Label)
	}
	restarts = tidy(restarts, len(value))
	if len(value) < 2 {
		return nil, nil
	}
	sigma := location.Sigma
	c, err := frame{kind: "moving range", name: o.Name, unit: o.Unit, value: value,
		n: constant(len(value), 2), method: "range of neighbouring readings, limits D3 and D4 times its mean",
		assumptions: append(saysVariables(o), saysSpreadRules),
		limits: func([]bool, []int) ([]Limits, []float64, float64, error) {
			centre := constant(len(value), k.D2*sigma)
			limits, z := aroundCentre(value, centre, constant(len(value), k.D3*sigma), 0)
			return limits, z, sigma, nil
		}}.run(ChartOptions{Given: &Given{Centre: k.D2 * sigma, Sigma: sigma}, Labels: labels, Restarts: restarts})
	if err != nil {
		return nil, err
	}
	// The limits come from the location's sigma, and so from its phase.
	c.Phase = location.Phase
	return c, nil
}

// tidy drops restarts that fell together or off the ends.
func tidy(restarts []Restart, n int) []Restart {
	var out []Restart
	last := 0
	for _, r := range restarts {
		if r.At > last && r.At < n {
			out = append(out, r)
			last = r.At
		}
	}
	return out
}

// XbarR charts sample means and ranges; sigma is the mean of R/d2(n). Samples
// may differ in size, each at least 2; above 10 prefer XbarS.
func XbarR(samples [][]float64, o ChartOptions) (*Charts, error) {
	return subgroups(samples, o, "range", "R/d2", func(s []float64) float64 {
		lo, hi := s[0], s[0]
		for _, v := range s {
			lo, hi = math.Min(lo, v), math.Max(hi, v)
		}
		return hi - lo
	}, func(c Constants) (float64, float64) { return c.D2, c.D3 })
}

// XbarS charts sample means and standard deviations; sigma is the mean of
// S/c4(n). Samples may differ in size, each at least 2.
func XbarS(samples [][]float64, o ChartOptions) (*Charts, error) {
	return subgroups(samples, o, "standard deviation", "S/c4", func(s []float64) float64 {
		mean, ss := meanOf(s), 0.0
		for _, v := range s {
			ss += (v - mean) * (v - mean)
		}
		return math.Sqrt(ss / float64(len(s)-1))
	}, func(c Constants) (float64, float64) { return c.C4, math.Sqrt(1 - c.C4*c.C4) })
}

func subgroups(samples [][]float64, o ChartOptions, what, estimate string,
	spreadOf func([]float64) float64, factors func(Constants) (float64, float64)) (*Charts, error) {
	m := len(samples)
	mean, n, spread := make([]float64, m), make([]float64, m), make([]float64, m)
	expect, sd := make([]float64, m), make([]float64, m)
	known := map[int]Constants{}
	for i, s := range samples {
		if err := chartValues(fmt.Sprintf("sample %d", i+1), s); err != nil {
			return nil, err
		}
		k, ok := known[len(s)]
		if !ok {
			var err error
			if k, err = ChartConstants(len(s)); err != nil {
				return nil, fmt.Errorf("sample %d: %w", i+1, err)
			}
			known[len(s)] = k
		}
		mean[i], n[i], spread[i] = meanOf(s), float64(len(s)), spreadOf(s)
		expect[i], sd[i] = factors(k)
	}
	sigmaOf := func(use []bool) (float64, error) {
		return givenSigma(o, func() (float64, error) {
			sum, count := 0.0, 0.0
			for i, u := range use {
				if u {
					sum += spread[i] / expect[i]
					count++
				}
			}
			return sum / count, nil
		})
	}
	scaled := func(by float64, xs []float64) []float64 {
		out := make([]float64, len(xs))
		for i, x := range xs {
			out[i] = by * x
		}
		return out
	}
	variation, err := frame{kind: what, name: o.Name, unit: o.Unit, value: spread, n: n,
		method:      "sample " + what + ", sigma = mean of " + estimate + ", limits at 3 standard errors",
		assumptions: append(saysVariables(o), saysSpreadRules),
		limits: func(use []bool, _ []int) ([]Limits, []float64, float64, error) {
			sigma, err := sigmaOf(use)
			if err != nil {
				return nil, nil, 0, err
			}
			limits, z := aroundCentre(spread, scaled(sigma, expect), scaled(sigma, sd), 0)
			return limits, z, sigma, nil
		}}.run(o)
	if err != nil {
		return nil, err
	}
	location, err := frame{kind: "mean", name: o.Name, unit: o.Unit, value: mean, n: n, rules: o.Rules,
		method:      "sample means, sigma = mean of " + estimate + " within samples, limits at 3 sigma/sqrt(n)",
		assumptions: saysVariables(o),
		limits: func(use []bool, seg []int) ([]Limits, []float64, float64, error) {
			sigma, err := sigmaOf(use)
			if err != nil {
				return nil, nil, 0, err
			}
			se := make([]float64, m)
			for i := range se {
				se[i] = sigma / math.Sqrt(n[i])
			}
			limits, z := aroundCentre(mean, centres(mean, n, use, seg, o), se, math.Inf(-1))
			return limits, z, sigma, nil
		}}.run(o)
	if err != nil {
		return nil, err
	}
	// A tolerance is for one reading, so it is not drawn among means.
	return &Charts{Location: location, Spread: variation}, nil
}

// givenSigma returns the sigma of phase 2, or the estimate of phase 1.
func givenSigma(o ChartOptions, estimate func() (float64, error)) (float64, error) {
	if o.Given != nil {
		if o.Given.Sigma <= 0 {
			return 0, inputErr("given sigma", o.Given.Sigma, "above 0")
		}
		return o.Given.Sigma, nil
	}
	sigma, err := estimate()
	if err != nil {
		return 0, err
	}
	if !(sigma > 0) || !isFinite(sigma) {
		return 0, inputErr("spread of the readings", 0,
			"above 0: all neighbours are equal, so the resolution is too coarse for a chart, or there are none")
	}
	return sigma, nil
}

// centres returns, per point, the given centre or the n-weighted mean of the
// points in use of its segment.
func centres(x, n []float64, use []bool, seg []int, o ChartOptions) []float64 {
	out := make([]float64, len(x))
	if o.Given != nil {
		return constant(len(x), o.Given.Centre)
	}
	sum, weight := map[int]float64{}, map[int]float64{}
	for i := range x {
		if use[i] {
			sum[seg[i]] += n[i] * x[i]
			weight[seg[i]] += n[i]
		}
	}
	for i := range x {
		out[i] = sum[seg[i]] / weight[seg[i]]
	}
	return out
}

// aroundCentre sets limits at 3 standard errors; a lower one below least is none.
func aroundCentre(x, centre, se []float64, least float64) ([]Limits, []float64) {
	limits, z := make([]Limits, len(x)), make([]float64, len(x))
	for i := range x {
		hi := centre[i] + 3*se[i]
		limits[i] = Limits{Centre: centre[i], Lower: boundAt(centre[i]-3*se[i], least), Upper: &hi}
		z[i] = (x[i] - centre[i]) / se[i]
	}
	return limits, z
}

// movingRange is the mean |difference| of neighbours in use within a segment.
func movingRange(x []float64, use []bool, seg []int) (mean float64, pairs int) {
	last, sum := -1, 0.0
	for i := range x {
		if !use[i] {
			continue
		}
		if last >= 0 && seg[last] == seg[i] {
			sum += math.Abs(x[i] - x[last])
			pairs++
		}
		last = i
	}
	if pairs == 0 {
		return 0, 0
	}
	return sum / float64(pairs), pairs
}

func meanOf(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

func constant(n int, v float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}
