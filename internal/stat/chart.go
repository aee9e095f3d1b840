package stat

import (
	"fmt"
	"math"
)

// Limits are control limits: what the process does, from its own readings. A
// missing bound is nil. They say nothing of what a drink's spec allows: that
// is a Tolerance, and neither type is ever turned into the other.
type Limits struct {
	Centre float64  `json:"centre"`
	Lower  *float64 `json:"lower,omitempty"`
	Upper  *float64 `json:"upper,omitempty"`
}

// Tolerance is what the spec allows one reading. It is drawn on charts of
// single readings only, and is never used to judge stability.
type Tolerance struct {
	Lower  *float64 `json:"lower,omitempty"`
	Upper  *float64 `json:"upper,omitempty"`
	Source string   `json:"source,omitempty"` // such as "flat white v7"
}

// Given are the parameters of a phase 2 chart, set beforehand: the centre and
// the standard deviation of one reading. Charts of counts use Centre alone, as
// a proportion, rate, count, or mean number of drinks between events.
type Given struct {
	Centre float64 `json:"centre"`
	Sigma  float64 `json:"sigma"`
}

// Restart begins a new segment at a point: an adjustment, a new lot or burrs, a
// release, a service. The rules forget what was before; in phase 1 the centre
// is estimated anew, while the spread within segments is pooled.
type Restart struct {
	At     int    `json:"at"` // index of the first point after it, above 0
	Reason string `json:"reason"`
}

// LimitMethod says how limits of counts are found.
type LimitMethod int

// The methods. Auto takes Exact where a point expects fewer than five events
// or five non-events, and Normal otherwise.
const (
	Auto          LimitMethod = iota
	Normal                    // centre +/- 3 standard errors
	Exact                     // probability limits, at most 0.00135 on each side
	Overdispersed             // Normal, widened by the spread seen between points (Laney 2002)
)

// ChartOptions hold the choices common to all charts. The zero value is a
// phase 1 chart with rule 1.
type ChartOptions struct {
	Rules     Rules
	Given     *Given // phase 2 when set
	SetAside  bool   // phase 1: leave out-of-limit points out of the limits, and say so
	Restarts  []Restart
	Method    LimitMethod
	Labels    []string // one a point, or none
	Name      string   // what is measured: "yield"
	Unit      string   // "g"
	Tolerance *Tolerance
}

// ChartPoint is one plotted point.
type ChartPoint struct {
	Label    string  `json:"label"`
	Value    float64 `json:"value"`
	N        float64 `json:"n"` // readings, drinks or exposure behind the point
	Limits   Limits  `json:"limits"`
	Z        float64 `json:"z"` // distance from the centre in standard errors, or the normal score
	Segment  int     `json:"segment"`
	Rules    []Rule  `json:"rules,omitempty"`
	SetAside string  `json:"set_aside,omitempty"` // why it was left out of the limits
}

// Chart is a control chart with its method, assumptions and findings.
type Chart struct {
	Kind        string       `json:"kind"`
	Name        string       `json:"name"`
	Unit        string       `json:"unit,omitempty"`
	Phase       int          `json:"phase"`
	Method      string       `json:"method"`
	Assumptions []string     `json:"assumptions"`
	Notes       []string     `json:"notes,omitempty"`
	Rules       Rules        `json:"rules"`
	RunLength   float64      `json:"in_control_run_length"` // of the rules, known limits, normal points
	Sigma       float64      `json:"sigma"`
	Total       float64      `json:"total"` // readings, drinks or exposure in all
	Points      []ChartPoint `json:"points"`
	Restarts    []Restart    `json:"restarts,omitempty"`
	Tolerance   *Tolerance   `json:"tolerance,omitempty"`
}

// Charts are a chart of location and, where there is one, of spread. Look at
// the spread first: limits of location rest on it.
type Charts struct {
	Location *Chart `json:"location"`
	Spread   *Chart `json:"spread,omitempty"`
}

// Signals returns the indices of points that broke a rule.
func (c *Chart) Signals() []int {
	var out []int
	for i, p := range c.Points {
		if len(p.Rules) > 0 {
			out = append(out, i)
		}
	}
	return out
}

// frame is what a kind of chart brings: its values and how it finds limits
// from the points in use.
type frame struct {
	kind, name, unit, method string
	assumptions              []string
	value, n                 []float64
	limits                   func(use []bool, seg []int) (limits []Limits, z []float64, sigma float64, err error)
	rules                    Rules
}

// leastForLimits is the number of points below which limits are provisional
// (common practice: 20 to 25 points before limits are trusted).
const leastForLimits = 20

func (f frame) run(o ChartOptions) (*Chart, error) {
	if len(f.value) < 2 {
		return nil, inputErr("points", len(f.value), "at least 2: one reading shows no spread")
	}
	if o.Labels != nil && len(o.Labels) != len(f.value) {
		return nil, inputErr("labels", len(o.Labels), fmt.Sprintf("one a point, %d", len(f.value)))
	}
	if g := o.Given; g != nil && (!isFinite(g.Centre) || !isFinite(g.Sigma)) {
		return nil, inputErr("given limits", *g, "finite numbers")
	}
	seg, err := segments(len(f.value), o.Restarts)
	if err != nil {
		return nil, err
	}
	if f.rules == 0 {
		f.rules = 1 << RuleBeyondLimit
	}
	run, err := f.rules.ARL(0)
	if err != nil {
		return nil, err
	}
	c := &Chart{Kind: f.kind, Name: f.name, Unit: f.unit, Phase: 1, Method: f.method, Assumptions: f.assumptions,
		Rules: f.rules, RunLength: run, Restarts: o.Restarts, Points: make([]ChartPoint, len(f.value))}
	if o.Given != nil {
		c.Phase = 2
	}
	use := make([]bool, len(f.value))
	for i := range use {
		use[i] = true
		c.Total += f.n[i]
		c.Points[i] = ChartPoint{Label: fmt.Sprint(i + 1), Value: f.value[i], N: f.n[i], Segment: seg[i]}
		if o.Labels != nil {
			c.Points[i].Label = o.Labels[i]
		}
	}
	for round := 1; ; round++ {
		limits, z, sigma, err := f.limits(use, seg)
		if err != nil {
			return nil, err
		}
		for i := range z {
			if l := limits[i]; !isFinite(z[i]) || !isFinite(l.Centre) || l.Upper != nil && !isFinite(*l.Upper) {
				return nil, inputErr(fmt.Sprintf("point %d", i+1), f.value[i], "values whose spread can be computed: mind their unit")
			}
		}
		c.Sigma = sigma
		c.judge(limits, z)
		if c.Phase == 2 || !o.SetAside || !c.setAside(use, seg, round) {
			break
		}
	}
	c.remark(use, seg, o)
	return c, nil
}

func segments(n int, restarts []Restart) ([]int, error) {
	seg := make([]int, n)
	last := 0
	for i, r := range restarts {
		if r.At <= last || r.At >= n {
			return nil, inputErr("restart", r.At, fmt.Sprintf("rising points from 1 to %d", n-1))
		}
		last = r.At
		for j := r.At; j < n; j++ {
			seg[j] = i + 1
		}
	}
	return seg, nil
}

// judge applies the rules, which forget at each restart.
func (c *Chart) judge(limits []Limits, z []float64) {
	var m memory
	for i := range c.Points {
		p := &c.Points[i]
		p.Limits, p.Z = limits[i], z[i]
		if i > 0 && p.Segment != c.Points[i-1].Segment {
			m = memory{}
		}
		beyond := 0
		switch {
		case p.Limits.Upper != nil && p.Value > *p.Limits.Upper:
			beyond = 1
		case p.Limits.Lower != nil && p.Value < *p.Limits.Lower:
			beyond = -1
		}
		m, p.Rules = c.Rules.step(m, zoneOf(z[i], beyond))
	}
}

// setAside leaves the points beyond a limit out of the next estimate, and
// reports whether there were any. A segment keeps at least two points.
func (c *Chart) setAside(use []bool, seg []int, round int) bool {
	left := map[int]int{}
	for i, u := range use {
		if u {
			left[seg[i]]++
		}
	}
	more := false
	for i := range c.Points {
		p := &c.Points[i]
		out := p.Limits.Upper != nil && p.Value > *p.Limits.Upper || p.Limits.Lower != nil && p.Value < *p.Limits.Lower
		if !out || !use[i] || left[seg[i]] <= 2 {
			continue
		}
		use[i], more = false, true
		left[seg[i]]--
		p.SetAside = fmt.Sprintf("beyond a control limit in round %d; find its cause before leaving it out for good", round)
	}
	return more
}

func (c *Chart) remark(use []bool, seg []int, o ChartOptions) {
	if c.Phase == 2 {
		return
	}
	count, aside := map[int]int{}, 0
	for i, u := range use {
		if u {
			count[seg[i]]++
		} else {
			aside++
		}
	}
	for s := 0; s <= len(o.Restarts); s++ {
		if count[s] < leastForLimits {
			c.Notes = append(c.Notes, fmt.Sprintf(
				"Segment %d has %d points: its limits are provisional below %d.", s+1, count[s], leastForLimits))
		}
	}
	if aside > 0 {
		c.Notes = append(c.Notes, fmt.Sprintf("%d of %d points were set aside from the limits.", aside, len(use)))
	}
	if 3*aside > len(use) {
		c.Notes = append(c.Notes, "More than a third of the points were set aside: the process is not stable and these limits mean little.")
	}
}

// chartValues refuses what is not finite or whose sums could overflow.
func chartValues(field string, xs []float64) error {
	if err := finiteAll(field, xs); err != nil {
		return err
	}
	for i, x := range xs {
		if math.Abs(x) > 1e150 {
			return inputErr(fmt.Sprintf("%s[%d]", field, i), x, "within 1e150 of 0")
		}
	}
	return nil
}

// boundAt returns a bound, or none where it would lie below what is possible.
func boundAt(x, least float64) *float64 {
	if x < least {
		return nil
	}
	return &x
}
