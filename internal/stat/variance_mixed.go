package stat

import (
	"fmt"
	"math"
	"sort"
)

// maxLevels bounds the dense part of the equations; one factor of any size is
// absorbed and does not count.
const maxLevels = 1200

type grouping struct {
	name  string
	names []string // by level
	of    []int    // level of each value
	count []int
}

// entry is one non-zero coefficient of a sparse row.
type entry struct {
	col int
	v   float64
}

// mixed holds the sufficient statistics of a mixed model: counts and sums of
// the values by level and pair of levels. Columns of the dense part are the
// levels of all random factors but the absorbed, then the fixed effects, then
// the values themselves.
type mixed struct {
	n      int
	reml   bool
	centre float64
	random []grouping
	absorb int // the random factor with the most levels
	start  []int
	q, p   int // dense random levels, fixed columns
	owner  []int
	cross  []float64 // (q+p+1)^2 cross products
	diag   []float64 // counts of the absorbed levels
	rows   [][]entry // absorbed level against the dense columns
}

func group(f Factor, n int) (grouping, error) {
	if len(f.Levels) != n {
		return grouping{}, inputErr("levels of "+f.Name, len(f.Levels), fmt.Sprintf("one for each of the %d values", n))
	}
	index := map[string]int{}
	for _, l := range f.Levels {
		index[l] = 0
	}
	g := grouping{name: f.Name, of: make([]int, n)}
	for l := range index {
		g.names = append(g.names, l)
	}
	sort.Strings(g.names)
	for i, l := range g.names {
		index[l] = i
	}
	g.count = make([]int, len(g.names))
	for i, l := range f.Levels {
		g.of[i] = index[l]
		g.count[index[l]]++
	}
	return g, nil
}

// sameSplit reports whether two groupings always change together.
func sameSplit(a, b grouping) bool {
	if len(a.names) != len(b.names) {
		return false
	}
	to := make([]int, len(a.names))
	for i := range to {
		to[i] = -1
	}
	for i, x := range a.of {
		if to[x] >= 0 && to[x] != b.of[i] {
			return false
		}
		to[x] = b.of[i]
	}
	return true
}

func newMixed(values []float64, random, fixed []Factor, reml bool) (*mixed, error) {
	m := &mixed{n: len(values), reml: reml}
	if len(random) == 0 {
		return nil, inputErr("factors", 0, "at least one random factor, such as site")
	}
	if m.n < 3 {
		return nil, inputErr("values", m.n, "at least 3 values")
	}
	if err := finiteAll("values", values); err != nil {
		return nil, err
	}
	for _, f := range random {
		g, err := group(f, m.n)
		if err != nil {
			return nil, err
		}
		switch {
		case len(g.names) < 2:
			return nil, inputErr("levels of "+g.name, len(g.names), "at least 2; leave this factor out")
		case len(g.names) == m.n:
			return nil, inputErr("levels of "+g.name, len(g.names), "fewer levels than values; with one value a level its spread cannot be told from the spread within")
		}
		for _, o := range m.random {
			if sameSplit(o, g) {
				return nil, inputErr("factor "+g.name, "always changing together with "+o.name, "factors that can be told apart; leave one out and read the other as both")
			}
		}
		m.random = append(m.random, g)
	}
	var fixedGroups []grouping
	m.p = 1
	for _, f := range fixed {
		g, err := group(f, m.n)
		if err != nil {
			return nil, err
		}
		if len(g.names) > 1 {
			m.p += len(g.names) - 1
			fixedGroups = append(fixedGroups, g)
		}
	}
	for k, g := range m.random {
		if len(g.names) > len(m.random[m.absorb].names) {
			m.absorb = k
		}
	}
	m.start = make([]int, len(m.random))
	for k, g := range m.random {
		if k == m.absorb {
			continue
		}
		m.start[k] = m.q
		for range g.names {
			m.owner = append(m.owner, k)
		}
		m.q += len(g.names)
	}
	if m.q+m.p > maxLevels {
		return nil, inputErr("levels beside the largest factor", m.q+m.p, fmt.Sprintf("at most %d; split the data or drop a factor", maxLevels))
	}
	if m.n <= m.p+1 {
		return nil, inputErr("values", m.n, fmt.Sprintf("more than the %d means to be estimated", m.p))
	}
	return m, m.accumulate(values, fixedGroups)
}

// accumulate builds the cross products in one pass.
func (m *mixed) accumulate(values []float64, fixed []grouping) error {
	var sum compensated
	for _, v := range values {
		sum.add(v - values[0])
	}
	m.centre = values[0] + sum.value()/float64(m.n)
	w := m.q + m.p + 1
	m.cross = make([]float64, w*w)
	abs := m.random[m.absorb]
	m.diag = make([]float64, len(abs.names))
	sparse := make([]map[int]float64, len(abs.names))
	for i := range sparse {
		sparse[i] = map[int]float64{}
	}
	row := make([]entry, 0, 16)
	for i, v := range values {
		row = row[:0]
		for k, g := range m.random {
			if k != m.absorb {
				row = append(row, entry{m.start[k] + g.of[i], 1})
			}
		}
		row = append(row, entry{m.q, 1})
		at := m.q + 1
		for _, g := range fixed {
			if l := g.of[i]; l > 0 {
				row = append(row, entry{at + l - 1, 1})
			}
			at += len(g.names) - 1
		}
		row = append(row, entry{w - 1, v - m.centre})
		for _, a := range row {
			for _, b := range row {
				m.cross[a.col*w+b.col] += a.v * b.v
			}
			sparse[abs.of[i]][a.col] += a.v
		}
		m.diag[abs.of[i]]++
	}
	m.rows = make([][]entry, len(sparse))
	for i, s := range sparse {
		for c, v := range s {
			m.rows[i] = append(m.rows[i], entry{c, v})
		}
		sort.Slice(m.rows[i], func(a, b int) bool { return m.rows[i][a].col < m.rows[i][b].col })
	}
	if yy := m.cross[w*w-1]; !(yy > 0) || math.IsInf(yy, 0) {
		return inputErr("values", "constant", "values that vary; nothing can be shared out among the factors")
	}
	if _, ok := m.solve(make([]float64, len(m.random))); !ok {
		return inputErr("fixed factors", m.p, "fixed factors that can be told apart; leave one out")
	}
	return nil
}

// df is the divisor of the residual variance.
func (m *mixed) df() float64 {
	if m.reml {
		return float64(m.n - m.p)
	}
	return float64(m.n)
}

// solution of the mixed-model equations at given ratios t.
type solution struct {
	rss, logdet     float64
	chol            []float64 // lower factor, (q+p+1)^2
	fixed, fixedVar []float64
}

// factor absorbs the largest factor and takes the Cholesky factor of the rest.
// The last pivot is the penalised residual sum of squares.
func (m *mixed) factor(t []float64) (solution, bool) {
	w := m.q + m.p + 1
	a := make([]float64, w*w)
	scale := make([]float64, w)
	for i := range scale {
		scale[i] = 1
		if i < m.q {
			scale[i] = t[m.owner[i]]
		}
	}
	for i := range w {
		for j := 0; j <= i; j++ {
			a[i*w+j] = m.cross[i*w+j] * scale[i] * scale[j]
		}
		if i < m.q {
			a[i*w+i]++
		}
	}
	s := solution{}
	ta := t[m.absorb]
	for l, row := range m.rows {
		d := ta*ta*m.diag[l] + 1
		s.logdet += math.Log(d)
		if ta == 0 {
			continue
		}
		for i, x := range row {
			xv := x.v * scale[x.col] * ta * ta / d
			if xv == 0 {
				continue
			}
			for _, y := range row[:i+1] {
				a[x.col*w+y.col] -= xv * y.v * scale[y.col]
			}
		}
	}
	for i := range w {
		ri := a[i*w : i*w+i+1]
		for j := 0; j <= i; j++ {
			rj := a[j*w : j*w+j+1]
			v := ri[j]
			for k := range j {
				v -= ri[k] * rj[k]
			}
			if j < i {
				ri[j] = v / rj[j]
				continue
			}
			if i == w-1 {
				s.rss = v
				break
			}
			if !(v > 1e-11*(m.cross[i*w+i]*scale[i]*scale[i])) {
				return s, false
			}
			ri[i] = math.Sqrt(v)
			if i < m.q || m.reml {
				s.logdet += math.Log(v)
			}
		}
	}
	s.chol = a
	return s, s.rss > 0
}

// deviance is -2 log likelihood with the residual variance profiled out.
func (m *mixed) deviance(t []float64) float64 {
	s, ok := m.factor(t)
	if !ok {
		return math.MaxFloat64
	}
	df := m.df()
	return s.logdet + df*(1+math.Log(2*math.Pi*s.rss/df))
}

// devianceAt is -2 log likelihood at ratios t and a given spread within.
func (m *mixed) devianceAt(t []float64, within float64) float64 {
	s, ok := m.factor(t)
	if !ok || !(within > 0) {
		return math.MaxFloat64
	}
	return s.logdet + m.df()*math.Log(2*math.Pi*within*within) + s.rss/(within*within)
}
