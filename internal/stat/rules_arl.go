package stat

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// ARL returns the exact average number of points to the first signal of the
// set, on a two-sided chart of independent normal points with known centre and
// sigma whose mean has moved by shift standard errors (0: in control, so the
// mean distance between false alarms). It solves the absorbing Markov chain of
// the rules themselves, merged to the states that differ (Champ & Woodall,
// Technometrics 29, 1987). Limits estimated from few data give runs that vary
// about this figure. shift must be within -10 and 10.
func (s Rules) ARL(shift float64) (float64, error) {
	if len(s.List()) == 0 {
		return 0, inputErr("rules", "empty", "at least one of 1, 2, 3, 4")
	}
	if !isFinite(shift) || math.Abs(shift) > 10 {
		return 0, inputErr("shift", shift, "-10 to 10 standard errors")
	}
	next := s.automaton()
	var prob [8]float64
	cuts := []float64{math.Inf(-1), -3, -2, -1, 0, 1, 2, 3, math.Inf(1)}
	for i := range prob {
		prob[i] = phiCDF(cuts[i+1]-shift) - phiCDF(cuts[i]-shift)
	}
	n := len(next)
	a := make([]float64, n*n)
	b := make([]float64, n)
	for i := range next {
		a[i*n+i]++
		b[i] = 1
		for z, j := range next[i] {
			if j >= 0 {
				a[i*n+j] -= prob[z]
			}
		}
	}
	run, err := arlSolve(n, a, b)
	if err != nil {
		return 0, err
	}
	return run[0], nil
}

// zones of a normal point, lowest first.
var zones = [8]zone{{-1, 3}, {-1, 2}, {-1, 1}, {-1, 0}, {1, 0}, {1, 1}, {1, 2}, {1, 3}}

// automaton returns, per state and zone, the next state or -1 for a signal.
// State 0 is the start.
func (s Rules) automaton() [][8]int {
	index := map[memory]int{{}: 0}
	states := []memory{{}}
	var next [][8]int
	for i := 0; i < len(states); i++ {
		var row [8]int
		for z, where := range zones {
			m, hit := s.step(states[i], where)
			if len(hit) > 0 {
				row[z] = -1
				continue
			}
			j, seen := index[m]
			if !seen {
				j = len(states)
				index[m] = j
				states = append(states, m)
			}
			row[z] = j
		}
		next = append(next, row)
	}
	return mergeStates(next)
}

// mergeStates joins states that no future can tell apart (Moore's partition
// refinement), which turns thousands of histories into at most a few hundred.
func mergeStates(next [][8]int) [][8]int {
	class := make([]int, len(next))
	count := 1
	for {
		type key struct {
			own int
			to  [8]int
		}
		seen := map[key]int{}
		fresh := make([]int, len(next))
		for i, row := range next {
			k := key{own: class[i]}
			for z, j := range row {
				k.to[z] = -1
				if j >= 0 {
					k.to[z] = class[j]
				}
			}
			c, ok := seen[k]
			if !ok {
				c = len(seen)
				seen[k] = c
			}
			fresh[i] = c
		}
		class = fresh
		if len(seen) == count {
			break
		}
		count = len(seen)
	}
	out := make([][8]int, count)
	for i, row := range next {
		for z, j := range row {
			out[class[i]][z] = -1
			if j >= 0 {
				out[class[i]][z] = class[j]
			}
		}
	}
	return out
}

func phiCDF(x float64) float64 { return distuv.UnitNormal.CDF(x) }
func phiPDF(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
