package stat

import (
	"fmt"
	"html"
	"math"
	"strings"
)

// Sizes of a picture, in user units.
const (
	svgWidth, svgPanel = 960.0, 340.0
	svgLeft, svgRight  = 80.0, 190.0
	svgTop, svgBottom  = 44.0, 56.0
	maxPicturePoints   = 20000
	svgStyle           = `text{font:13px sans-serif;fill:#111}.t{font-size:15px;font-weight:bold}.a{stroke:#111;fill:none}.g{stroke:#ddd}.c{stroke:#111;fill:none}.l{stroke:#111;fill:none;stroke-dasharray:7 4}.tol{stroke:#111;stroke-width:3;stroke-dasharray:1 6;stroke-linecap:round}.d{stroke:#666;fill:none}.r{stroke:#111;stroke-dasharray:2 3}.p{fill:#111}.o{fill:#fff;stroke:#111;stroke-width:2.5}`
)

// SVG draws the charts one above the other, readable in black and white:
// centre solid, control limits dashed, tolerances as a heavy dotted line,
// signals as open squares with the rule's number, set-aside points crossed.
func (c *Charts) SVG() (string, error) {
	if c.Spread == nil {
		return pictures(c.Location)
	}
	return pictures(c.Location, c.Spread)
}

// SVG draws one chart; see Charts.SVG.
func (c *Chart) SVG() (string, error) { return pictures(c) }

func pictures(charts ...*Chart) (string, error) {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %g %g" role="img">`, svgWidth, svgPanel*float64(len(charts)))
	first := charts[0]
	fmt.Fprintf(&b, "\n<title>%s chart of %s</title>\n<desc>%s</desc>\n<style>%s</style>\n",
		html.EscapeString(first.Kind), html.EscapeString(first.named()), html.EscapeString(strings.TrimSpace(first.String())), svgStyle)
	b.WriteString(`<rect width="100%" height="100%" fill="#fff"/>` + "\n")
	for i, c := range charts {
		if len(c.Points) == 0 || len(c.Points) > maxPicturePoints {
			return "", inputErr("points in a picture", len(c.Points), fmt.Sprintf("1 to %d: chart a shorter span, or group the readings", maxPicturePoints))
		}
		fmt.Fprintf(&b, "<g transform=\"translate(0 %g)\">\n", svgPanel*float64(i))
		newPanel(c).draw(&b)
		b.WriteString("</g>\n")
	}
	b.WriteString("</svg>\n")
	return b.String(), nil
}

type panel struct {
	c      *Chart
	lo, hi float64
	step   float64
}

func newPanel(c *Chart) panel {
	p := panel{c: c, lo: math.Inf(1), hi: math.Inf(-1)}
	take := func(v *float64) {
		if v != nil {
			p.lo, p.hi = math.Min(p.lo, *v), math.Max(p.hi, *v)
		}
	}
	for i := range c.Points {
		q := &c.Points[i]
		take(&q.Value)
		take(&q.Limits.Centre)
		take(q.Limits.Lower)
		take(q.Limits.Upper)
	}
	if t := c.Tolerance; t != nil {
		take(t.Lower)
		take(t.Upper)
	}
	// Keep a range that doubles can divide into ticks.
	if least := 1e-9 * math.Max(math.Abs(p.lo), math.Abs(p.hi)); !(p.hi-p.lo > math.Max(least, 1e-300)) {
		p.hi = p.lo + math.Max(1, math.Abs(p.lo))
	}
	p.step = niceStep((p.hi - p.lo) / 5)
	p.lo, p.hi = math.Floor(p.lo/p.step)*p.step, math.Ceil(p.hi/p.step)*p.step
	return p
}

// niceStep rounds up to 1, 2 or 5 times a power of ten.
func niceStep(x float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(x)))
	for _, m := range []float64{1, 2, 5} {
		if x <= m*ten {
			return m * ten
		}
	}
	return 10 * ten
}

func (p panel) x(i float64) float64 {
	return svgLeft + (i+0.5)*(svgWidth-svgLeft-svgRight)/float64(len(p.c.Points))
}

func (p panel) y(v float64) float64 {
	return svgTop + (p.hi-v)/(p.hi-p.lo)*(svgPanel-svgTop-svgBottom)
}

func (p panel) draw(b *strings.Builder) {
	c := p.c
	bottom, right := svgPanel-svgBottom, svgWidth-svgRight
	text := func(x, y float64, class, anchor, s string) {
		fmt.Fprintf(b, `<text x="%.1f" y="%.1f" class="%s" text-anchor="%s">%s</text>`+"\n", x, y, class, anchor, html.EscapeString(s))
	}
	line := func(class string, x1, y1, x2, y2 float64) {
		fmt.Fprintf(b, `<line class="%s" x1="%.1f" y1="%.1f" x2="%.1f" y2="%.1f"/>`+"\n", class, x1, y1, x2, y2)
	}
	text(svgLeft, 18, "t", "start", fmt.Sprintf("%s: %s chart, phase %d", c.named(), c.Kind, c.Phase))
	text(right, 18, "", "end", fmt.Sprintf("n = %d points, %.10g in all", len(c.Points), c.Total))
	for tick := range int(math.Round((p.hi-p.lo)/p.step)) + 1 {
		v := p.lo + float64(tick)*p.step
		line("g", svgLeft, p.y(v), right, p.y(v))
		text(svgLeft-8, p.y(v)+4, "", "end", fmt.Sprintf("%.6g", math.Round(v/p.step)*p.step))
	}
	fmt.Fprintf(b, `<path class="a" d="M%g %gV%gH%g"/>`+"\n", svgLeft, svgTop, bottom, right)
	every := max(1, int(math.Ceil(float64(len(c.Points))/12)))
	for i := 0; i < len(c.Points); i += every {
		line("a", p.x(float64(i)), bottom, p.x(float64(i)), bottom+5)
		text(p.x(float64(i)), bottom+19, "", "middle", c.Points[i].Label)
	}
	text((svgLeft+right)/2, bottom+40, "", "middle", "point, in time order")
	fmt.Fprintf(b, `<text transform="translate(16 %.1f) rotate(-90)" text-anchor="middle">%s</text>`+"\n",
		(svgTop+bottom)/2, html.EscapeString(c.unit()))
	for _, r := range c.Restarts {
		at := p.x(float64(r.At) - 0.5)
		line("r", at, svgTop, at, bottom)
		text(at+4, svgTop-4, "", "start", r.Reason)
	}
	p.limitLines(b, text, line)
	p.points(b, text)
}

func (p panel) limitLines(b *strings.Builder, text func(x, y float64, class, anchor, s string),
	line func(class string, x1, y1, x2, y2 float64)) {
	last := p.c.Points[len(p.c.Points)-1].Limits
	right := svgWidth - svgRight
	type label struct {
		v *float64
		s string
	}
	labels := []label{{&last.Centre, "centre"}, {last.Upper, "upper control limit"}, {last.Lower, "lower control limit"}}
	for k, of := range []func(Limits) *float64{
		func(l Limits) *float64 { return &l.Centre },
		func(l Limits) *float64 { return l.Upper },
		func(l Limits) *float64 { return l.Lower },
	} {
		class := "l"
		if k == 0 {
			class = "c"
		}
		p.steps(b, class, of)
	}
	if t := p.c.Tolerance; t != nil {
		for _, v := range []*float64{t.Lower, t.Upper} {
			if v != nil {
				line("tol", svgLeft, p.y(*v), right, p.y(*v))
			}
		}
		labels = append(labels, label{t.Upper, "tolerance, upper"}, label{t.Lower, "tolerance, lower"})
	}
	var taken []float64
	for _, l := range labels {
		if l.v == nil {
			continue
		}
		y := p.y(*l.v) + 4
		for moved := true; moved; { // keep labels legible where lines lie close
			moved = false
			for _, other := range taken {
				if math.Abs(y-other) < 13 {
					y, moved = other-14, true
				}
			}
		}
		taken = append(taken, y)
		text(right+8, y, "", "start", fmt.Sprintf("%s %.5g", l.s, *l.v))
	}
}

// steps draws a limit as stairs, broken where there is none and at restarts.
func (p panel) steps(b *strings.Builder, class string, of func(Limits) *float64) {
	var d strings.Builder
	drawn, seg, y := false, -1, 0.0
	for i, q := range p.c.Points {
		v := of(q.Limits)
		if v == nil {
			drawn = false
			continue
		}
		if !drawn || q.Segment != seg {
			fmt.Fprintf(&d, "M%.1f %.1f", p.x(float64(i)-0.5), p.y(*v))
		} else if p.y(*v) != y {
			fmt.Fprintf(&d, "V%.1f", p.y(*v))
		}
		fmt.Fprintf(&d, "H%.1f", p.x(float64(i)+0.5))
		drawn, seg, y = true, q.Segment, p.y(*v)
	}
	if d.Len() > 0 {
		fmt.Fprintf(b, `<path class="%s" d="%s"/>`+"\n", class, d.String())
	}
}

func (p panel) points(b *strings.Builder, text func(x, y float64, class, anchor, s string)) {
	var d strings.Builder
	for i, q := range p.c.Points {
		move := 'L'
		if i == 0 || q.Segment != p.c.Points[i-1].Segment {
			move = 'M'
		}
		fmt.Fprintf(&d, "%c%.1f %.1f", move, p.x(float64(i)), p.y(q.Value))
	}
	fmt.Fprintf(b, `<path class="d" d="%s"/>`+"\n", d.String())
	for i, q := range p.c.Points {
		x, y := p.x(float64(i)), p.y(q.Value)
		switch {
		case len(q.Rules) > 0:
			fmt.Fprintf(b, `<rect class="o" x="%.1f" y="%.1f" width="10" height="10"/>`+"\n", x-5, y-5)
			s, _ := RuleSet(q.Rules...)
			text(x+8, y-6, "", "start", s.String())
		case len(p.c.Points) <= 500:
			fmt.Fprintf(b, `<circle class="p" cx="%.1f" cy="%.1f" r="3"/>`+"\n", x, y)
		}
		if q.SetAside != "" {
			fmt.Fprintf(b, `<path class="a" d="M%.1f %.1fl14 14m0 -14l-14 14"><title>set aside</title></path>`+"\n", x-7, y-7)
		}
	}
}
