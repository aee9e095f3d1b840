package cup

import (
	"fmt"
	"math"
)

// Fill is one weighed fill: volumeML reached depthMM above the base.
type Fill struct{ DepthMM, VolumeML float64 }

// Table is a vessel known by weighed fills, the brim last. Between fills the
// volume is a monotone cubic: F. N. Fritsch and R. E. Carlson, "Monotone
// Piecewise Cubic Interpolation", SIAM J. Numer. Anal. 17 (1980) 238-246 (from
// memory), with three-point starting slopes. It never falls between rising
// fills, which an ordinary cubic spline may.
//
// Area and Width are the slope of that curve, so they carry the error of the
// fills several times over: use them to compare, and Rim for the rim.
type Table struct {
	depth, volume, slope []float64 // slope is ml per mm
	rimMM                float64
}

const (
	fewestFills = 3
	mostFills   = 200
	leastStepMM = 0.01  // closer depths are one reading twice
	leastStepML = 1e-6  // keeps slope ratios finite
	mostML      = 1e12  // the 10 m cube, as mostMM
	tolerance   = 1e-13 // of the volume, where Newton stops
)

// NewTable makes a vessel from 3 to 200 fills in rising order, the last to the
// brim, and the inner rim diameter in mm, which no fill shows. An empty vessel
// (0 mm, 0 ml) is put first when it is not given. Depths rise by at least
// 0.01 mm and volumes by at least 0.000001 ml.
func NewTable(fills []Fill, rimMM float64) (Table, error) {
	if !(rimMM > 0 && rimMM <= mostMM) {
		return Table{}, fmt.Errorf("%w: rim %g mm; it must be above 0 and at most %d mm: measure across the lip, inside", ErrShape, rimMM, mostMM)
	}
	t := Table{depth: []float64{0}, volume: []float64{0}, rimMM: rimMM}
	for i, f := range fills {
		if i == 0 && f == (Fill{}) {
			continue
		}
		prevMM, prevML := last(t.depth), last(t.volume)
		if !(f.DepthMM >= prevMM+leastStepMM && f.DepthMM <= mostMM) {
			return Table{}, fmt.Errorf("%w: fill %d: depth %g mm; it must be at least %g mm above the %g mm before it and at most %d mm: list fills from the lowest up",
				ErrShape, i+1, f.DepthMM, leastStepMM, prevMM, mostMM)
		}
		if !(f.VolumeML >= prevML+leastStepML && f.VolumeML <= mostML) {
			return Table{}, fmt.Errorf("%w: fill %d: volume %g ml; it must be at least %g ml above the %g ml before it and at most %g ml: weigh this fill again",
				ErrShape, i+1, f.VolumeML, leastStepML, prevML, float64(mostML))
		}
		t.depth, t.volume = append(t.depth, f.DepthMM), append(t.volume, f.VolumeML)
	}
	if n := len(t.depth) - 1; n < fewestFills || n > mostFills {
		return Table{}, fmt.Errorf("%w: %d fills above the empty vessel; give %d to %d, the last to the brim", ErrShape, n, fewestFills, mostFills)
	}
	t.slope = monotoneSlopes(t.depth, t.volume)
	return t, nil
}

// monotoneSlopes gives each knot a slope that keeps every interval's cubic
// rising. x and y both rise strictly and have at least three knots.
func monotoneSlopes(x, y []float64) []float64 {
	n := len(x) - 1
	step, secant := make([]float64, n), make([]float64, n)
	for i := range n {
		step[i] = x[i+1] - x[i]
		secant[i] = (y[i+1] - y[i]) / step[i]
	}
	m := make([]float64, n+1)
	for i := 1; i < n; i++ {
		m[i] = (step[i]*secant[i-1] + step[i-1]*secant[i]) / (step[i-1] + step[i])
	}
	end := func(h0, h1, s0, s1 float64) float64 {
		return math.Max(((2*h0+h1)*s0-h0*s1)/(h0+h1), 0)
	}
	m[0] = end(step[0], step[1], secant[0], secant[1])
	m[n] = end(step[n-1], step[n-2], secant[n-1], secant[n-2])
	// Inside the circle of radius 3 the cubic is sure to be monotone.
	for i := range n {
		a, b := m[i]/secant[i], m[i+1]/secant[i]
		if r := math.Hypot(a, b); r > 3 {
			m[i], m[i+1] = 3*a/r*secant[i], 3*b/r*secant[i]
		}
	}
	return m
}

// Height is the inner height, mm: the depth of the last fill.
func (t Table) Height() float64 { return last(t.depth) }

// Brim is the volume to the lip, ml: the last fill.
func (t Table) Brim() float64 { return last(t.volume) }

// Rim is the inner diameter at the lip, mm, as measured.
func (t Table) Rim() float64 { return t.rimMM }

// Fills is a copy of the fills, the empty vessel first.
func (t Table) Fills() []Fill {
	out := make([]Fill, len(t.depth))
	for i := range out {
		out[i] = Fill{t.depth[i], t.volume[i]}
	}
	return out
}

// Volume is what stands in the vessel, ml, filled to depthMM.
func (t Table) Volume(depthMM float64) (float64, error) {
	if err := t.holds(depthMM); err != nil {
		return 0, err
	}
	v, _ := t.cubic(rank(t.depth, depthMM), depthMM)
	return v, nil
}

// Area is the surface, mm², of a fill to depthMM: the slope of the curve. It may
// be 0 at the very base, where the fills look like a point.
func (t Table) Area(depthMM float64) (float64, error) {
	if err := t.holds(depthMM); err != nil {
		return 0, err
	}
	_, slope := t.cubic(rank(t.depth, depthMM), depthMM)
	return slope * mm3PerML, nil
}

// Width is the inner diameter, mm, of the circle of that Area.
func (t Table) Width(depthMM float64) (float64, error) {
	area, err := t.Area(depthMM)
	if err != nil {
		return 0, err
	}
	return math.Sqrt(4 * area / math.Pi), nil
}

// Depth is how high volumeML stands, mm, by safeguarded Newton.
func (t Table) Depth(volumeML float64) (float64, error) {
	if len(t.depth) == 0 {
		return 0, errEmpty
	}
	if !(volumeML >= 0 && volumeML <= t.Brim()*(1+1e-12)) {
		return 0, within("volume", volumeML, t.Brim(), "ml")
	}
	if volumeML >= t.Brim() {
		return t.Height(), nil
	}
	i := rank(t.volume, volumeML)
	if volumeML == t.volume[i] {
		return t.depth[i], nil
	}
	return invert(volumeML, t.depth[i], t.depth[i+1], func(h float64) (float64, float64) { return t.cubic(i, h) }), nil
}

func (t Table) holds(depthMM float64) error {
	if len(t.depth) == 0 {
		return errEmpty
	}
	return within("depth", depthMM, t.Height(), "mm")
}

// cubic is volume, ml, and slope, ml per mm, in interval i.
func (t Table) cubic(i int, depthMM float64) (volume, slope float64) {
	width, rise := t.depth[i+1]-t.depth[i], t.volume[i+1]-t.volume[i]
	u := (depthMM - t.depth[i]) / width
	// Bernstein's form adds no negative terms, so the foot of a pointed vessel
	// keeps its digits. The circle above keeps b1 and b2 within 0 to 1.
	b1 := min(t.slope[i]*width/(3*rise), 1)
	b2 := max(1-t.slope[i+1]*width/(3*rise), 0)
	w := 1 - u
	part := u * (3*b1*w*w + u*(3*b2*w+u))
	steep := 3 * (b1*w*w + 2*(b2-b1)*u*w + (1-b2)*u*u)
	// Rounding may step a hair outside what the mathematics keeps to.
	return min(t.volume[i]+rise*part, t.volume[i+1]), max(steep*rise/width, 0)
}

// invert finds x in [lo, hi] where a rising f comes to y, by Newton's step while
// it stays inside the bracket and by bisection when it does not.
func invert(y, lo, hi float64, f func(float64) (value, slope float64)) float64 {
	x := lo + (hi-lo)/2
	for range 1200 { // halvings to the smallest number there is
		value, slope := f(x)
		if math.Abs(value-y) <= tolerance*y {
			return x
		}
		if value < y {
			lo = x
		} else {
			hi = x
		}
		next := x - (value-y)/slope // slope 0 gives an infinity, which bisects
		if !(next > lo && next < hi) {
			next = lo + (hi-lo)/2
		}
		if next == x || next == lo || next == hi {
			return next
		}
		x = next
	}
	return x
}
