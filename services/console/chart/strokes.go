package chart

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"
)

// Sizes in user units; at full width one is about a CSS pixel.
const (
	textSize  = 13.0
	titleSize = 15.0
	dotRadius = 3.2
)

// stroke is one thing drawn. Kinds of stroke by their class are in styles.
type stroke struct {
	class  string
	pts    []XY
	closed bool
	// r is the radius of a circle at pts[0]; 0 for none.
	r float64
	// words at pts[0]; anchor is start, middle or end; turned reads upwards.
	words, anchor string
	turned        bool
	// text and href belong to points and titles.
	text, href string
}

// frame is where a panel's axes lie.
type frame struct {
	p                        *Panel
	left, right, top, bottom float64
}

func (f *frame) x(v float64) float64 {
	return f.left + (v-f.p.X.Min)/(f.p.X.Max-f.p.X.Min)*(f.right-f.left)
}

func (f *frame) y(v float64) float64 {
	return f.bottom - (v-f.p.Y.Min)/(f.p.Y.Max-f.p.Y.Min)*(f.bottom-f.top)
}

func (f *frame) clampY(v float64) float64 { return math.Min(f.bottom, math.Max(f.top, f.y(v))) }

// drawing collects strokes.
type drawing struct {
	w, h    float64
	strokes []stroke
}

func (d *drawing) line(class string, pts ...XY) {
	d.strokes = append(d.strokes, stroke{class: class, pts: pts})
}

func (d *drawing) area(class string, pts ...XY) {
	d.strokes = append(d.strokes, stroke{class: class, pts: pts, closed: true})
}

func (d *drawing) say(class, anchor string, x, y float64, words string) {
	if words != "" {
		d.strokes = append(d.strokes, stroke{class: class, pts: []XY{{x, y}}, words: words, anchor: anchor})
	}
}

// layout sizes.
func (c *Chart) sizes() (cols int, w, h, right float64) {
	cols = max(1, c.Columns)
	w, h, right = c.PanelWidth, c.PanelHeight, 20
	if cols == 1 {
		right = 170
	}
	if w == 0 {
		w = 1060 / float64(cols)
	}
	if h == 0 {
		h = 320
		if cols > 1 {
			h = 200
		}
	}
	return cols, w, h, right
}

// leftMargin holds the longest words beside an axis, which may be names.
func (c *Chart) leftMargin() float64 {
	left := 58.0
	for i := range c.Panels {
		for _, t := range c.Panels[i].Y.Ticks {
			left = math.Max(left, 20+7.1*float64(utf8.RuneCountInString(t.Label)))
		}
		for _, l := range c.Panels[i].Lanes {
			left = math.Max(left, 20+7.1*float64(utf8.RuneCountInString(l.Name)))
		}
	}
	return left
}

// draw lays the chart out.
func (c *Chart) draw() *drawing {
	cols, w, h, right := c.sizes()
	rows := (len(c.Panels) + cols - 1) / cols
	d := &drawing{w: w * float64(cols)}
	head := 0.0
	key := c.key()
	if len(key) > 0 {
		head = 30
		c.drawKey(d, key)
	}
	below := 0.0 // by how much lanes differ from other panels
	for i := range c.Panels {
		tall := c.Panels[i].tall(h, cols)
		x, y := float64(i%cols)*w, head+below+float64(i/cols)*h
		f := frame{p: &c.Panels[i], left: x + c.leftMargin(), right: x + w - right, top: y + 30, bottom: y + tall - 46}
		f.draw(d, cols == 1)
		below += tall - h
	}
	d.h = head + below + float64(rows)*h
	return d
}

// tall is a panel's height: lanes take what they need, in a single column.
func (p *Panel) tall(h float64, cols int) float64 {
	if len(p.Lanes) == 0 || cols > 1 {
		return h
	}
	return 30 + laneHeight*float64(len(p.Lanes)) + 46
}

func (c *Chart) drawKey(d *drawing, key []keyEntry) {
	x, y := 58.0, 16.0
	for _, k := range key {
		switch k.class {
		case "tol":
			d.area("tol", XY{x, y - 6}, XY{x + 24, y - 6}, XY{x + 24, y + 6}, XY{x, y + 6})
			d.line("toledge", XY{x, y - 6}, XY{x + 24, y - 6})
			d.line("toledge", XY{x, y + 6}, XY{x + 24, y + 6})
		case "lim", "faint", "centre":
			d.line(k.class, XY{x, y}, XY{x + 24, y})
		case "whisker":
			d.line("whisker", XY{x + 12, y - 7}, XY{x + 12, y + 7})
			d.strokes = append(d.strokes, stroke{class: "dot", pts: []XY{{x + 12, y}}, r: dotRadius})
		case "diamond":
			d.strokes = append(d.strokes, diamond(x+12, y))
		case "ring":
			d.strokes = append(d.strokes, stroke{class: "ring", pts: []XY{{x + 12, y}}, r: dotRadius})
		}
		d.say("note", "start", x+31, y+4, k.words)
		x += 31 + 7.1*float64(len(k.words)) + 18
	}
}

func diamond(x, y float64) stroke {
	const r = 6.5
	return stroke{class: "diamond", closed: true, pts: []XY{{x, y - r}, {x + r, y}, {x, y + r}, {x - r, y}}}
}

func (f *frame) draw(d *drawing, wide bool) {
	p := f.p
	if p.Title != "" {
		d.strokes = append(d.strokes, stroke{class: "panel", pts: []XY{{f.left, f.top - 10}}, words: p.Title, anchor: "start", href: p.Href})
	}
	var margin []struct {
		y     float64
		words string
	}
	note := func(y float64, words string) {
		if wide && words != "" && y >= f.top-1 && y <= f.bottom+1 {
			margin = append(margin, struct {
				y     float64
				words string
			}{y, words})
		}
	}
	for _, t := range p.Tolerances {
		f.tolerance(d, t, note)
	}
	f.axes(d)
	f.lanes(d)
	for _, m := range p.Marks {
		x := f.x(m.X)
		d.line("mark", XY{x, f.top}, XY{x, f.bottom})
	}
	f.markWords(d)
	for _, l := range p.Limits {
		class := "lim"
		switch {
		case l.Centre:
			class = "centre"
		case l.Faint:
			class = "faint"
		}
		pts := f.within(l.Along)
		if len(pts) > 1 {
			d.line(class, pts...)
			note(pts[len(pts)-1].Y, l.Label)
		}
	}
	for _, l := range p.Lines {
		if pts := f.path(l.Along); len(pts) > 1 {
			d.line("join", pts...)
		}
	}
	for _, b := range p.Bars {
		lo, hi, end := f.clampY(b.Low), f.clampY(b.High), f.x(p.X.Min+b.Long)
		d.strokes = append(d.strokes, stroke{class: "bar", closed: true, text: b.Text,
			pts: []XY{{f.left, lo}, {end, lo}, {end, hi}, {f.left, hi}}})
	}
	for _, q := range p.Points {
		f.point(d, q)
	}
	f.pointWords(d)
	last := math.Inf(-1)
	for len(margin) > 0 {
		best := 0
		for i := range margin {
			if margin[i].y < margin[best].y {
				best = i
			}
		}
		y := math.Max(margin[best].y, last+15)
		d.say("note", "start", f.right+8, y+4, margin[best].words)
		last = y
		margin = append(margin[:best], margin[best+1:]...)
	}
}

func (f *frame) path(along []XY) []XY {
	out := make([]XY, 0, len(along))
	for _, q := range along {
		if finite(q.X) && finite(q.Y) {
			out = append(out, XY{f.x(q.X), f.clampY(q.Y)})
		}
	}
	return out
}

// within leaves out what lies beyond the axis: a limit drawn along its edge would
// be read as one.
func (f *frame) within(along []XY) []XY {
	kept := make([]XY, 0, len(along))
	for _, q := range along {
		if q.Y >= f.p.Y.Min && q.Y <= f.p.Y.Max {
			kept = append(kept, q)
		}
	}
	return f.path(kept)
}

func (f *frame) tolerance(d *drawing, t Tolerance, note func(float64, string)) {
	if t.Low == nil && t.High == nil {
		return
	}
	l, r := f.left, f.right
	if t.From != 0 || t.To != 0 {
		l, r = math.Max(l, f.x(t.From)), math.Min(r, f.x(t.To))
	}
	top, bottom := f.top, f.bottom
	if t.High != nil {
		top = f.clampY(*t.High)
	}
	if t.Low != nil {
		bottom = f.clampY(*t.Low)
	}
	if l >= r || top > bottom {
		return
	}
	d.area("tol", XY{l, top}, XY{r, top}, XY{r, bottom}, XY{l, bottom})
	for _, v := range []*float64{t.High, t.Low} {
		if v != nil && *v >= f.p.Y.Min && *v <= f.p.Y.Max {
			d.line("toledge", XY{l, f.y(*v)}, XY{r, f.y(*v)})
			if t.Label != "" {
				words := t.Label + " " + Number(*v)
				if t.say != nil {
					words = t.say(words)
				}
				note(f.y(*v), words)
			}
		}
	}
}

func (f *frame) axes(d *drawing) {
	for _, t := range f.p.Y.Ticks {
		y := f.y(t.At)
		if t.Label != "" {
			d.line("grid", XY{f.left, y}, XY{f.right, y})
			d.say("tick", "end", f.left-7, y+4, t.Label)
		}
	}
	d.line("axis", XY{f.left, f.bottom}, XY{f.right, f.bottom})
	for _, t := range f.p.X.Ticks {
		if t.At < f.p.X.Min || t.At > f.p.X.Max {
			continue
		}
		x, long := f.x(t.At), 3.0
		if t.Label != "" {
			long = 6
			d.say("tick", "middle", x, f.bottom+19, t.Label)
		}
		d.line("axis", XY{x, f.bottom}, XY{x, f.bottom + long})
	}
	d.say("note", "middle", (f.left+f.right)/2, f.bottom+38, f.p.X.Name)
	if f.p.Y.Name != "" {
		d.strokes = append(d.strokes, stroke{class: "note", pts: []XY{{f.left - 44, (f.top + f.bottom) / 2}}, words: f.p.Y.Name, anchor: "middle", turned: true})
	}
}

// markWords sets the labels of marks where they do not run into each other.
func (f *frame) markWords(d *drawing) {
	free := []float64{math.Inf(-1), math.Inf(-1), math.Inf(-1)}
	for _, m := range f.p.Marks {
		x := f.x(m.X)
		for row := range free {
			if x >= free[row] {
				d.say("note", "start", x+4, f.top+12+14*float64(row), m.Label)
				free[row] = x + 10 + 6.9*float64(len(m.Label))
				break
			}
		}
	}
}

func (f *frame) point(d *drawing, q Point) {
	if !finite(q.X) || !finite(q.Y) {
		return
	}
	x, y := f.x(q.X), f.clampY(q.Y)
	if q.Low != nil && q.High != nil {
		d.line("whisker", XY{x, f.clampY(*q.Low)}, XY{x, f.clampY(*q.High)})
	}
	if q.Left != nil && q.Right != nil {
		d.line("whisker", XY{f.x(*q.Left), y}, XY{f.x(*q.Right), y})
	}
	s := stroke{class: "dot", pts: []XY{{x, y}}, r: dotRadius}
	switch q.Shape {
	case Diamond:
		s = diamond(x, y)
	case Ring:
		s.class = "ring"
	}
	s.text, s.href = q.Text, q.Href
	d.strokes = append(d.strokes, s)
}

// Words is what a reader who cannot see the chart is told.
func (c *Chart) Words() string {
	var out []string
	for _, s := range []string{c.Desc, c.N, c.Method} {
		if s != "" {
			out = append(out, strings.TrimSuffix(s, ".")+".")
		}
	}
	return strings.Join(out, " ")
}

func at(q XY) string { return fmt.Sprintf("%s %s", short(q.X), short(q.Y)) }

func short(v float64) string {
	return strings.TrimSuffix(strings.TrimRight(fmt.Sprintf("%.1f", v), "0"), ".")
}
