package watch

import (
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"
)

// base is what a chart knows of the process in control: the level of the
// present segment and the spread pooled over all segments.
type base struct {
	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	SS   float64 `json:"ss"`
	DF   int     `json:"df"`
}

func (b *base) sd() float64 {
	if b.DF == 0 {
		return 0
	}
	return math.Sqrt(b.SS / float64(b.DF))
}

func (b *base) take(x float64) {
	d := x - b.Mean
	b.N++
	b.Mean += d / float64(b.N)
	if b.N > 1 {
		b.SS += d * (x - b.Mean)
		b.DF++
	}
}

// join takes several subgroups in; the same as taking them one by one.
func (b *base) join(m moments) {
	if m.N == 0 {
		return
	}
	d, n := m.Mean-b.Mean, b.N+m.N
	b.SS += m.M2 + d*d*float64(b.N)*float64(m.N)/float64(n)
	b.DF += m.N
	if b.N == 0 {
		b.DF--
	}
	b.Mean += d * float64(m.N) / float64(n)
	b.N = n
}

// side is one of the two sums, with the base as it was when the sum was last
// near zero: a change, if there is one, began there.
type side struct {
	Sum   float64   `json:"sum"`
	N     int       `json:"n"`     // subgroups since
	Reads int       `json:"reads"` // readings since
	Total float64   `json:"total"` // of x since
	From  base      `json:"from"`
	At    time.Time `json:"at"`
}

// chart is a self-starting chart. Each subgroup is compared with all before it
// in its segment,
//
//	t = (x - mean) / (s sqrt(1 + 1/n)),  q = Phi^-1(T_df(t)),
//
// so that, in control, the q are independent standard normal whatever the mean
// and spread, without a long phase 1; a CUSUM and a limit for single points
// then hold their run lengths. Sources: Hawkins, Journal of Quality Technology
// 19 (1987) 295-299; Quesenberry, same journal 23 (1991) 213-224 (both from
// memory). A segment begins at a restart: the level is learnt anew, the spread
// is kept. The x are shift means, so that spread between ordinary shifts is in
// the limits ("between/within").
type chart struct {
	Base base `json:"base"`
	Up   side `json:"up"`
	Down side `json:"down"`
	// Held are subgroups not yet in the base, because a sum is well on its way:
	// a fault must not hide itself in its own yardstick. They join when the sum
	// has fallen back.
	Held moments `json:"held"`
	// Said is the direction of the last signal since a restart; Times how often
	// it was said, and Quiet the subgroups until it may be said again.
	Said  int `json:"said,omitempty"`
	Times int `json:"times,omitempty"`
	Quiet int `json:"quiet,omitempty"`
}

// restart begins a new segment of which nothing is known.
func (c *chart) restart() {
	c.soften()
	c.Base.N, c.Base.Mean = 0, 0
}

// soften begins a new segment whose level is thought to lie near the one
// before, about as far off as one shift from another: the level before counts
// as one subgroup. So a fault on the very day of a change is not taken for what
// the change brought.
func (c *chart) soften() {
	c.Base.join(c.Held)
	c.Base.N, c.Held = min(c.Base.N, 1), moments{}
	c.Up, c.Down, c.Said, c.Times, c.Quiet = side{}, side{}, 0, 0, 0
}

// The waits between one signal and the same again, in subgroups, double: what
// is known and not mended need not be told each day.
const (
	againFirst = 4
	againMost  = 64
)

// verdictOf is the outcome of one subgroup.
type verdictOf struct {
	dir    int
	before base
	after  float64
	n      int // subgroups since the change
	reads  int
	began  time.Time
	q, p   float64
	again  bool
}

// mostQ bounds what one subgroup can say.
const mostQ = 6.0

// fromT turns a t value into a normal score with the same tail.
func fromT(t float64, df int) float64 {
	tail := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(df)}.Survival(math.Abs(t))
	return math.Copysign(fromTail(tail), t)
}

// fromTail is the normal score with the upper tail p, cut to -mostQ to mostQ.
func fromTail(p float64) float64 {
	if p <= 1e-10 {
		return mostQ
	}
	if p >= 1-1e-10 {
		return -mostQ
	}
	return min(mostQ, max(-mostQ, -distuv.UnitNormal.Quantile(p)))
}

// step takes one subgroup in. The two directions are judged both when twoSided,
// else only upwards.
func (c *chart) step(x float64, reads int, at time.Time, d *Design, baseline int, twoSided bool) verdictOf {
	b := &c.Base
	if b.N == 0 || b.DF < baseline-1 || b.SS <= 0 {
		b.take(x)
		return verdictOf{}
	}
	q := fromT((x-b.Mean)/(b.sd()*math.Sqrt(1+1/float64(b.N))), b.DF)
	h, l := d.H, d.L
	if !twoSided {
		h, l = d.H1, d.L1
	}
	c.Up.step(q, x, reads, at, b, d.K)
	c.Down.step(-q, x, reads, at, b, d.K)
	c.Held.take(x)
	if max(c.Up.Sum, c.Down.Sum) <= h/2 {
		b.join(c.Held)
		c.Held = moments{}
	}
	c.Quiet = max(0, c.Quiet-1)
	switch {
	case c.Up.Sum > h || q > l:
		return c.speak(1, &c.Up, q)
	case twoSided && (c.Down.Sum > h || q < -l):
		return c.speak(-1, &c.Down, q)
	}
	return verdictOf{q: q}
}

func (s *side) step(q, x float64, reads int, at time.Time, b *base, k float64) {
	if s.Sum < k {
		// As good as zero: one subgroup a little off begins no change.
		*s = side{Sum: s.Sum, From: *b, At: at}
	}
	s.N++
	s.Reads += reads
	s.Total += x
	s.Sum = max(0, s.Sum+q-k)
}

// speak makes a signal and forgets what came after the change, so that a
// fault does not become the new normal.
func (c *chart) speak(dir int, s *side, q float64) verdictOf {
	v := verdictOf{dir: dir, before: s.From, after: s.Total / float64(s.N), n: s.N, reads: s.Reads, began: s.At, q: q, again: c.Said == dir}
	v.p = shiftP(v.after-v.before.Mean, v.before.sd(), s.N, v.before.N, v.before.DF)
	c.Base, c.Held = s.From, moments{}
	c.Up, c.Down = side{}, side{}
	if !v.again {
		c.Times, c.Quiet = 0, 0
	}
	c.Said = dir
	if c.Quiet > 0 {
		return verdictOf{q: q}
	}
	c.Quiet = min(againMost, againFirst<<min(c.Times, 8))
	c.Times++
	return v
}

// shiftP is the two-sided p-value of a difference of means of n1 and n0
// subgroups with a common SD.
func shiftP(d, sd float64, n1, n0, df int) float64 {
	if sd <= 0 || n1 == 0 || n0 == 0 || df == 0 {
		return 1
	}
	t := math.Abs(d) / (sd * math.Sqrt(1/float64(n1)+1/float64(n0)))
	return min(1, 2*distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(df)}.Survival(t))
}
