package cup

import (
	"fmt"
	"math"
)

// Froth is how a layer of froth stands in a vessel: BelowMM from the rim, or
// from the surface when it lies lower, down to the liquid; AboveMM over the rim.
type Froth struct{ BelowMM, AboveMM float64 }

// CapVolume is the volume, ml, of froth that stands heightMM over a rim of inner
// diameter rimMM. The shape assumed is a spherical cap on the rim circle,
// V = πh(3r² + h²)/6; it holds up to half a sphere (height = rim radius), beyond
// which froth would overhang and fall: ErrRange. ErrShape for an impossible rim.
func CapVolume(rimMM, heightMM float64) (float64, error) {
	r, err := rimRadius(rimMM)
	if err != nil {
		return 0, err
	}
	if !(heightMM >= 0 && heightMM <= r) {
		return 0, fmt.Errorf("%g mm above the rim: %w of 0 to %g mm, the rim's radius; ask for a lower cap or a wider vessel", heightMM, ErrRange, r)
	}
	return capML(r, heightMM), nil
}

// CapHeight is CapVolume undone: the height, mm, of a cap of volumeML. Closed
// form: h³ + 3r²h = 6V/π is solved by h = 2r sinh(asinh(3V/πr³)/3).
func CapHeight(rimMM, volumeML float64) (float64, error) {
	r, err := rimRadius(rimMM)
	if err != nil {
		return 0, err
	}
	most := capML(r, r)
	if !(volumeML >= 0 && volumeML <= most*(1+1e-12)) {
		return 0, fmt.Errorf("%g ml above the rim: %w of 0 to %g ml, half a sphere on this rim; make less froth or use a wider vessel", volumeML, ErrRange, most)
	}
	if volumeML == 0 {
		return 0, nil
	}
	return math.Min(2*r*math.Sinh(math.Asinh(3*volumeML*mm3PerML/(math.Pi*r*r*r))/3), r), nil
}

func rimRadius(rimMM float64) (float64, error) {
	// A rim below a micrometre is no rim, and its cube would vanish.
	if !(rimMM >= 0.001 && rimMM <= mostMM) {
		return 0, fmt.Errorf("%w: rim %g mm; it must be 0.001 to %d mm", ErrShape, rimMM, mostMM)
	}
	return rimMM / 2, nil
}

func capML(r, h float64) float64 { return math.Pi * h * (3*r*r + h*h) / 6 / mm3PerML }

// LayerDepth is the depth, mm, of layerML just below the surface of a fill of
// filledML (the layer included): V(h) - V(h - z) = layerML. It is not volume
// over surface area: walls slope. ErrRange for a fill above the brim or a layer
// larger than the fill.
func LayerDepth(s Shape, filledML, layerML float64) (float64, error) {
	top, err := s.Depth(filledML)
	if err != nil {
		return 0, fmt.Errorf("fill level: %w", err)
	}
	if !(layerML >= 0) {
		return 0, fmt.Errorf("layer %g ml: %w of 0 to the fill of %g ml", layerML, ErrRange, filledML)
	}
	foot := filledML - layerML
	if foot < 0 && foot > -1e-9*s.Brim() {
		foot = 0 // a layer as deep as the fill, give or take a rounding
	}
	bottom, err := s.Depth(foot)
	if err != nil {
		return 0, fmt.Errorf("foot of the layer: %w", err)
	}
	return math.Max(top-bottom, 0), nil
}

// LayerVolume is LayerDepth undone: the volume, ml, of the top depthMM of a fill
// of filledML.
func LayerVolume(s Shape, filledML, depthMM float64) (float64, error) {
	top, err := s.Depth(filledML)
	if err != nil {
		return 0, fmt.Errorf("fill level: %w", err)
	}
	if depthMM > top && depthMM <= top*(1+1e-9) {
		depthMM = top // a layer as deep as the fill, give or take a rounding
	}
	if err := within("layer depth", depthMM, top, "mm"); err != nil {
		return 0, err
	}
	under, err := s.Volume(top - depthMM)
	if err != nil {
		return 0, fmt.Errorf("foot of the layer: %w", err)
	}
	return math.Max(filledML-under, 0), nil
}

// FrothVolume is all the froth, ml, of a full cup that shows belowMM of froth
// under the rim and aboveMM over it ("10 mm below the rim and 5 mm above").
// The part above is CapVolume's spherical cap, the part below V(H) - V(H - z).
func FrothVolume(s Shape, belowMM, aboveMM float64) (float64, error) {
	if s.Height() <= 0 {
		return 0, errEmpty
	}
	if err := within("froth below the rim", belowMM, s.Height(), "mm"); err != nil {
		return 0, err
	}
	dome, err := CapVolume(s.Rim(), aboveMM)
	if err != nil {
		return 0, err
	}
	under, err := s.Volume(s.Height() - belowMM)
	if err != nil {
		return 0, fmt.Errorf("foot of the froth: %w", err)
	}
	return math.Max(s.Brim()-under, 0) + dome, nil
}

// FrothOf is how frothML stands at the top of contents of filledML, froth
// included. Contents above the brim stand as a spherical cap, and must be froth:
// ErrRange when liquid alone would pass the brim, when the cap would pass half a
// sphere, or when there is more froth than contents.
func FrothOf(s Shape, filledML, frothML float64) (Froth, error) {
	brim := s.Brim()
	if filledML <= brim {
		depthMM, err := LayerDepth(s, filledML, frothML)
		return Froth{BelowMM: depthMM}, err
	}
	above, err := CapHeight(s.Rim(), filledML-brim)
	if err != nil {
		return Froth{}, err
	}
	inside := frothML - (filledML - brim)
	if inside < 0 && inside > -1e-9*brim {
		inside = 0
	}
	if !(inside >= 0) {
		return Froth{}, fmt.Errorf("froth %g ml: %w: contents of %g ml pass the brim of %g ml by %g ml, and only froth stands above a rim",
			frothML, ErrRange, filledML, brim, filledML-brim)
	}
	below, err := LayerDepth(s, brim, inside)
	if err != nil {
		return Froth{}, err
	}
	return Froth{BelowMM: below, AboveMM: above}, nil
}

// Named is a vessel with its code in the book.
type Named struct {
	Name  string
	Shape Shape
}

// Spread is how one amount of froth stands in one vessel. DepthMM is exactly
// FrothML / MeanAreaMM2 (in mm³): the layer is thinner only because it is wider.
type Spread struct {
	Name        string
	SurfaceMM   float64 // diameter at the surface
	MeanAreaMM2 float64 // of the layer
	DepthMM     float64
}

// SpreadFroth shows why the same jug gives a thinner layer in a wider cup: the
// depth of frothML just below (brim - shortML) in each vessel. Depth goes as one
// over area and area as diameter squared, so a cup 10 % wider has a layer 17 %
// shallower (1/1.21). Depth belongs to a drink in a vessel, never to the drink.
func SpreadFroth(vessels []Named, shortML, frothML float64) ([]Spread, error) {
	if !(frothML > 0) {
		return nil, fmt.Errorf("froth %g ml: %w; it must be above 0", frothML, ErrRange)
	}
	if !(shortML >= 0) {
		return nil, fmt.Errorf("short of the brim by %g ml: %w; it must be 0 or more", shortML, ErrRange)
	}
	out := make([]Spread, 0, len(vessels))
	for _, v := range vessels {
		if v.Shape == nil {
			return nil, fmt.Errorf("vessel %q: %w", v.Name, errEmpty)
		}
		filled := v.Shape.Brim() - shortML
		line, err := FillLineOf(v.Shape, filled)
		if err != nil {
			return nil, fmt.Errorf("vessel %q: %w", v.Name, err)
		}
		depth, err := LayerDepth(v.Shape, filled, frothML)
		if err != nil {
			return nil, fmt.Errorf("vessel %q: %w", v.Name, err)
		}
		if !(depth > 0) {
			return nil, fmt.Errorf("vessel %q: froth %g ml: %w; the layer is too thin to compute", v.Name, frothML, ErrRange)
		}
		mean := frothML * mm3PerML / depth
		if math.IsInf(mean, 0) {
			return nil, fmt.Errorf("vessel %q: froth %g ml: %w; the layer is too thin to compute", v.Name, frothML, ErrRange)
		}
		out = append(out, Spread{Name: v.Name, SurfaceMM: line.WidthMM, MeanAreaMM2: mean, DepthMM: depth})
	}
	return out, nil
}
