package stat

import (
	"fmt"
	"math"
)

// Between charts rare events by the number of good drinks between one and the
// next (a g chart: Benneyan, Health Care Management Science 4, 2001). The
// count is geometric with p = 1/(1 + mean); limits leave 0.00135 beyond each
// side, the centre is the median, since the mean of so skew a law would make
// rule 4 ring. A low point is bad: events come close together. A high one is
// an improvement to learn from.
func Between(good []float64, o ChartOptions) (*Chart, error) {
	for i, g := range good {
		if isFinite(g) && g != math.Trunc(g) {
			return nil, inputErr(fmt.Sprintf("drinks between at point %d", i+1), g, "a whole number, 0 or more")
		}
	}
	return rare(good, o, "g", "geometric", "drinks between events",
		func(mean float64) (cdf func(float64) float64, quantile func(float64) float64) {
			q := math.Log(mean / (1 + mean)) // log of the chance of a good drink
			cdf = func(x float64) float64 {
				if x < 0 {
					return 0
				}
				return -math.Expm1((math.Floor(x) + 1) * q)
			}
			// Smallest count whose probability of no more is at least p.
			quantile = func(p float64) float64 { return math.Max(0, math.Ceil(math.Log1p(-p)/q-1-1e-9)) }
			return cdf, quantile
		}, 1)
}

// BetweenTimes charts rare events by the time between them (a t chart), with
// exponential probability limits and the median as centre.
func BetweenTimes(gaps []float64, o ChartOptions) (*Chart, error) {
	return rare(gaps, o, "t", "exponential", "time between events",
		func(mean float64) (cdf func(float64) float64, quantile func(float64) float64) {
			cdf = func(x float64) float64 { return -math.Expm1(-x / mean) }
			quantile = func(p float64) float64 { return -mean * math.Log1p(-p) }
			return cdf, quantile
		}, 0)
}

func rare(x []float64, o ChartOptions, kind, law, what string,
	model func(mean float64) (cdf, quantile func(float64) float64), unit float64) (*Chart, error) {
	if err := chartValues(what, x); err != nil {
		return nil, err
	}
	for i, v := range x {
		if v < 0 {
			return nil, inputErr(fmt.Sprintf("%s at point %d", what, i+1), v, "0 or more")
		}
	}
	n := constant(len(x), 1)
	return frame{kind: kind, name: o.Name, unit: o.Unit, value: x, n: n, rules: o.Rules,
		method: kind + " chart of " + what + ", " + law + " limits with 0.00135 beyond each side, median as centre",
		assumptions: []string{
			"Events are independent with one constant chance while in control.",
			"A point below its limit is worse: events come close together. One above is better.",
		},
		limits: func(use []bool, seg []int) ([]Limits, []float64, float64, error) {
			mean := centres(x, n, use, seg, o)
			limits, z := make([]Limits, len(x)), make([]float64, len(x))
			for i := range x {
				if mean[i] <= 0 {
					return nil, nil, 0, inputErr("mean "+what, mean[i], "above 0")
				}
				cdf, quantile := model(mean[i])
				hi := quantile(1 - tail)
				limits[i] = Limits{Centre: quantile(0.5), Upper: &hi}
				// Largest value with at most tail below it; 0 is no limit.
				if lo := quantile(tail); lo > 0 {
					limits[i].Lower = &lo
				}
				z[i] = score((cdf(x[i]-unit) + cdf(x[i])) / 2)
			}
			return limits, z, mean[0], nil
		}}.run(o)
}
