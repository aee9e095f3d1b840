package cup

import (
	"fmt"
	"math"
)

// Shape is the inside of a vessel, however it is known. Every error is an
// ErrRange for a value outside the vessel or an ErrShape for no vessel at all.
type Shape interface {
	// Height is the inner height, mm.
	Height() float64
	// Rim is the inner diameter at the lip, mm.
	Rim() float64
	// Brim is the volume to the lip, ml.
	Brim() float64
	// Volume is what stands in the vessel, ml, filled to depthMM.
	Volume(depthMM float64) (float64, error)
	// Depth is how high volumeML stands, mm: Volume undone to 1e-9 of itself.
	Depth(volumeML float64) (float64, error)
	// Area is the surface of a fill, mm², at depthMM: the slope of Volume.
	Area(depthMM float64) (float64, error)
	// Width is the inner diameter of the wall, mm, at depthMM.
	Width(depthMM float64) (float64, error)
}

var (
	_ Shape = Profile{}
	_ Shape = Sections{}
	_ Shape = Table{}
)

// NewCylinder makes a straight-walled vessel of inner diameter and height, mm.
func NewCylinder(diameterMM, heightMM float64) (Profile, error) {
	p, err := New(diameterMM, diameterMM, heightMM)
	if err != nil {
		return Profile{}, fmt.Errorf("cylinder: %w", err)
	}
	return p, nil
}

// Base is the inner diameter at the base, mm.
func (p Profile) Base() float64 { return p.baseMM }

// Rim is the inner diameter at the lip, mm.
func (p Profile) Rim() float64 { return p.topMM }

// Opens fails with ErrShape when the top is narrower than the base. Such a
// vessel can exist, but it neither nests nor takes a pour of froth, so a book
// may refuse it; the usual cause is base and top written the wrong way round.
func (p Profile) Opens() error {
	if p.topMM < p.baseMM {
		return fmt.Errorf("%w: top %g mm is narrower than base %g mm; it must be at least the base: are the two swapped?",
			ErrShape, p.topMM, p.baseMM)
	}
	return nil
}

// Width is the inner diameter, mm, at depthMM; ErrRange outside the vessel.
func (p Profile) Width(depthMM float64) (float64, error) {
	if p.heightMM <= 0 {
		return 0, errEmpty
	}
	if err := within("depth", depthMM, p.heightMM, "mm"); err != nil {
		return 0, err
	}
	return p.width(depthMM), nil
}

func (p Profile) width(depthMM float64) float64 {
	return p.baseMM + (p.topMM-p.baseMM)*(depthMM/p.heightMM)
}

// Area is the surface, mm², of a fill to depthMM; ErrRange outside the vessel.
func (p Profile) Area(depthMM float64) (float64, error) {
	x, err := p.Width(depthMM)
	if err != nil {
		return 0, err
	}
	return disc(x), nil
}

// disc is the area, mm², of a circle of diameterMM.
func disc(diameterMM float64) float64 { return math.Pi * diameterMM * diameterMM / 4 }

// within fails with ErrRange unless 0 <= value <= limit; NaN is never within.
func within(field string, value, limit float64, unit string) error {
	if !(value >= 0 && value <= limit) {
		return fmt.Errorf("%s %g %s: %w of 0 to %g %s", field, value, unit, ErrRange, limit, unit)
	}
	return nil
}

// Line is where a fill stands in a vessel.
type Line struct {
	VolumeML float64 // what stands below the line
	DepthMM  float64 // from the base up
	GapMM    float64 // from the line up to the rim, down the axis
	WidthMM  float64 // inner diameter at the line
}

// RimGap is the height, mm, left between a fill of volumeML and the rim.
// ErrRange for a volume below 0 or above the brim.
func RimGap(s Shape, volumeML float64) (float64, error) {
	depthMM, err := s.Depth(volumeML)
	if err != nil {
		return 0, fmt.Errorf("rim gap: %w", err)
	}
	return math.Max(s.Height()-depthMM, 0), nil
}

// FillLine is the line that leaves gapMM to the rim: where to draw it and what
// stands below it. ErrRange for a gap below 0 or above the height.
func FillLine(s Shape, gapMM float64) (Line, error) {
	if s.Height() <= 0 {
		return Line{}, errEmpty
	}
	if err := within("rim gap", gapMM, s.Height(), "mm"); err != nil {
		return Line{}, err
	}
	return lineAt(s, s.Height()-gapMM)
}

// FillLineOf is the line that volumeML reaches.
func FillLineOf(s Shape, volumeML float64) (Line, error) {
	depthMM, err := s.Depth(volumeML)
	if err != nil {
		return Line{}, fmt.Errorf("fill line: %w", err)
	}
	return lineAt(s, depthMM)
}

func lineAt(s Shape, depthMM float64) (Line, error) {
	volumeML, err := s.Volume(depthMM)
	if err != nil {
		return Line{}, fmt.Errorf("fill line: %w", err)
	}
	widthMM, err := s.Width(depthMM)
	if err != nil {
		return Line{}, fmt.Errorf("fill line: %w", err)
	}
	return Line{VolumeML: volumeML, DepthMM: depthMM, GapMM: s.Height() - depthMM, WidthMM: widthMM}, nil
}
