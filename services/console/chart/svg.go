package chart

import (
	"fmt"
	"html"
	"io"
	"strings"

	"samecup.example/samecup/internal/look"
)

// style is how a class of stroke looks. Colours are tokens of internal/look.
type style struct {
	class      string
	fill, edge string
	width      float64
	dash       []float64
	size       float64
	bold       bool
}

var styles = []style{
	{class: "tol", fill: "tolerance"},
	{class: "toledge", edge: "tolerance-edge", width: 1.6},
	{class: "grid", edge: "rule", width: 0.8},
	{class: "axis", edge: "ink-soft", width: 1},
	{class: "lim", edge: "limit", width: 1.8, dash: []float64{8, 5}},
	{class: "faint", edge: "limit", width: 1.2, dash: []float64{2, 4}},
	{class: "centre", edge: "limit", width: 1},
	{class: "event", edge: "ink", width: 2},
	{class: "mark", edge: "ink-soft", width: 1, dash: []float64{1, 4}},
	{class: "join", edge: "edge", width: 1},
	{class: "whisker", edge: "ink-soft", width: 1.4},
	{class: "bar", fill: "shade", edge: "ink", width: 1},
	{class: "dot", fill: "ink"},
	{class: "diamond", fill: "sheet", edge: "alert", width: 2.4},
	{class: "ring", fill: "sheet", edge: "ink-soft", width: 1.4},
	{class: "tick", fill: "ink-soft", size: textSize},
	{class: "note", fill: "ink-soft", size: textSize},
	{class: "panel", fill: "ink", size: titleSize, bold: true},
	{class: "title", fill: "ink", size: 18, bold: true},
}

const fontFamily = `"Segoe UI","Noto Sans","Liberation Sans","Nimbus Sans",system-ui,sans-serif`

// CSS is the style of inline charts, in tokens.
func CSS() []byte { return []byte(rules(func(token string) string { return "var(--" + token + ")" })) }

func rules(colour func(token string) string) string {
	var b strings.Builder
	for _, s := range styles {
		fmt.Fprintf(&b, ".ch-%s{", s.class)
		if s.fill != "" {
			fmt.Fprintf(&b, "fill:%s;", colour(s.fill))
		} else {
			b.WriteString("fill:none;")
		}
		if s.edge != "" {
			fmt.Fprintf(&b, "stroke:%s;stroke-width:%g;", colour(s.edge), s.width)
		}
		if s.dash != nil {
			fmt.Fprintf(&b, "stroke-dasharray:%g %g;", s.dash[0], s.dash[1])
		}
		if s.size > 0 {
			fmt.Fprintf(&b, "font-size:%gpx;font-family:%s;", s.size, fontFamily)
		}
		if s.bold {
			b.WriteString("font-weight:600;")
		}
		b.WriteString("}\n")
	}
	return b.String()
}

// Inline writes the chart for a page whose sheet holds [CSS]: title and
// description for readers, a link where a point has one, no style of its own.
func (c *Chart) Inline() string {
	var b strings.Builder
	d := c.draw()
	fmt.Fprintf(&b, `<svg viewBox="0 0 %s %s" width="%s" height="%s" role="group" aria-labelledby="%s-t %s-d">`, short(d.w), short(d.h), short(d.w), short(d.h), c.ID, c.ID)
	c.body(&b, d)
	return b.String()
}

func (c *Chart) body(b *strings.Builder, d *drawing) {
	fmt.Fprintf(b, "\n<title id=\"%s-t\">%s</title>\n<desc id=\"%s-d\">%s</desc>\n", c.ID, html.EscapeString(c.Title), c.ID, html.EscapeString(c.Words()))
	for i := range d.strokes {
		d.strokes[i].svg(b)
	}
	b.WriteString("</svg>")
}

// SVG writes the chart as a file of its own, in the light colours, with its
// title, n and method in it.
func (c *Chart) SVG(w io.Writer) error {
	colours, err := look.Colours(look.Light)
	if err != nil {
		return err
	}
	d := c.whole()
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-labelledby="%s-t %s-d">`,
		short(d.w), short(d.h), short(d.w), short(d.h), c.ID, c.ID)
	fmt.Fprintf(&b, "\n<style>%s</style>\n<rect width=\"100%%\" height=\"100%%\" fill=\"%s\"/>", rules(func(t string) string { return colours[t] }), colours["sheet"])
	c.body(&b, d)
	b.WriteByte('\n')
	_, err = io.WriteString(w, b.String())
	return err
}

// whole is the drawing with its words around it, for a file of its own.
func (c *Chart) whole() *drawing {
	in := c.draw()
	out := &drawing{w: in.w, h: in.h}
	const head = 40
	out.say("title", "start", 16, 26, c.Title)
	for _, s := range in.strokes {
		pts := make([]XY, len(s.pts))
		for i, q := range s.pts {
			pts[i] = XY{q.X, q.Y + head}
		}
		s.pts, s.href = pts, ""
		out.strokes = append(out.strokes, s)
	}
	y := in.h + head + 8
	for _, line := range wrap(c.said(), int(in.w/6.8)) {
		y += 17
		out.say("note", "start", 16, y, line)
	}
	out.h = y + 14
	return out
}

// said is what stands beneath the drawing.
func (c *Chart) said() string {
	return strings.TrimSuffix(c.N, ".") + ". " + strings.TrimSuffix(c.Method, ".") + "."
}

// wrap breaks words into lines of at most most characters.
func wrap(words string, most int) []string {
	var out []string
	line := ""
	for _, w := range strings.Fields(words) {
		if line != "" && len(line)+1+len(w) > most {
			out, line = append(out, line), ""
		}
		if line != "" {
			line += " "
		}
		line += w
	}
	if line != "" {
		out = append(out, line)
	}
	return out
}

func (s *stroke) svg(b *strings.Builder) {
	b.WriteByte('\n')
	if s.href != "" {
		fmt.Fprintf(b, `<a href="%s">`, html.EscapeString(s.href))
	}
	class := "ch-" + s.class
	title := ""
	if s.text != "" {
		title = "<title>" + html.EscapeString(s.text) + "</title>"
	}
	switch {
	case s.words != "" && s.turned:
		fmt.Fprintf(b, `<text class="%s" text-anchor="%s" transform="translate(%s) rotate(-90)">%s</text>`, class, s.anchor, at(s.pts[0]), html.EscapeString(s.words))
	case s.words != "":
		fmt.Fprintf(b, `<text class="%s" text-anchor="%s" x="%s" y="%s">%s</text>`, class, s.anchor, short(s.pts[0].X), short(s.pts[0].Y), html.EscapeString(s.words))
	case s.r > 0:
		fmt.Fprintf(b, `<circle class="%s" cx="%s" cy="%s" r="%s">%s</circle>`, class, short(s.pts[0].X), short(s.pts[0].Y), short(s.r), title)
	default:
		fmt.Fprintf(b, `<path class="%s" d="`, class)
		for i, q := range s.pts {
			c := "L"
			if i == 0 {
				c = "M"
			}
			b.WriteString(c + at(q))
		}
		if s.closed {
			b.WriteByte('Z')
		}
		fmt.Fprintf(b, `">%s</path>`, title)
	}
	if s.href != "" {
		b.WriteString("</a>")
	}
}
