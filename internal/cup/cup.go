// Package cup answers one question: how much does this vessel hold up to here,
// and how high does that much stand in it?
//
// A vessel is most often taken as a frustum of a cone (Profile): flat base,
// straight wall. Real cups have a rounded base, so diameters should be fitted to
// weighed fills (FitFrustum), or the fills themselves kept (Table). Sections is
// for a vessel whose wall has corners. All are a Shape, and the questions about
// rim gap and froth are asked of any Shape.
//
// Depths are inner depths above the base in mm, volumes in ml, areas in mm².
package cup

import (
	"errors"
	"fmt"
	"math"
)

// ErrShape is returned for a vessel that cannot exist.
var ErrShape = errors.New("impossible vessel shape")

// ErrRange is returned for a depth or a volume outside the vessel.
var ErrRange = errors.New("outside the vessel")

// errEmpty is the answer of a vessel that no constructor made.
var errEmpty = fmt.Errorf("%w: no dimensions; make the vessel with one of this package's constructors", ErrShape)

// mm³ in a millilitre.
const mm3PerML = 1000

// Profile is the inner shape of a vessel: diameters and height in millimetres.
type Profile struct{ baseMM, topMM, heightMM float64 }

// mostMM, ten metres, is the longest length taken: it keeps every product finite.
const mostMM = 10_000

// New makes a profile of inner base diameter, inner top diameter and inner
// height, each in mm. The base may be zero (a cone); top and height may not. The
// top may be narrower than the base; ask Opens where that is not allowed.
func New(baseMM, topMM, heightMM float64) (Profile, error) {
	if !(baseMM >= 0 && baseMM <= mostMM) || !(topMM > 0 && topMM <= mostMM) || !(heightMM > 0 && heightMM <= mostMM) {
		return Profile{}, fmt.Errorf("%w: base %g mm, top %g mm, height %g mm; each must be above 0 (a base may be 0) and at most %d mm",
			ErrShape, baseMM, topMM, heightMM, mostMM)
	}
	return Profile{baseMM, topMM, heightMM}, nil
}

// Height is the inner height, mm; 0 for the zero Profile, which is no vessel.
func (p Profile) Height() float64 { return p.heightMM }

// Brim is the volume to the lip, mL.
func (p Profile) Brim() float64 { return p.volume(p.heightMM) }

// volume is the frustum formula V = πh(d² + dx + x²)/12 with x the diameter at h.
func (p Profile) volume(depthMM float64) float64 {
	x := p.baseMM + (p.topMM-p.baseMM)*(depthMM/p.heightMM)
	return math.Pi * depthMM * (p.baseMM*p.baseMM + p.baseMM*x + x*x) / 12 / mm3PerML
}

// Volume is what stands in the vessel, mL, when filled to depthMM above the
// base. It fails with ErrRange for a depth below 0 or above the lip.
func (p Profile) Volume(depthMM float64) (float64, error) {
	if p.heightMM <= 0 {
		return 0, errEmpty
	}
	if !(depthMM >= 0 && depthMM <= p.heightMM) {
		return 0, fmt.Errorf("depth %g mm: %w of 0 to %g mm", depthMM, ErrRange, p.heightMM)
	}
	return p.volume(depthMM), nil
}

// Depth is how high volumeML stands above the base, mm. It fails with ErrRange
// for a volume below 0 or above the brim.
func (p Profile) Depth(volumeML float64) (float64, error) {
	if p.heightMM <= 0 {
		return 0, errEmpty
	}
	brim := p.Brim()
	// A volume computed by Volume(height) may exceed the brim by a rounding.
	if !(volumeML >= 0 && volumeML <= brim*(1+1e-12)) {
		return 0, fmt.Errorf("volume %g ml: %w of 0 to %g ml", volumeML, ErrRange, brim)
	}
	if volumeML == 0 {
		return 0, nil
	}
	if volumeML >= brim {
		return p.heightMM, nil
	}
	// x³ - d³ = k(D - d) with k = 12V/(πH); dividing by x - d gives a form that
	// stays exact for straight walls.
	d := p.baseMM
	k := 12 * volumeML * mm3PerML / (math.Pi * p.heightMM)
	x := math.Cbrt(d*d*d + k*(p.topMM-d))
	if x < 0 {
		x = 0
	}
	sum := x*x + x*d + d*d
	if sum == 0 {
		return 0, nil
	}
	return math.Min(p.heightMM*k/sum, p.heightMM), nil
}

// Cap is the volume, mL, of a dome that stands aboveMM over the lip: a
// spherical cap on the rim. It fails with ErrRange below 0 or above the rim's
// radius, where no dome of froth stands. It is CapVolume on this rim.
func (p Profile) Cap(aboveMM float64) (float64, error) {
	return CapVolume(p.topMM, aboveMM)
}

// Layer is the depth, mm, of layerML lying just below the surface of a fill of
// filledML. It is not volume over area: walls slope. It is LayerDepth of this
// profile.
func (p Profile) Layer(filledML, layerML float64) (float64, error) {
	return LayerDepth(p, filledML, layerML)
}
