package drink

import (
	"fmt"

	"samecup.example/samecup/internal/cup"
)

// VesselSection is one straight-walled ring of a stacked vessel: inner diameters
// and height, mm.
type VesselSection struct{ Base, Top, Height Milli }

// VesselFill is a weighed fill: Volume, mL, stood Depth, mm, above the base.
type VesselFill struct{ Depth, Volume Milli }

// The words of the one rule on shapes.
const (
	shapeForms = "one of base, top and height; diameter and height; sections; fills and top"
	shapeMend  = "keep the one that was measured best"
)

// Shape is the vessel's inside. It fails with cup.ErrShape for one that cannot
// be, and for one that says its shape in two ways.
func (v *Vessel) Shape() (cup.Shape, error) {
	if _, twice := v.secondForm(); twice != "" {
		return nil, fmt.Errorf("%w: %s; it must have %s: %s", cup.ErrShape, twice, shapeForms, shapeMend)
	}
	switch {
	case len(v.Sections) > 0:
		rings := make([]cup.Section, len(v.Sections))
		for i, s := range v.Sections {
			rings[i] = cup.Section{BaseMM: s.Base.Float(), TopMM: s.Top.Float(), HeightMM: s.Height.Float()}
		}
		return shapeOf(cup.NewSections(rings))
	case len(v.Fills) > 0:
		fills := make([]cup.Fill, len(v.Fills))
		for i, f := range v.Fills {
			fills[i] = cup.Fill{DepthMM: f.Depth.Float(), VolumeML: f.Volume.Float()}
		}
		return shapeOf(cup.NewTable(fills, v.Top.Float()))
	}
	return shapeOf(cup.New(v.Base.Float(), v.Top.Float(), v.Height.Float()))
}

// shapeOf gives no shape, rather than an empty one, beside an error.
func shapeOf[S cup.Shape](s S, err error) (cup.Shape, error) {
	if err != nil {
		return nil, err
	}
	return s, nil
}

// secondForm names a field that says the shape a second time, and how; both are
// empty where there is one shape.
func (v *Vessel) secondForm() (field, fault string) {
	switch {
	case len(v.Sections) > 0 && len(v.Fills) > 0:
		return "fills", "has both sections and fills"
	case len(v.Sections) > 0 && (v.Base != 0 || v.Top != 0 || v.Height != 0):
		return "sections", "has sections beside base, top or height"
	case len(v.Fills) > 0 && (v.Base != 0 || v.Height != 0):
		return "fills", "has fills beside base or height"
	}
	return "", ""
}

// frothDepth is the depth, mm, of frothML that closes a fill of filledML, froth
// included: what lies below the rim and what stands above it.
func frothDepth(s cup.Shape, filledML, frothML float64) (float64, error) {
	froth, err := cup.FrothOf(s, filledML, frothML)
	return froth.BelowMM + froth.AboveMM, err
}
