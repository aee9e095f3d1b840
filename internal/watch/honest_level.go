package watch

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/stat"
)

// screenOnTarget is a tenth screen, beside those of package stat: everybody has
// a level of their own, and a log that stands on the target in every measure
// at once was perhaps copied from it. It looks at levels only, so that it is
// independent of the screens of spread. stat counts it to the family "result".
const screenOnTarget stat.ScreenKind = "on target in every measure"

// onTargetMeasures are those whose levels are nearly independent of each other.
var onTargetMeasures = [...]string{"dose", "yield", "shot_time", "milk_temp", "cup_mass"}

const (
	levelLeast = 20 // readings of one person behind a level
	peopleMin  = 8  // people by whom levels are known
)

// peopleLevel says how people's own levels of a measure lie, in half-widths.
type peopleLevel struct {
	Mid float64 `json:"mid"`
	SD  float64 `json:"sd"`
}

// levels works out how people's own levels lie, by the median and the median
// absolute deviation, so that a few odd ones do not matter.
func (w *Watch) levels(y *yardsticks) {
	for _, m := range onTargetMeasures {
		var all []float64
		for _, k := range sortedKeys(w.st.People) {
			if u, _, ok := w.st.People[k].level(m, logMost); ok {
				all = append(all, u)
			}
		}
		if len(all) < peopleMin {
			continue
		}
		mid := median(all)
		off := make([]float64, len(all))
		for i, u := range all {
			off[i] = math.Abs(u - mid)
		}
		y.level[m], y.levelSD[m] = mid, 1.4826*median(off)
	}
}

// level is the mean of the last most readings in half-widths; step is what
// rounding alone can move it.
func (p *person) level(measure string, most int) (u, step float64, ok bool) {
	list := p.Values[measure]
	list = list[max(0, len(list)-most):]
	if len(list) < levelLeast {
		return 0, 0, false
	}
	n := float64(len(list))
	for _, l := range list {
		u += l.U / n
		step += l.Res / l.Half / n
	}
	return u, step / math.Sqrt(12), true
}

// onTarget judges the last readings: for each measure the chance that a
// person's level lies as near the target, joined by Fisher's method (Statistical
// Methods for Research Workers, 1932; from memory). It needs three measures.
func (p *person) onTarget(y yardsticks) stat.Screen {
	s := stat.Screen{Kind: screenOnTarget, P: 1, Question: "Were the values read, or taken from the card?"}
	x, n := 0.0, 0
	for _, m := range onTargetMeasures {
		u, step, ok := p.level(m, spreadScreen)
		sd := y.levelSD[m]
		if !ok || sd <= 0 {
			continue
		}
		d := max(math.Abs(u), step)
		near := distuv.UnitNormal.CDF((d-y.level[m])/sd) - distuv.UnitNormal.CDF((-d-y.level[m])/sd)
		x -= 2 * math.Log(max(near, 1e-12))
		n++
	}
	if n < 3 {
		s.Why = "needs three measures and eight people"
		return s
	}
	s.N, s.Applies = n, true
	s.P = distuv.ChiSquared{K: float64(2 * n)}.Survival(x)
	s.Finding = fmt.Sprintf("the levels of %d measures are nearer their targets than those of others", n)
	return s
}

// ownFails is the chance that a build breaks a limit by the person's own level
// and spread in each measure, normal values supposed.
func (p *person) ownFails() float64 {
	pass := 1.0
	for _, m := range sortedKeys(p.Values) {
		var a moments
		for _, l := range p.Values[m] {
			a.take(l.U)
		}
		if a.N < levelLeast {
			continue
		}
		sd := math.Sqrt(a.M2 / float64(a.N-1))
		if sd == 0 {
			continue
		}
		// Half-widths: the limits lie one from the target.
		pass *= distuv.UnitNormal.CDF((1-a.Mean)/sd) - distuv.UnitNormal.CDF((-1-a.Mean)/sd)
	}
	return min(0.99, 1-pass)
}
