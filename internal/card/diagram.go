package card

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// scales of a drawing, vessel over paper: the largest that fits is taken.
var scales = []float64{1, 1.25, 1.5, 2, 2.5, 3, 4, 5, 10, 20, 50, 100, 200, 500}

const (
	wall     = 0.7  // of the vessel, drawn outside the inner profile
	sideWide = 33.0 // for dimensions left of the vessel
	boxWide  = 58.0 // for the vessel
)

// drawn turns vessel millimetres into page millimetres.
type drawn struct {
	midX, baseY, scale float64
}

func (d drawn) y(depthMM float64) float64        { return d.baseY - depthMM/d.scale }
func (d drawn) x(sideways float64) float64       { return d.midX + sideways/d.scale }
func (d drawn) at(sideways, depth float64) point { return point{d.x(sideways), d.y(depth)} }

// diagram draws the cross-section in high mm from y down; it returns its foot.
func (p *Page) diagram(sec *Section, y, high float64) float64 {
	const above, below = 6.8, 7.5 // for the brim's dimension, and the scale bar
	d := drawn{midX: margin + sideWide + boxWide/2}
	tall := sec.Shape.Height()
	across := widest(sec)
	for _, d.scale = range scales {
		if across/d.scale <= boxWide-6 && (tall+sec.AboveMM)/d.scale <= high-above-below {
			break
		}
	}
	room := high - above - below
	d.baseY = y + above + room - math.Max(0, (room-(tall+sec.AboveMM)/d.scale)/2)

	for _, l := range sec.Layers {
		p.paint(d.outline(sec, l), StyleOf(l.Kind))
	}
	for i, l := range sec.Layers {
		if i > 0 {
			half := width(sec, l.FromMM) / 2
			p.line(0.25, black, d.at(-half, l.FromMM), d.at(half, l.FromMM))
		}
	}
	if n := len(sec.Layers); n > 0 {
		// Pale froth above a rim has no wall to show where it ends.
		p.line(0.35, black, d.surface(sec, sec.Layers[n-1])...)
	}
	p.vessel(sec, d)
	p.dimensions(sec, d)
	p.layerLabels(sec, d, y, y+high-1)
	return y + high
}

// capArc is a spherical cap's outline from right to left, heights above the rim.
func capArc(radius, height float64) []point {
	const parts = 32
	sphere := (radius*radius + height*height) / (2 * height)
	reach := math.Asin(math.Min(1, radius/sphere))
	out := make([]point, 0, parts-1)
	for i := 1; i < parts; i++ {
		a := reach * (1 - 2*float64(i)/parts)
		out = append(out, point{sphere * math.Sin(a), height - sphere*(1-math.Cos(a))})
	}
	return out
}

// dimension draws a line with a bar at each end.
func (p *Page) dimension(a, b point) {
	const ink, bar = 0.2, 1.0
	p.line(ink, black, a, b)
	dx, dy := 0.0, bar
	if math.Abs(a.x-b.x) < math.Abs(a.y-b.y) {
		dx, dy = bar, 0
	}
	for _, q := range []point{a, b} {
		p.line(ink, black, point{q.x - dx, q.y - dy}, point{q.x + dx, q.y + dy})
	}
}

// label is words beside something at height want; y is where there was room.
type label struct {
	want, y, high float64
}

// spread moves labels, in order from the top, as little as keeps them apart and
// between top and bottom. It is false when they have no room.
func spread(ls []label, top, bottom float64) bool {
	at := top
	for i := range ls {
		ls[i].y = math.Max(ls[i].want-ls[i].high/2, at)
		at = ls[i].y + ls[i].high
	}
	at = bottom
	for i := len(ls) - 1; i >= 0; i-- {
		ls[i].y = math.Min(ls[i].y, at-ls[i].high)
		at = ls[i].y
	}
	return len(ls) == 0 || ls[0].y >= top-1e-9
}

// mm writes a vessel length: tenths where the book has them.
func mm(v float64) string {
	return strconv.FormatFloat(math.Round(v*10)/10, 'f', -1, 64) + " mm"
}

// dimensions draws brim, height, froth, gap and the scale bar.
func (p *Page) dimensions(sec *Section, d drawn) {
	const size = 2.9
	h := sec.Shape.Height()
	rim := sec.Shape.Rim() / 2
	topY := d.y(h+sec.AboveMM) - 2.2
	p.dimension(point{d.x(-rim), topY}, point{d.x(rim), topY})
	for _, side := range []float64{-rim, rim} {
		p.line(0.1, grey, point{d.x(side), topY}, d.at(side, h))
	}
	words := "brim " + mm(2*rim) + " across"
	p.text(d.midX-textWidth(words, size, false)/2, topY-1.9, size, false, black, words)

	// Height stands outermost; what is within reads nearer the vessel.
	far := margin + 1.2
	p.dimension(point{far, d.y(h)}, point{far, d.y(0)})
	for _, lv := range []float64{0, h} {
		p.line(0.1, grey, point{far, d.y(lv)}, d.at(-width(sec, lv)/2, lv))
	}
	near := d.x(-widest(sec)/2) - 3.2
	type span struct {
		lo, hi float64
		words  string
	}
	var spans []span
	if sec.AboveMM > 0 {
		spans = append(spans, span{h, h + sec.AboveMM, fmt.Sprintf("%.0f mm above rim", sec.AboveMM)})
	} else if sec.RimGapMM > 0 {
		spans = append(spans, span{h - sec.RimGapMM, h, fmt.Sprintf("%.0f mm to the rim", sec.RimGapMM)})
	}
	if sec.FrothMM > 0 {
		top := h - sec.RimGapMM + sec.AboveMM
		spans = append(spans, span{top - sec.FrothMM, top, fmt.Sprintf("froth %.0f mm", sec.FrothMM)})
	}
	ls := make([]label, 0, len(spans)+1)
	for _, s := range spans {
		ls = append(ls, label{want: d.y((s.lo + s.hi) / 2), high: size * 1.3})
	}
	ls = append(ls, label{want: d.y(h * 0.12), high: size * 1.3})
	spread(ls, d.y(h+sec.AboveMM)-4, d.y(0)+2)
	for i, s := range spans {
		x := near - 2.2*float64(i)
		p.dimension(point{x, d.y(s.lo)}, point{x, d.y(s.hi)})
		for _, lv := range []float64{s.lo, s.hi} {
			p.line(0.1, grey, point{x, d.y(lv)}, d.at(-width(sec, lv)/2, lv))
		}
		end := near - 2.2*float64(len(spans)) - 0.6
		y := ls[i].y + ls[i].high/2
		p.line(0.15, grey, point{x, d.y((s.lo + s.hi) / 2)}, point{end, y})
		fit := fitSize(s.words, size, end-0.6-far-1.6, false)
		// The height's own line at the rim would strike the words through.
		from := end - 1.4 - textWidth(s.words, fit, false)
		p.fill(white, []point{{from, y - fit*0.55}, {end - 0.2, y - fit*0.55}, {end - 0.2, y + fit*0.55}, {from, y + fit*0.55}})
		p.textRight(end-0.6, y+fit*0.35, fit, false, black, s.words)
	}
	last := ls[len(ls)-1]
	p.text(far+2, last.y+last.high/2+size*0.35, size, false, black, mm(h)+" high")
	p.scaleBar(d)
}

// scaleBar draws a round length of the vessel's own millimetres.
func (p *Page) scaleBar(d drawn) {
	const size = 2.5
	length := 10.0
	for _, l := range []float64{20, 50, 100, 200, 500, 1000, 2000, 5000} {
		if l/d.scale <= 26 {
			length = l
		}
	}
	long := length / d.scale
	words := fmt.Sprintf("%g mm   scale 1:%g on A5", length, d.scale)
	all := long + 1.5 + textWidth(words, size, false)
	x, y := d.midX-all/2, d.baseY+5.2
	const parts = 5
	for i := range parts {
		x0, x1 := x+long*float64(i)/parts, x+long*float64(i+1)/parts
		if i%2 == 0 {
			p.fill(black, []point{{x0, y - 1}, {x1, y - 1}, {x1, y}, {x0, y}})
		}
	}
	p.line(0.15, black, point{x, y - 1}, point{x + long, y - 1}, point{x + long, y}, point{x, y}, point{x, y - 1})
	p.text(x+long+1.5, y+0.3, size, false, black, words)
}

// layerLabels names the layers at the right, the topmost first.
func (p *Page) layerLabels(sec *Section, d drawn, top, bottom float64) {
	x := margin + sideWide + boxWide + 1
	wide := right - x
	n := len(sec.Layers)
	type lines struct{ name, amount []string }
	set := make([]lines, n)
	ls := make([]label, n)
	size := 3.6
	for {
		for i := range n {
			l := sec.Layers[n-1-i]
			set[i] = lines{wrap(l.Name, size, wide, true), wrap(strings.TrimSpace(l.Amount), size*0.84, wide, false)}
			ls[i] = label{
				want: d.y((l.FromMM + l.ToMM + l.AboveMM) / 2),
				high: size*1.15*float64(len(set[i].name)) + size*0.84*1.2*float64(len(set[i].amount)) + size*0.45,
			}
		}
		if spread(ls, top, bottom) || size < 1 {
			break
		}
		size *= 0.93
	}
	for i := range n {
		l := sec.Layers[n-1-i]
		mid := (l.FromMM + l.ToMM) / 2
		from := d.at(width(sec, mid)*0.36, mid)
		y := ls[i].y + size*0.8
		out := point{d.x(widest(sec)/2) + 2.5, from.y}
		// A halo, so that the line shows on any tone.
		p.line(0.9, white, from, d.at(width(sec, mid)/2-0.9*d.scale, mid))
		p.line(0.22, black, from, out, point{x - 1, y})
		p.ops = append(p.ops, disc{at: from, r: 0.95, tone: white}, disc{at: from, r: 0.6, tone: black})
		y = ls[i].y + size
		for _, t := range set[i].name {
			p.text(x, y, size, true, black, t)
			y += size * 1.15
		}
		for _, t := range set[i].amount {
			p.text(x, y, size*0.84, false, black, t)
			y += size * 0.84 * 1.2
		}
	}
}
