// Package cup answers one question: how much does this vessel hold up to here,
// and how high does that much stand in it?
//
// A vessel is taken as a frustum of a cone: flat base, straight wall. Real cups
// have a rounded base, so diameters should be fitted to weighed fills.
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

// mm³ in a millilitre.
const mm3PerML = 1000

// Profile is the inner shape of a vessel: diameters and height in millimetres.
type Profile struct{ baseMM, topMM, heightMM float64 }

// New makes a profile of inner base diameter, inner top diameter and inner
// height, each in mm. The base may be zero (a cone); top and height may not.
func New(baseMM, topMM, heightMM float64) (Profile, error) {
	const mostMM = 10_000 // ten metres: keeps every product finite
	if !(baseMM >= 0 && baseMM <= mostMM) || !(topMM > 0 && topMM <= mostMM) || !(heightMM > 0 && heightMM <= mostMM) {
		return Profile{}, fmt.Errorf("%w: base %g mm, top %g mm, height %g mm; each must be above 0 (a base may be 0) and at most %d mm",
			ErrShape, baseMM, topMM, heightMM, mostMM)
	}
	return Profile{baseMM, topMM, heightMM}, nil
}

// Height is the inner height, mm.
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
		return 0, ErrShape
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
		return 0, ErrShape
	}
	brim := p.Brim()
	// A volume computed by Volume(height) may exceed the brim by a rounding.
	if !(volumeML >= 0 && volumeML <= brim*(1+1e-12)) {
		return 0, fmt.Errorf("volume %g ml: %w of 0 to %g ml", volumeML, ErrRange, brim)
	}
	if volumeML == 0 {
		return 0, nil
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
// radius, where no dome of froth stands.
func (p Profile) Cap(aboveMM float64) (float64, error) {
	r := p.topMM / 2
	if !(aboveMM >= 0 && aboveMM <= r) {
		return 0, fmt.Errorf("%g mm above the rim: %w of 0 to %g mm", aboveMM, ErrRange, r)
	}
	return math.Pi * aboveMM * (3*r*r + aboveMM*aboveMM) / 6 / mm3PerML, nil
}

// Layer is the depth, mm, of layerML lying just below the surface of a fill of
// filledML. It is not volume over area: walls slope.
func (p Profile) Layer(filledML, layerML float64) (float64, error) {
	top, err := p.Depth(filledML)
	if err != nil {
		return 0, fmt.Errorf("fill level: %w", err)
	}
	foot := filledML - layerML
	if foot < 0 && foot > -1e-9*p.Brim() {
		foot = 0 // a layer as deep as the fill, give or take a rounding
	}
	bottom, err := p.Depth(foot)
	if err != nil {
		return 0, fmt.Errorf("foot of the layer: %w", err)
	}
	return top - bottom, nil
}
