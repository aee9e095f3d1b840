package cup

import (
	"fmt"
	"math"
	"slices"
	"sort"
)

// Section is one straight-walled ring of a stacked vessel, in mm.
type Section struct{ BaseMM, TopMM, HeightMM float64 }

// Sections is a vessel of frustums standing on one another, the lowest first: a
// cup with a foot, a shoulder or a rounded base cut into rings. A ring may be
// wider or narrower than the one under it (a ledge); at a ledge the wall and the
// area are those of the ring above.
type Sections struct {
	rings []Profile
	start []float64 // depth of each ring's foot, then the height: one more than rings
	below []float64 // volume under each ring's foot, then the brim
}

// mostSections is far beyond any drawing of a cup.
const mostSections = 200

// NewSections makes a vessel of 1 to 200 sections. Each follows New's limits,
// only the lowest may have a base of 0, and together they are at most 10 m high.
func NewSections(sections []Section) (Sections, error) {
	if len(sections) == 0 || len(sections) > mostSections {
		return Sections{}, fmt.Errorf("%w: %d sections; give 1 to %d, the lowest first", ErrShape, len(sections), mostSections)
	}
	s := Sections{start: []float64{0}, below: []float64{0}}
	for i, c := range sections {
		ring, err := New(c.BaseMM, c.TopMM, c.HeightMM)
		if err != nil {
			return Sections{}, fmt.Errorf("section %d: %w", i+1, err)
		}
		if i > 0 && c.BaseMM == 0 {
			return Sections{}, fmt.Errorf("section %d: %w: base 0 mm; only the lowest section may come to a point, give the inner diameter", i+1, ErrShape)
		}
		s.rings = append(s.rings, ring)
		s.start = append(s.start, s.start[i]+c.HeightMM)
		s.below = append(s.below, s.below[i]+ring.Brim())
	}
	if h := s.Height(); h > mostMM {
		return Sections{}, fmt.Errorf("%w: total height %g mm; it must be at most %d mm", ErrShape, h, mostMM)
	}
	return s, nil
}

// Height is the inner height, mm; 0 for the zero Sections.
func (s Sections) Height() float64 { return last(s.start) }

// Brim is the volume to the lip, ml.
func (s Sections) Brim() float64 { return last(s.below) }

// Rim is the inner diameter at the lip, mm.
func (s Sections) Rim() float64 {
	if len(s.rings) == 0 {
		return 0
	}
	return s.rings[len(s.rings)-1].topMM
}

// Rings is a copy of the sections, the lowest first, for a drawing.
func (s Sections) Rings() []Section {
	out := make([]Section, len(s.rings))
	for i, r := range s.rings {
		out[i] = Section{r.baseMM, r.topMM, r.heightMM}
	}
	return out
}

// ring finds the section that holds depthMM, and the depth inside it.
func (s Sections) ring(depthMM float64) (int, float64, error) {
	if len(s.rings) == 0 {
		return 0, 0, errEmpty
	}
	if err := within("depth", depthMM, s.Height(), "mm"); err != nil {
		return 0, 0, err
	}
	i := rank(s.start, depthMM)
	return i, math.Min(depthMM-s.start[i], s.rings[i].heightMM), nil
}

// Volume is what stands in the vessel, ml, filled to depthMM.
func (s Sections) Volume(depthMM float64) (float64, error) {
	i, d, err := s.ring(depthMM)
	if err != nil {
		return 0, err
	}
	return math.Min(s.below[i]+s.rings[i].volume(d), s.below[i+1]), nil
}

// Depth is how high volumeML stands, mm: the frustum's closed form in the
// section that the level lies in.
func (s Sections) Depth(volumeML float64) (float64, error) {
	if len(s.rings) == 0 {
		return 0, errEmpty
	}
	if !(volumeML >= 0 && volumeML <= s.Brim()*(1+1e-12)) {
		return 0, within("volume", volumeML, s.Brim(), "ml")
	}
	i := rank(s.below, volumeML)
	d, err := s.rings[i].Depth(math.Min(volumeML-s.below[i], s.rings[i].Brim()))
	if err != nil {
		return 0, fmt.Errorf("section %d: %w", i+1, err)
	}
	return math.Min(s.start[i]+d, s.Height()), nil
}

// Width is the inner diameter, mm, at depthMM.
func (s Sections) Width(depthMM float64) (float64, error) {
	i, d, err := s.ring(depthMM)
	if err != nil {
		return 0, err
	}
	return s.rings[i].width(d), nil
}

// Area is the surface, mm², of a fill to depthMM.
func (s Sections) Area(depthMM float64) (float64, error) {
	x, err := s.Width(depthMM)
	if err != nil {
		return 0, err
	}
	return disc(x), nil
}

// rank is the index of the interval of rising knots that holds x: the last
// interval for the last knot and beyond, and the upper one at a joint.
func rank(knots []float64, x float64) int {
	i := sort.Search(len(knots), func(i int) bool { return knots[i] > x }) - 1
	return max(0, min(i, len(knots)-2))
}

func last(knots []float64) float64 {
	if len(knots) == 0 {
		return 0
	}
	return knots[len(knots)-1]
}

// Equal reports whether two vessels have the same sections.
func (s Sections) Equal(other Sections) bool { return slices.Equal(s.rings, other.rings) }
