package stat

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// OneWay is a one-way analysis of variance. Sums and mean squares carry the
// square of the unit of the values.
type OneWay struct {
	Groups     int     `json:"groups"`
	N          int     `json:"n"`
	Mean       float64 `json:"mean"`
	SSBetween  float64 `json:"ssBetween"`
	SSWithin   float64 `json:"ssWithin"`
	DFBetween  int     `json:"dfBetween"`
	DFWithin   int     `json:"dfWithin"`
	MSBetween  float64 `json:"msBetween"`
	MSWithin   float64 `json:"msWithin"`
	F          float64 `json:"f"`
	P          float64 `json:"p"` // upper tail of F
	RSquared   float64 `json:"rSquared"`
	ResidualSD float64 `json:"residualSD"`
}

// ANOVA splits the spread of the values into between groups,
// sum n_i (m_i - m)^2, and within groups, sum (y_ij - m_i)^2; F is the ratio
// of their mean squares with k-1 and n-k degrees of freedom.
//
// Values are first shifted by one of themselves and sums are compensated, so
// that constant leading digits cost no more than the data lost when they were
// stored. Empty groups are refused, as are fewer than two groups, no
// replication, and groups that do not vary at all (F would be infinite).
//
// Source: NIST Statistical Reference Datasets, analysis of variance.
func ANOVA(groups [][]float64) (OneWay, error) {
	if len(groups) < 2 {
		return OneWay{}, inputErr("groups", len(groups), "at least 2 groups; add the groups to compare with")
	}
	n := 0
	for i, g := range groups {
		if len(g) == 0 {
			return OneWay{}, inputErr("group", i+1, "at least one value in each group; leave empty groups out")
		}
		if err := finiteAll("values", g); err != nil {
			return OneWay{}, err
		}
		n += len(g)
	}
	if n <= len(groups) {
		return OneWay{}, inputErr("values", n, "more values than groups; replicate at least one group")
	}
	shift := groups[0][0]
	var all compensated
	means := make([]float64, len(groups))
	var within compensated
	for i, g := range groups {
		var sum compensated
		for _, v := range g {
			sum.add(v - shift)
			all.add(v - shift)
		}
		m := sum.value() / float64(len(g))
		means[i] = m
		var ss, dev compensated
		for _, v := range g {
			d := (v - shift) - m
			ss.add(d * d)
			dev.add(d)
		}
		within.add(ss.value() - dev.value()*dev.value()/float64(len(g)))
	}
	grand := all.value() / float64(n)
	var between compensated
	for i, g := range groups {
		d := means[i] - grand
		between.add(float64(len(g)) * d * d)
	}
	r := OneWay{
		Groups: len(groups), N: n, Mean: shift + grand,
		SSBetween: between.value(), SSWithin: within.value(),
		DFBetween: len(groups) - 1, DFWithin: n - len(groups),
	}
	if !(r.SSWithin > 0) || math.IsInf(r.SSWithin+r.SSBetween, 0) {
		return OneWay{}, inputErr("spread within groups", r.SSWithin, "a finite spread above 0; check the resolution of the device")
	}
	r.MSBetween = r.SSBetween / float64(r.DFBetween)
	r.MSWithin = r.SSWithin / float64(r.DFWithin)
	r.F = r.MSBetween / r.MSWithin
	r.P = fTail(r.F, float64(r.DFBetween), float64(r.DFWithin))
	r.RSquared = r.SSBetween / (r.SSBetween + r.SSWithin)
	r.ResidualSD = math.Sqrt(r.MSWithin)
	if math.IsInf(r.F, 0) || math.IsNaN(r.F) {
		return OneWay{}, inputErr("F", r.F, "a finite ratio; the spread within groups is too small to divide by")
	}
	return r, nil
}

// fTail is the upper tail of the F distribution.
func fTail(f, d1, d2 float64) float64 {
	if f <= 0 {
		return 1
	}
	return distuv.F{D1: d1, D2: d2}.Survival(f)
}

// compensated is Neumaier's sum: the rounding of each addition is kept.
type compensated struct{ sum, lost float64 }

func (c *compensated) add(v float64) {
	t := c.sum + v
	if math.Abs(c.sum) >= math.Abs(v) {
		c.lost += (c.sum - t) + v
	} else {
		c.lost += (v - t) + c.sum
	}
	c.sum = t
}

func (c *compensated) value() float64 { return c.sum + c.lost }
