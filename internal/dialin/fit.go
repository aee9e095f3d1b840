package dialin

import "math"

// fit is the line y = level + slope x by recursive least squares, in
// square-root information form: R (level, slope) = z, R upper triangular.
// An R of zeros is a flat prior, and then the answers are those of ordinary
// least squares. Source: Bierman, Factorization Methods for Discrete Sequential
// Estimation, 1977 (from memory).
//
// Noise has one unknown variance s²; all variances below are in units of it.
// SS and DF hold the sum of squares and its degrees of freedom, so that a
// prediction is Student's t. With a prior (normal and inverse gamma) it is the
// conjugate Bayesian linear regression.
type fit struct {
	R11 float64 `json:"r11"`
	R12 float64 `json:"r12"`
	R22 float64 `json:"r22"`
	Z1  float64 `json:"z1"`
	Z2  float64 `json:"z2"`
	SS  float64 `json:"ss"`
	DF  float64 `json:"df"`
}

// newFit starts from a prior: means and standard deviations of level and slope,
// and a noise standard deviation s0 worth df0 shots.
func newFit(level, levelSD, slope, slopeSD, s0, df0 float64) fit {
	f := fit{R11: s0 / levelSD, R22: s0 / slopeSD, SS: df0 * s0 * s0, DF: df0}
	f.Z1, f.Z2 = f.R11*level, f.R22*slope
	return f
}

// add takes in one observation whose noise variance is s² share/w and which
// counts for a share of one, above 0 to 1 (its likelihood to that power), by two
// Givens rotations.
func (f *fit) add(x, y, w, share float64) {
	if w <= 0 {
		return
	}
	root := math.Sqrt(w)
	a, b, v := root, root*x, root*y
	if f.R11 == 0 {
		f.R11, f.R12, f.Z1 = a, b, v
		return
	}
	r := math.Hypot(f.R11, a)
	c, s := f.R11/r, a/r
	f.R11 = r
	f.R12, b = c*f.R12+s*b, c*b-s*f.R12
	f.Z1, v = c*f.Z1+s*v, c*v-s*f.Z1
	// A second shot at the one setting says nothing about the slope; what
	// rounding leaves of b must not be taken for knowledge.
	if math.Abs(b) <= 1e-12*root*(1+math.Abs(x)) {
		b = 0
	}
	switch {
	case f.R22 == 0 && b != 0:
		f.R22, f.Z2 = b, v
		return
	case b != 0:
		r = math.Hypot(f.R22, b)
		c, s = f.R22/r, b/r
		f.R22 = r
		f.Z2, v = c*f.Z2+s*v, c*v-s*f.Z2
	}
	f.SS += v * v
	f.DF += share
}

// drift lets the level wander by the variance q, in units of s².
func (f *fit) drift(q float64) {
	c := 1 / math.Sqrt(1+q*f.R11*f.R11)
	f.R11, f.R12, f.Z1 = c*f.R11, c*f.R12, c*f.Z1
}

// newLevel forgets the level and keeps the slope with its variance times widen.
// r11 and z1 are the level's prior; both zero for a flat one.
func (f *fit) newLevel(widen, r11, z1 float64) {
	f.R11, f.R12, f.Z1 = r11, 0, z1
	f.R22 /= math.Sqrt(widen)
	f.Z2 /= math.Sqrt(widen)
}

// known is true when both level and slope are determined.
func (f *fit) known() bool { return f.R11 != 0 && f.R22 != 0 }

// line returns level and slope; f must be known.
func (f *fit) line() (level, slope float64) {
	slope = f.Z2 / f.R22
	return (f.Z1 - f.R12*slope) / f.R11, slope
}

// noise returns the variance of one shot; zero without degrees of freedom.
func (f *fit) noise() float64 {
	if f.DF <= 0 {
		return 0
	}
	return f.SS / f.DF
}

// at returns the mean at x and its variance in units of s²; f must be known.
func (f *fit) at(x float64) (mean, variance float64) {
	level, slope := f.line()
	u1 := 1 / f.R11
	u2 := (x - f.R12*u1) / f.R22
	return level + slope*x, u1*u1 + u2*u2
}

// slopeVariance in units of s².
func (f *fit) slopeVariance() float64 { return 1 / (f.R22 * f.R22) }

func (f *fit) finite() bool {
	for _, v := range [...]float64{f.R11, f.R12, f.R22, f.Z1, f.Z2, f.SS, f.DF} {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return f.SS >= 0 && f.DF >= 0
}

// sane is true when the line drawn by a known fit is of this world: a state from
// outside may hold numbers that are finite and whose quotients are not.
func (f *fit) sane() bool {
	level, slope := f.line()
	_, v := f.at(1)
	for _, x := range [...]float64{level, slope, v, f.slopeVariance()} {
		if !(math.Abs(x) < 1e12) {
			return false
		}
	}
	return true
}
