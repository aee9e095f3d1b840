package card

import (
	"math"
	"slices"
)

// Pattern is what tells one layer from another where tones do not print.
type Pattern uint8

// The patterns; each kind of layer has its own.
const (
	Solid Pattern = iota + 1 // a dark tone with nothing on it
	Plain                    // a pale tone with nothing on it
	Bubbles
	Waves
	Cubes
	HatchUp
	HatchDown
	CrossHatch
	Uprights
	Specks
)

// Style is how a layer is drawn.
type Style struct {
	// Tone is a grey, 0 black to 255 white.
	Tone    uint8
	Pattern Pattern
}

var styles = map[string]Style{
	Espresso:     {50, Solid},
	"coffee":     {50, Solid},
	"milk":       {236, Plain},
	"plant_milk": {236, Plain},
	Froth:        {255, Bubbles},
	"water":      {248, Waves},
	"ice":        {244, Cubes},
	"ice_cream":  {226, CrossHatch},
	"sauce":      {150, HatchUp},
	"syrup":      {205, Uprights},
	"powder":     {190, Specks},
	"tea":        {215, HatchDown},
	"topping":    {225, Specks},
}

// StyleOf is the tone and pattern of a kind of layer.
func StyleOf(kind string) Style {
	if s, ok := styles[kind]; ok {
		return s
	}
	return Style{240, CrossHatch}
}

// paint fills a polygon with a style. Patterns are cut to the polygon here, so
// that every form of output shows the same marks and needs no clipping.
func (p *Page) paint(poly []point, st Style) {
	p.fill(st.Tone, poly)
	lo, hi := bounds(poly)
	const ink = 0.18
	hatch := func(angle, gap float64) {
		for _, seg := range cutLines(poly, angle, gap) {
			p.line(ink, 40, seg[0], seg[1])
		}
	}
	switch st.Pattern {
	case HatchUp:
		hatch(-math.Pi/4, 1.3)
	case HatchDown:
		hatch(math.Pi/4, 1.3)
	case CrossHatch:
		hatch(math.Pi/4, 2.4)
		hatch(-math.Pi/4, 2.4)
	case Uprights:
		hatch(math.Pi/2, 1.3)
	case Waves:
		for i, seg := range cutLines(poly, 0, 2) {
			dashes(p, seg, float64(i%2)*2.2)
		}
	case Bubbles:
		p.scatter(poly, 2.1, func(at point, i int) {
			r := []float64{0.62, 0.4, 0.5}[i%3]
			if inside(poly, at, r+0.1) {
				p.ops = append(p.ops, disc{at, r, 0.16, 60})
			}
		})
	case Specks:
		p.scatter(poly, 1.3, func(at point, _ int) {
			if inside(poly, at, 0.2) {
				p.ops = append(p.ops, disc{at: at, r: 0.2, tone: 20})
			}
		})
	case Cubes:
		p.scatter(poly, 5.2, func(at point, i int) {
			const h = 1.7
			turn := 0.3 + float64(i%3)*0.4
			if !inside(poly, at, h*1.42) && hi.y-lo.y > 2*h*1.42 {
				return
			}
			square := make([]point, 5)
			for k := range square {
				a := turn + float64(k)*math.Pi/2
				square[k] = point{at.x + h*1.41*math.Cos(a), at.y + h*1.41*math.Sin(a)}
			}
			p.line(0.25, 60, square...)
		})
	}
}

func dashes(p *Page, seg [2]point, start float64) {
	for x := seg[0].x + 0.6 + start; x+2 < seg[1].x; x += 4.4 {
		p.line(0.2, 70, point{x, seg[0].y}, point{x + 2, seg[0].y})
	}
}

// scatter visits the places of a staggered grid over a polygon.
func (p *Page) scatter(poly []point, gap float64, visit func(at point, i int)) {
	lo, hi := bounds(poly)
	rows := max(1, int((hi.y-lo.y)/(gap*0.87)))
	pitch := (hi.y - lo.y) / float64(rows)
	mid := (lo.x + hi.x) / 2
	cols := int((hi.x-lo.x)/gap/2) + 1
	for row := range rows {
		for col := -cols; col <= cols; col++ {
			x := mid + (float64(col)+float64(row%2)/2)*gap
			visit(point{x, lo.y + pitch*(float64(row)+0.5)}, row+2*(col+cols))
		}
	}
}

func bounds(poly []point) (lo, hi point) {
	lo, hi = point{math.Inf(1), math.Inf(1)}, point{math.Inf(-1), math.Inf(-1)}
	for _, q := range poly {
		lo = point{math.Min(lo.x, q.x), math.Min(lo.y, q.y)}
		hi = point{math.Max(hi.x, q.x), math.Max(hi.y, q.y)}
	}
	return lo, hi
}

// inside is true when at lies in the polygon, at least margin from its edge.
func inside(poly []point, at point, margin float64) bool {
	in := false
	for i, a := range poly {
		b := poly[(i+1)%len(poly)]
		if (a.y > at.y) != (b.y > at.y) && at.x < (b.x-a.x)*(at.y-a.y)/(b.y-a.y)+a.x {
			in = !in
		}
		dx, dy := b.x-a.x, b.y-a.y
		t := 0.0
		if l := dx*dx + dy*dy; l > 0 {
			t = math.Max(0, math.Min(1, ((at.x-a.x)*dx+(at.y-a.y)*dy)/l))
		}
		if math.Hypot(at.x-a.x-t*dx, at.y-a.y-t*dy) < margin {
			return false
		}
	}
	return in
}

// cutLines cuts parallel lines, gap mm apart at an angle, to a polygon.
func cutLines(poly []point, angle, gap float64) [][2]point {
	sin, cos := math.Sincos(angle)
	// u runs along the lines, w across them.
	w := func(q point) float64 { return -q.x*sin + q.y*cos }
	least, most := math.Inf(1), math.Inf(-1)
	for _, q := range poly {
		least, most = math.Min(least, w(q)), math.Max(most, w(q))
	}
	var out [][2]point
	for at := least + gap/2; at < most; at += gap {
		var us []float64
		for i, a := range poly {
			b := poly[(i+1)%len(poly)]
			wa, wb := w(a), w(b)
			if (wa > at) == (wb > at) {
				continue
			}
			t := (at - wa) / (wb - wa)
			us = append(us, (a.x+t*(b.x-a.x))*cos+(a.y+t*(b.y-a.y))*sin)
		}
		slices.Sort(us)
		for i := 0; i+1 < len(us); i += 2 {
			out = append(out, [2]point{{us[i]*cos - at*sin, us[i]*sin + at*cos}, {us[i+1]*cos - at*sin, us[i+1]*sin + at*cos}})
		}
	}
	return out
}
