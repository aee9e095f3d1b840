package stat

import (
	"math"

	"gonum.org/v1/gonum/optimize"
	"gonum.org/v1/gonum/stat/distuv"
)

// minimise runs a simplex search; the likelihood is even in each ratio, so the
// boundary at 0 needs no constraint.
func minimise(f func([]float64) float64, start []float64, step, tolerance float64) ([]float64, float64) {
	if len(start) == 0 {
		return start, f(start)
	}
	patience := 20 * len(start)
	if tolerance > 1e-8 {
		patience = 6 * len(start) // a profile point starts near its end
	}
	res, err := optimize.Minimize(optimize.Problem{Func: f}, start, &optimize.Settings{
		FuncEvaluations: 400 * len(start),
		Converger:       &optimize.FunctionConverge{Absolute: tolerance, Iterations: patience},
	}, &optimize.NelderMead{SimplexSize: step})
	if res == nil || (err != nil && res.X == nil) {
		return start, f(start)
	}
	return res.X, res.F
}

// fit finds the ratios of least deviance. Ratios that a zero fits as well are
// set to 0.
func (m *mixed) fit() ([]float64, float64) {
	k := len(m.random)
	var t []float64
	best := math.Inf(1)
	for _, from := range []float64{1, 0.15} {
		x := make([]float64, k)
		for i := range x {
			x[i] = from
		}
		x, _ = minimise(m.deviance, x, 0.5*from, 1e-9)
		x, d := minimise(m.deviance, x, 0.05, 1e-12)
		if d < best-1e-9 {
			t, best = x, d
		}
	}
	for i := range t {
		t[i] = math.Abs(t[i])
	}
	zero := map[int]bool{}
	for i := range t {
		// Near 0 the deviance is a parabola in t: anything of a millionth of a
		// deviance unit is not an estimate but where the search stopped.
		old := t[i]
		t[i] = 0
		if d := m.deviance(t); d <= best+1e-6 {
			best, zero[i] = d, true
		} else {
			t[i] = old
		}
	}
	free := func(x []float64) []float64 {
		full := make([]float64, k)
		j := 0
		for i := range full {
			if !zero[i] {
				full[i] = math.Abs(x[j])
				j++
			}
		}
		return full
	}
	var x []float64
	for i := range t {
		if !zero[i] {
			x = append(x, t[i])
		}
	}
	x, best = minimise(func(x []float64) float64 { return m.deviance(free(x)) }, x, 0.01, 1e-13)
	return free(x), best
}

// profile searches the SDs of component c whose deviance stays within the
// chi-square limit (1 df) of the best. Component len(random) is within.
func (m *mixed) profile(c int, t []float64, within, best, confidence float64) (low, high float64, open bool) {
	limit := distuv.ChiSquared{K: 1}.Quantile(confidence)
	k := len(m.random)
	at := within
	if c < k {
		at = t[c] * within
	}
	warm := append([]float64(nil), t...)
	warmWithin := math.Log(within)
	excess := func(sd float64) float64 {
		var d float64
		if c == k {
			warm, d = minimise(func(x []float64) float64 { return m.devianceAt(x, sd) }, warm, 0.1, 1e-7)
			return d - best - limit
		}
		x := []float64{warmWithin}
		for i, v := range warm {
			if i != c {
				x = append(x, v)
			}
		}
		ratios := func(x []float64) []float64 {
			full := make([]float64, k)
			j := 1
			for i := range full {
				if i == c {
					full[i] = sd / math.Exp(x[0])
					continue
				}
				full[i] = x[j]
				j++
			}
			return full
		}
		x, d = minimise(func(x []float64) float64 { return m.devianceAt(ratios(x), math.Exp(x[0])) }, x, 0.1, 1e-7)
		warm, warmWithin = ratios(x), x[0]
		return d - best - limit
	}
	rewarm := func() { warm, warmWithin = append([]float64(nil), t...), math.Log(within) }

	if at > 0 {
		lo := 0.0
		if c == k {
			lo = at / 1000
		}
		if f := excess(lo); f > 0 {
			rewarm()
			low = crossing(excess, lo, f, at, -limit)
		}
	}
	rewarm()
	from, below, step := at, -limit, 0.5*math.Max(at, 0.2*within)
	for range 30 {
		to := from + step
		f := excess(to)
		if f > 0 {
			return low, crossing(excess, from, below, to, f), false
		}
		from, below, step = to, f, 2*step
	}
	return low, from, true
}

// crossing finds where f, of value fa at a and of the other sign fb at b,
// crosses 0, to a relative 1e-5, by regula falsi with the Illinois weights.
func crossing(f func(float64) float64, a, fa, b, fb float64) float64 {
	for i := range 60 {
		c := b - fb*(b-a)/(fb-fa)
		// A cliff of the likelihood makes the secant useless: halve now and then.
		if i%5 == 4 || !(c > min(a, b) && c < max(a, b)) {
			c = a + (b-a)/2
		}
		if math.Abs(b-a) < 1e-5*math.Abs(b) {
			return c
		}
		fc := f(c)
		switch {
		case math.Abs(fc) < 1e-6:
			return c
		case fc*fb < 0:
			a, fa = b, fb
		default:
			fa /= 2
		}
		b, fb = c, fc
	}
	return b
}

// solve returns the fixed effects with their variances in units of the
// variance within, and the factor that the effects need.
func (m *mixed) solve(t []float64) (solution, bool) {
	s, ok := m.factor(t)
	if !ok {
		return s, false
	}
	w, d := m.q+m.p+1, m.q+m.p
	x := make([]float64, d)
	copy(x, s.chol[(w-1)*w:(w-1)*w+d])
	backward(s.chol, w, x)
	s.fixed = x[m.q:]
	s.fixedVar = make([]float64, m.p)
	for i := range m.p {
		e := make([]float64, d)
		e[m.q+i] = 1
		forward(s.chol, w, e)
		for _, v := range e {
			s.fixedVar[i] += v * v
		}
	}
	return s, true
}

// forward solves L x = b in place, backward L' x = b, over len(x) rows.
func forward(l []float64, w int, x []float64) {
	for i := range x {
		for j := range i {
			x[i] -= l[i*w+j] * x[j]
		}
		x[i] /= l[i*w+i]
	}
}

func backward(l []float64, w int, x []float64) {
	for i := len(x) - 1; i >= 0; i-- {
		x[i] /= l[i*w+i]
		for j := range i {
			x[j] -= l[i*w+j] * x[i]
		}
	}
}

// effects are the BLUPs of all levels with their prediction errors.
func (m *mixed) effects(t []float64, s solution, within, confidence float64) []LevelEffect {
	w, d := m.q+m.p+1, m.q+m.p
	x := make([]float64, d)
	copy(x, s.chol[(w-1)*w:(w-1)*w+d])
	backward(s.chol, w, x)
	z := distuv.UnitNormal.Quantile(0.5 + confidence/2)
	scale := func(col int) float64 {
		if col < m.q {
			return t[m.owner[col]]
		}
		return 1
	}
	var out []LevelEffect
	for k, g := range m.random {
		for l, name := range g.names {
			e := LevelEffect{Factor: g.name, Level: name, N: g.count[l]}
			var u, v float64
			b := make([]float64, d)
			if k != m.absorb {
				u = t[k] * x[m.start[k]+l]
				b[m.start[k]+l] = 1
				forward(s.chol, w, b)
			} else {
				// The absorbed level given the rest: (t r_l - b'x)/d.
				den := t[k]*t[k]*m.diag[l] + 1
				var rhs float64
				for _, c := range m.rows[l] {
					if c.col == w-1 {
						rhs += t[k] * c.v
						continue
					}
					f := t[k] * c.v * scale(c.col)
					rhs -= f * x[c.col]
					b[c.col] = f / den
				}
				u = t[k] * rhs / den
				v = 1 / den
				forward(s.chol, w, b)
			}
			for _, c := range b {
				v += c * c
			}
			e.Effect, e.SE = u, t[k]*within*math.Sqrt(v)
			e.Low, e.High = u-z*e.SE, u+z*e.SE
			out = append(out, e)
		}
	}
	return out
}
