package cup

import (
	"errors"
	"fmt"
	"math"
)

// ErrFit is returned when weighed fills do not settle the dimensions asked for.
var ErrFit = errors.New("the fills do not settle the shape")

// Measured is what a ruler gave, mm. A 0 is unknown and is fitted.
type Measured struct{ BaseMM, TopMM, HeightMM float64 }

// Fitted is a frustum laid through weighed fills.
type Fitted struct {
	Profile Profile
	// ResidualML is, fill by fill, weighed volume less the frustum's.
	ResidualML []float64
	// RMSML is the root mean square of the residuals. With as many unknowns as
	// fills it says nothing of the fit: Spare is 0.
	RMSML float64
	// Spare is fills less unknowns.
	Spare int
}

// FitFrustum finds the unknown dimensions (0 in known) by least squares on the
// volumes of three or more weighed fills of water at tempC °C. An unknown height
// needs a fill AtBrim and two lower ones at stated depths.
//
// A large residual near the base is a rounded base: keep the fills as a Table.
// ErrFit when the fills cannot tell the unknowns apart (all at one depth, say)
// or fit no frustum; ErrRange or ErrShape for an input that cannot be.
func FitFrustum(fills []Weighed, tempC float64, known Measured) (Fitted, error) {
	f, err := newFit(fills, tempC, known)
	if err != nil {
		return Fitted{}, err
	}
	if err := f.settle(); err != nil {
		return Fitted{}, err
	}
	p, err := New(f.size[base], f.size[top], f.size[height])
	if err != nil {
		return Fitted{}, fmt.Errorf("%w: %w", ErrFit, err)
	}
	out := Fitted{Profile: p, ResidualML: make([]float64, len(f.fills)), Spare: len(f.fills) - len(f.free)}
	for i := range f.fills {
		v, _ := f.model(f.size, i)
		out.ResidualML[i] = f.fills[i].VolumeML - v
	}
	out.RMSML = math.Sqrt(f.cost(f.size) / float64(len(f.fills)))
	return out, nil
}

// The places of the three dimensions in a size.
const (
	base = iota
	top
	height
)

type size = [3]float64

type fit struct {
	fills []Fill // a DepthMM of 0 is a fill to an unknown height
	size  size
	free  []int // which dimensions are fitted
}

func newFit(weighed []Weighed, tempC float64, known Measured) (*fit, error) {
	f := &fit{size: size{known.BaseMM, known.TopMM, known.HeightMM}}
	for i, name := range [...]string{"base", "top", "height"} {
		if v := f.size[i]; v == 0 {
			f.free = append(f.free, i)
		} else if !(v > 0 && v <= mostMM) {
			return nil, fmt.Errorf("%w: %s %g mm; it must be above 0 and at most %d mm, or 0 for unknown", ErrShape, name, v, mostMM)
		}
	}
	if len(f.free) == 0 {
		return nil, fmt.Errorf("%w: base, top and height are all known; leave at least one at 0", ErrFit)
	}
	if len(weighed) < 3 || len(weighed) > mostFills {
		return nil, fmt.Errorf("%w: %d fills; give 3 to %d", ErrFit, len(weighed), mostFills)
	}
	deepest, brimML := Fill{}, 0.0
	for i, w := range weighed {
		ml, err := WaterML(w.Grams, tempC)
		if err != nil {
			return nil, fmt.Errorf("fill %d: %w", i+1, err)
		}
		depthMM := w.DepthMM
		if w.AtBrim {
			depthMM, brimML = known.HeightMM, ml
		} else if !(depthMM > 0.01 && depthMM <= mostMM) {
			return nil, fmt.Errorf("fill %d: depth %g mm: %w; it must be above 0.01 and at most %d mm", i+1, depthMM, ErrRange, mostMM)
		} else if known.HeightMM > 0 && depthMM > known.HeightMM {
			return nil, fmt.Errorf("fill %d: depth %g mm: %w of 0 to the height, %g mm", i+1, depthMM, ErrRange, known.HeightMM)
		}
		f.fills = append(f.fills, Fill{DepthMM: depthMM, VolumeML: ml})
		if depthMM > deepest.DepthMM {
			deepest = Fill{DepthMM: depthMM, VolumeML: ml}
		}
	}
	if known.HeightMM == 0 && brimML == 0 {
		return nil, fmt.Errorf("%w: the height is unknown and no fill goes to the brim; measure the height or weigh a brim fill", ErrFit)
	}
	if deepest.DepthMM == 0 {
		return nil, fmt.Errorf("%w: every fill goes to the brim; weigh two lower fills at depths you measure", ErrFit)
	}
	// Start from the cylinder that the deepest measured fill would make.
	wide := math.Sqrt(4 * deepest.VolumeML * mm3PerML / (math.Pi * deepest.DepthMM))
	tall := deepest.DepthMM
	if brimML > deepest.VolumeML {
		tall *= brimML / deepest.VolumeML
	}
	start := size{wide, wide, tall}
	for _, j := range f.free {
		f.size[j] = math.Min(start[j], mostMM)
	}
	return f, nil
}

// model is fill i's volume, ml, in a frustum of s, and its slope by each dimension.
func (f *fit) model(s size, i int) (float64, size) {
	d, D, H := s[base], s[top], s[height]
	h, t := f.fills[i].DepthMM, 0.0
	toBrim := h == 0
	if toBrim {
		h = H
	}
	t = h / H
	x := d + (D-d)*t
	k := math.Pi / 12 / mm3PerML
	byX := k * h * (d + 2*x)
	g := size{k*h*(2*d+x) + byX*(1-t), byX * t, -byX * (D - d) * t / H}
	v := k * h * (d*d + d*x + x*x)
	if toBrim {
		g[height] = v / H // the level rises with the rim
	}
	return v, g
}

func (f *fit) cost(s size) float64 {
	var sum float64
	for i := range f.fills {
		v, _ := f.model(s, i)
		sum += (f.fills[i].VolumeML - v) * (f.fills[i].VolumeML - v)
	}
	return sum
}

// settle runs Levenberg and Marquardt's damped least squares from the start,
// then asks whether the answer is the only one.
func (f *fit) settle() error {
	var scale float64
	for _, w := range f.fills {
		scale += w.VolumeML * w.VolumeML
	}
	cost, damp := f.cost(f.size), 1e-3
	for range 500 {
		if cost <= 1e-28*scale || damp > 1e20 {
			break
		}
		normal, grad := f.normal()
		for i := range grad {
			normal[i][i] *= 1 + damp
		}
		step, _, ok := solve(normal, grad)
		next := f.size
		for i, j := range f.free {
			// A dimension stays a length while the search runs.
			next[j] = math.Min(math.Max(f.size[j]+step[i], f.size[j]/10), mostMM)
		}
		c := f.cost(next)
		if !ok || !(c < cost) {
			damp *= 4
			continue
		}
		f.size, cost, damp = next, c, math.Max(damp/5, 1e-15)
	}
	if rms := math.Sqrt(cost / scale); !(rms <= 0.1) {
		return fmt.Errorf("%w: the best frustum misses the fills by %.0f %% of their volume; check depths and grams, and that the scale was tared", ErrFit, 100*rms)
	}
	normal, grad := f.normal()
	if _, least, ok := solve(normal, grad); !ok || least < 1e-10 {
		return fmt.Errorf("%w: they cannot tell the unknown dimensions apart; spread the fills over the depth, or measure one more dimension", ErrFit)
	}
	return nil
}

// normal is JᵀJ and Jᵀr over the free dimensions.
func (f *fit) normal() ([3][3]float64, []float64) {
	var n [3][3]float64
	grad := make([]float64, len(f.free))
	for i := range f.fills {
		v, g := f.model(f.size, i)
		r := f.fills[i].VolumeML - v
		for a, ja := range f.free {
			grad[a] += g[ja] * r
			for b, jb := range f.free {
				n[a][b] += g[ja] * g[jb]
			}
		}
	}
	return n, grad
}

// solve is Cholesky's method on the leading len(y) rows of n, each scaled to a
// unit diagonal. least is the smallest pivot: how far the rows are from being
// one another, 1 for quite apart.
func solve(n [3][3]float64, y []float64) (x [3]float64, least float64, ok bool) {
	m := len(y)
	var unit, l [3][3]float64
	var s [3]float64
	for i := range m {
		if s[i] = math.Sqrt(n[i][i]); !(s[i] > 0) || math.IsInf(s[i], 0) {
			return x, 0, false
		}
	}
	least = 1
	for i := range m {
		for j := range i + 1 {
			unit[i][j] = n[i][j] / (s[i] * s[j])
			for k := range j {
				unit[i][j] -= l[i][k] * l[j][k]
			}
			if i != j {
				l[i][j] = unit[i][j] / l[j][j]
				continue
			}
			if !(unit[i][i] > 0) {
				return x, 0, false
			}
			least = math.Min(least, unit[i][i])
			l[i][i] = math.Sqrt(unit[i][i])
		}
	}
	for i := range m {
		x[i] = y[i] / s[i]
		for k := range i {
			x[i] -= l[i][k] * x[k]
		}
		x[i] /= l[i][i]
	}
	for i := m - 1; i >= 0; i-- {
		for k := i + 1; k < m; k++ {
			x[i] -= l[k][i] * x[k]
		}
		x[i] /= l[i][i]
	}
	for i := range m {
		x[i] /= s[i]
	}
	return x, least, true
}
