package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// tail is the share beyond a 3 sigma limit on one side of a normal.
const tail = 0.0013498980316300957

const saysCounts = "Drinks are alike and independent within a point, with one rate while in control."

// P charts the proportion bad[i] of n[i] drinks. Normal limits are
// p +/- 3 sqrt(p(1-p)/n); exact ones leave at most 0.00135 of the binomial
// beyond each side; overdispersed ones are Laney's p' (Quality Engineering 14,
// 2002). No drink bad, or all, leaves nothing to estimate and is refused in
// phase 1.
func P(bad, n []float64, o ChartOptions) (*Chart, error) {
	return counts(bad, n, o, countModel{kind: "p", law: "binomial",
		se:     func(p, n float64) float64 { return math.Sqrt(p * (1 - p) / n) },
		sparse: func(p, n float64) bool { return n*p < 5 || n*(1-p) < 5 },
		cdf: func(k, p, n float64) float64 {
			if k < 0 {
				return 0
			}
			return distuv.Binomial{N: n, P: p}.CDF(k)
		},
		most: func(n float64) float64 { return n },
		check: func(i int) error {
			if n[i] != math.Trunc(n[i]) || n[i] > 1e9 {
				return inputErr(fmt.Sprintf("n of point %d", i+1), n[i], "a whole number of drinks, to 1e9")
			}
			if bad[i] > n[i] {
				return inputErr(fmt.Sprintf("count of point %d", i+1), bad[i], fmt.Sprintf("at most n, %g", n[i]))
			}
			return nil
		}})
}

// U charts events per unit of exposure (drinks, litres, days). Normal limits
// are u +/- 3 sqrt(u/exposure); exact ones are Poisson; overdispersed ones are
// Laney's u'.
func U(events, exposure []float64, o ChartOptions) (*Chart, error) {
	return counts(events, exposure, o, poissonModel("u"))
}

// C charts counts of events over equal spans; it is U with exposure 1.
func C(events []float64, o ChartOptions) (*Chart, error) {
	return counts(events, constant(len(events), 1), o, poissonModel("c"))
}

func poissonModel(kind string) countModel {
	return countModel{kind: kind, law: "Poisson",
		se:     func(u, n float64) float64 { return math.Sqrt(u / n) },
		sparse: func(u, n float64) bool { return n*u < 5 },
		cdf: func(k, u, n float64) float64 {
			if k < 0 {
				return 0
			}
			return distuv.Poisson{Lambda: u * n}.CDF(k)
		},
		most:  func(float64) float64 { return 1e9 },
		check: func(int) error { return nil }}
}

type countModel struct {
	kind, law string
	se        func(rate, n float64) float64
	sparse    func(rate, n float64) bool
	cdf       func(k, rate, n float64) float64
	most      func(n float64) float64
	check     func(i int) error
}

func counts(k, n []float64, o ChartOptions, m countModel) (*Chart, error) {
	if len(k) != len(n) {
		return nil, inputErr("counts and sizes", fmt.Sprintf("%d and %d", len(k), len(n)), "as many of each")
	}
	if o.Method < Auto || o.Method > Overdispersed {
		return nil, inputErr("limit method", int(o.Method), "Auto, Normal, Exact or Overdispersed")
	}
	if err := chartValues("counts", k); err != nil {
		return nil, err
	}
	if err := chartValues("sizes", n); err != nil {
		return nil, err
	}
	rate := make([]float64, len(k))
	for i := range k {
		if k[i] < 0 || k[i] != math.Trunc(k[i]) || k[i] > 1e9 {
			return nil, inputErr(fmt.Sprintf("count of point %d", i+1), k[i], "a whole number, 0 or more")
		}
		if n[i] <= 0 {
			return nil, inputErr(fmt.Sprintf("n of point %d", i+1), n[i], "above 0")
		}
		if err := m.check(i); err != nil {
			return nil, err
		}
		rate[i] = k[i] / n[i]
	}
	says := []string{saysCounts, "The stated run length is nominal: counts are lumpy, and a point's false alarms differ from 1 in 370."}
	how := map[LimitMethod]string{
		Auto:          "normal limits, exact " + m.law + " where fewer than 5 are expected",
		Normal:        "normal limits at 3 standard errors",
		Exact:         "exact " + m.law + " limits, at most 0.00135 beyond each side",
		Overdispersed: "limits at 3 standard errors, widened by the spread between points (Laney)",
	}[o.Method]
	if o.Method == Overdispersed {
		says[0] = "The rate itself wanders between points; the spread of neighbours measures by how much."
	}
	sigmaZ := 1.0
	c, err := frame{kind: m.kind, name: o.Name, unit: o.Unit, value: rate, n: n, rules: o.Rules,
		method: m.kind + " chart, " + how, assumptions: says,
		limits: func(use []bool, seg []int) ([]Limits, []float64, float64, error) {
			centre := centres(rate, n, use, seg, o)
			se := make([]float64, len(rate))
			for i := range se {
				if m.law == "binomial" && centre[i] >= 1 || centre[i] <= 0 {
					return nil, nil, 0, inputErr(fmt.Sprintf("rate of segment %d", seg[i]+1), centre[i],
						"between none and all: give the rate to compare with, or chart the drinks between events")
				}
				se[i] = m.se(centre[i], n[i])
			}
			limits, z := aroundCentre(rate, centre, se, 0)
			switch o.Method {
			case Overdispersed:
				mr, pairs := movingRange(z, use, seg)
				if pairs == 0 || mr == 0 {
					return nil, nil, 0, inputErr("spread between points", mr, "above 0, from neighbouring points of one segment")
				}
				k, err := ChartConstants(2)
				if err != nil {
					return nil, nil, 0, err
				}
				sigmaZ = mr / k.D2
				for i := range se {
					se[i] *= sigmaZ
				}
				limits, z = aroundCentre(rate, centre, se, 0)
			case Exact, Auto:
				for i := range rate {
					if o.Method == Exact || m.sparse(centre[i], n[i]) {
						limits[i], z[i] = m.exact(k[i], centre[i], n[i])
					}
				}
			}
			for i := range limits {
				if most := m.most(n[i]) / n[i]; limits[i].Upper != nil && *limits[i].Upper > most {
					limits[i].Upper = nil // no limit that a count could pass
				}
			}
			return limits, z, m.se(centre[0], 1), nil
		}}.run(o)
	if err != nil {
		return nil, err
	}
	if o.Method == Overdispersed {
		c.Notes = append(c.Notes, fmt.Sprintf("Points vary %.2f times as much as the %s law says.", sigmaZ, m.law))
		if sigmaZ < 0.8 {
			c.Notes = append(c.Notes, "Less than chance allows: ask how the drinks were chosen and logged.")
		}
	}
	return c, nil
}

// exact returns limits that at most tail of the law lies beyond on each side,
// and the normal score of the mid-probability of k.
func (m countModel) exact(k, rate, n float64) (Limits, float64) {
	// Upper: smallest count with P(X > count) <= tail. Lower: largest count
	// with P(X < count) <= tail; 0 is no limit at all.
	upper := m.search(rate, n, func(c float64) bool { return 1-m.cdf(c, rate, n) <= tail })
	lower := m.search(rate, n, func(c float64) bool { return m.cdf(c, rate, n) > tail })
	hi := upper / n
	out := Limits{Centre: rate, Upper: &hi}
	if lower > 0 {
		lo := lower / n
		out.Lower = &lo
	}
	return out, score((m.cdf(k-1, rate, n) + m.cdf(k, rate, n)) / 2)
}

// search returns the smallest count where ok holds, ok being monotone.
func (m countModel) search(rate, n float64, ok func(float64) bool) float64 {
	mean := rate * n
	lo := 0.0
	hi := math.Min(m.most(n), math.Ceil(mean+10*math.Sqrt(mean)+30))
	for lo < hi {
		mid := math.Floor((lo + hi) / 2)
		if ok(mid) {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	return lo
}

// score is the normal score of a probability, held within 8 sigmas.
func score(p float64) float64 {
	const edge = 6e-16
	return distuv.UnitNormal.Quantile(math.Min(1-edge, math.Max(edge, p)))
}
