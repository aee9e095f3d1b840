package stat

import (
	"fmt"
	"math"
	"strings"
)

// Factor is one grouping of the values: Levels[i] is the level that value i
// was taken at.
type Factor struct {
	Name   string
	Levels []string
}

// Nest makes levels that are told apart within an outer factor: the station
// "1" of two sites becomes two levels.
func Nest(inner, outer Factor) (Factor, error) {
	if len(inner.Levels) != len(outer.Levels) {
		return Factor{}, inputErr("levels of "+inner.Name, len(inner.Levels), fmt.Sprintf("one for each of the %d levels of %s", len(outer.Levels), outer.Name))
	}
	f := Factor{Name: inner.Name + "(" + outer.Name + ")", Levels: make([]string, len(inner.Levels))}
	for i, l := range inner.Levels {
		f.Levels[i] = outer.Levels[i] + "/" + l
	}
	return f, nil
}

// Likelihood names the criterion that variance components maximise.
type Likelihood string

// REML corrects for the means that were estimated and is the usual choice; ML
// is biased low and serves comparison of models with other fixed effects.
const (
	REML Likelihood = "REML"
	ML   Likelihood = "ML"
)

// VarianceOptions sets how VarianceComponents works; the zero value is REML
// with 95 % intervals and one common mean.
type VarianceOptions struct {
	Likelihood Likelihood
	Confidence float64  // of each interval, 0.95 when 0
	Fixed      []Factor // such as the drink: their means are no source of spread
	// PointOnly leaves out the intervals of components, most of the work.
	PointOnly bool
}

// Component is one source of spread. Variances are in the squared unit of the
// values, SD in their unit.
type Component struct {
	Name     string  `json:"name"`
	Levels   int     `json:"levels"`
	Variance float64 `json:"variance"` // 0 where the data show none
	SD       float64 `json:"sd"`
	Share    float64 `json:"share"` // of the total variance
	LowSD    float64 `json:"lowSD"`
	HighSD   float64 `json:"highSD"`
	// HighOpen: the data set no upper limit; HighSD is as far as was searched.
	HighOpen bool `json:"highOpen,omitempty"`
}

// LevelEffect is the shrunken effect (BLUP) of one level of a random factor:
// the distance of the level from the common mean, drawn towards 0 as far as
// its values are few. The interval holds the components to be known.
type LevelEffect struct {
	Factor string  `json:"factor"`
	Level  string  `json:"level"`
	N      int     `json:"n"`
	Effect float64 `json:"effect"`
	SE     float64 `json:"se"` // of prediction
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	// RankLow to RankHigh is the interval of the level's rank in its factor, 1
	// being the lowest effect; 0 where the factor has too many levels to rank.
	RankLow  int `json:"rankLow,omitempty"`
	RankHigh int `json:"rankHigh,omitempty"`
}

// Variance is the result of VarianceComponents. The last component is the
// spread within.
type Variance struct {
	N          int           `json:"n"`
	Likelihood Likelihood    `json:"likelihood"`
	Interval   string        `json:"interval"`
	Confidence float64       `json:"confidence"`
	Mean       float64       `json:"mean"` // at the first level of each fixed factor
	MeanSE     float64       `json:"meanSE"`
	Deviance   float64       `json:"deviance"` // -2 log (restricted) likelihood
	Components []Component   `json:"components"`
	Effects    []LevelEffect `json:"effects"`
	Notes      []string      `json:"notes,omitempty"`
}

// VarianceComponents fits y = X b + sum_k Z_k u_k + e with u_k normal of
// variance s_k^2 for each random factor, nested or crossed, unbalanced or not,
// and e normal of variance s^2 within.
//
// The profiled (restricted) likelihood in t_k = s_k/s is minimised over
// Henderson's mixed-model equations, built once from counts and sums, so the
// work grows with the levels and not with the values. A component on the
// boundary is reported as 0. Intervals are profile likelihood: the SDs whose
// deviance, all else refitted, is within the chi-square limit of the best.
// Effects are BLUPs with their prediction error from the inverse equations.
//
// Refused: fewer than one random factor, a factor of one level or of one level
// a value, two factors that always change together, values that do not vary.
//
// Sources: Henderson, Biometrics 31 (1975) 423-447; Bates et al., Journal of
// Statistical Software 67 (2015) 1, sections 3.4 and 5.1.
func VarianceComponents(values []float64, random []Factor, opt VarianceOptions) (Variance, error) {
	if opt.Likelihood == "" {
		opt.Likelihood = REML
	}
	if opt.Confidence == 0 {
		opt.Confidence = 0.95
	}
	if opt.Likelihood != REML && opt.Likelihood != ML {
		return Variance{}, inputErr("likelihood", opt.Likelihood, "REML or ML")
	}
	if !(opt.Confidence > 0.5 && opt.Confidence < 1) {
		return Variance{}, inputErr("confidence", opt.Confidence, "above 0.5 and below 1, such as 0.95")
	}
	m, err := newMixed(values, random, opt.Fixed, opt.Likelihood == REML)
	if err != nil {
		return Variance{}, err
	}
	t, best := m.fit()
	sol, ok := m.solve(t)
	if !ok {
		return Variance{}, inputErr("factors", len(random), "factors that can be told apart; leave one out")
	}
	out := Variance{N: m.n, Likelihood: opt.Likelihood, Confidence: opt.Confidence, Deviance: best}
	s2 := sol.rss / m.df()
	within := math.Sqrt(s2)
	if !(s2 > 0) || math.IsInf(s2, 0) {
		return Variance{}, inputErr("spread within", s2, "a finite spread above 0; check the resolution of the device")
	}
	for k, f := range m.random {
		sd := t[k] * within
		out.Components = append(out.Components, Component{Name: f.name, Levels: len(f.names), Variance: sd * sd, SD: sd})
		if sd == 0 {
			out.Notes = append(out.Notes, fmt.Sprintf("%s: no spread beyond chance was seen, so its component is 0 and its effects are 0; the interval says how much could be hidden", f.name))
		} else if len(f.names) < 5 {
			out.Notes = append(out.Notes, fmt.Sprintf("%s has only %d levels: its spread is known poorly, read the interval", f.name, len(f.names)))
		}
	}
	out.Components = append(out.Components, Component{Name: "within", Levels: m.n, Variance: s2, SD: within})
	total := 0.0
	for _, c := range out.Components {
		total += c.Variance
	}
	for i := range out.Components {
		c := &out.Components[i]
		c.Share = c.Variance / total
		if !opt.PointOnly {
			c.LowSD, c.HighSD, c.HighOpen = m.profile(i, t, within, best, opt.Confidence)
		}
	}
	out.Interval = "profile likelihood"
	if opt.PointOnly {
		out.Interval = "none"
	}
	out.Mean = m.centre + sol.fixed[0]
	out.MeanSE = math.Sqrt(s2 * sol.fixedVar[0])
	out.Effects = m.effects(t, sol, within, opt.Confidence)
	rankEffects(out.Effects, opt.Confidence)
	return out, nil
}

// String tells the result in words.
func (v Variance) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "Method: variance components by %s; intervals of SD: %s, %g %%.\n", v.Likelihood, v.Interval, 100*v.Confidence)
	b.WriteString("Assumes: effects and spread within are normal and independent; the spread within is alike everywhere.\n")
	fmt.Fprintf(&b, "n = %d values, mean %.5g (standard error %.3g).\n\n", v.N, v.Mean, v.MeanSE)
	fmt.Fprintf(&b, "%-24s %7s %12s %10s %7s  %s\n", "source", "levels", "variance", "SD", "share", "SD, interval")
	top := v.Components[0]
	for _, c := range v.Components {
		more := ""
		if c.HighOpen {
			more = " or more"
		}
		between := fmt.Sprintf("%.4g to %.4g%s", c.LowSD, c.HighSD, more)
		if v.Interval == "none" {
			between = "not computed"
		}
		fmt.Fprintf(&b, "%-24s %7d %12.5g %10.4g %6.1f%%  %s\n", c.Name, c.Levels, c.Variance, c.SD, 100*c.Share, between)
		if c.Variance > top.Variance {
			top = c
		}
	}
	name := top.Name
	if name == "within" {
		name = "what lies within all of these"
	}
	fmt.Fprintf(&b, "\nThe largest source of spread is %s: %.0f %% of the variance.\n", name, 100*top.Share)
	for _, n := range v.Notes {
		fmt.Fprintf(&b, "Note: %s.\n", n)
	}
	return b.String()
}
