package card

import (
	"math"
	"slices"

	"samecup.example/samecup/internal/cup"
)

// curveParts is into how many slices a smooth wall is cut for the drawing.
const curveParts = 60

// width is the inner diameter at a depth that lies in the vessel. At the lip it
// is the rim as measured: weighed fills show it only by their slope.
func width(sec *Section, depthMM float64) float64 {
	if depthMM >= sec.Shape.Height() {
		return sec.Shape.Rim()
	}
	w, err := sec.Shape.Width(math.Max(0, depthMM))
	if err != nil {
		return 0 // no depth within the vessel is out of range
	}
	return w
}

// bends are the depths, mm, from the bottom up and strictly between two others,
// where the drawn wall may change direction: the joints of sections, and small
// steps along the curve of a table. A frustum has none.
func bends(sec *Section, fromMM, toMM float64) []float64 {
	var out []float64
	add := func(depthMM float64) {
		if depthMM > fromMM && depthMM < toMM {
			out = append(out, depthMM)
		}
	}
	switch s := sec.Shape.(type) {
	case cup.Profile:
	case cup.Sections:
		at := 0.0
		for _, ring := range s.Rings() {
			at += ring.HeightMM
			add(at)
		}
	default:
		for i := 1; i < curveParts; i++ {
			add(s.Height() * float64(i) / curveParts)
		}
	}
	return out
}

// widest is the greatest inner diameter, mm.
func widest(sec *Section) float64 {
	h := sec.Shape.Height()
	out := math.Max(sec.Shape.Rim(), width(sec, 0))
	for _, depth := range bends(sec, 0, h) {
		out = math.Max(out, width(sec, depth))
	}
	return out
}

// side is the wall at the right (sign 1) or the left (sign -1) where it bends
// between two depths, from the bottom up, moved out by outMM.
func (d drawn) side(sec *Section, fromMM, toMM, sign, outMM float64) []point {
	var out []point
	for _, depth := range bends(sec, fromMM, toMM) {
		out = append(out, d.at(sign*(width(sec, depth)/2+outMM), depth))
	}
	return out
}

func reversed(pts []point) []point {
	slices.Reverse(pts)
	return pts
}

// outline is a layer's cross-section: a slice of the shape, and the arc of a
// spherical cap where froth stands above the rim.
func (d drawn) outline(sec *Section, l Layer) []point {
	lo := width(sec, l.FromMM) / 2
	out := []point{d.at(-lo, l.FromMM), d.at(lo, l.FromMM)}
	out = append(out, d.side(sec, l.FromMM, l.ToMM, 1, 0)...)
	out = append(out, d.surface(sec, l)...)
	return append(out, reversed(d.side(sec, l.FromMM, l.ToMM, -1, 0))...)
}

// surface is the top of a layer's outline from right to left.
func (d drawn) surface(sec *Section, l Layer) []point {
	hi := width(sec, l.ToMM) / 2
	out := []point{d.at(hi, l.ToMM)}
	if l.AboveMM > 0 {
		for _, q := range capArc(hi, l.AboveMM) {
			out = append(out, d.at(q.x, l.ToMM+q.y))
		}
	}
	return append(out, d.at(-hi, l.ToMM))
}

// vessel draws wall and base outside the inner shape.
func (p *Page) vessel(sec *Section, d drawn) {
	h := sec.Shape.Height()
	base, rim := width(sec, 0)/2, sec.Shape.Rim()/2
	w := wall * d.scale
	pts := append([]point{d.at(-rim, h)}, reversed(d.side(sec, 0, h, -1, 0))...)
	pts = append(pts, d.at(-base, 0), d.at(base, 0))
	pts = append(pts, d.side(sec, 0, h, 1, 0)...)
	pts = append(pts, d.at(rim, h), d.at(rim+w, h))
	pts = append(pts, reversed(d.side(sec, 0, h, 1, w))...)
	pts = append(pts, d.at(base+w, -w*1.3), d.at(-base-w, -w*1.3))
	pts = append(pts, d.side(sec, 0, h, -1, w)...)
	p.fill(black, append(pts, d.at(-rim-w, h)))
}
