package chart

import (
	"fmt"
	"strconv"

	"codeberg.org/go-pdf/fpdf"

	"samecup.example/samecup/internal/look"
)

// PDFFont is the family that [Chart.PDF] sets words in; the document adds it in
// the regular and bold styles.
const PDFFont = "go"

// PDFHeight is how high the chart is at a width of w mm.
func (c *Chart) PDFHeight(w float64) float64 {
	d := c.draw()
	return d.h * w / d.w
}

// PDF draws the chart, without its title and method, as lines and letters into
// the document's page: w mm wide with its corner at x, y.
func (c *Chart) PDF(f *fpdf.Fpdf, x, y, w float64) error {
	colours, err := look.Colours(look.Light)
	if err != nil {
		return fmt.Errorf("chart %s: %w", c.ID, err)
	}
	colours["sheet"] = "#ffffff"
	d := c.draw()
	page := pdfPage{f: f, x: x, y: y, scale: w / d.w, colours: colours}
	for i := range d.strokes {
		page.stroke(&d.strokes[i])
	}
	f.SetDashPattern(nil, 0)
	return nil
}

type pdfPage struct {
	f           *fpdf.Fpdf
	x, y, scale float64
	colours     map[string]string
}

func (p *pdfPage) at(q XY) (x, y float64) { return p.x + q.X*p.scale, p.y + q.Y*p.scale }

func (p *pdfPage) colour(token string) (r, g, b int) {
	n, err := strconv.ParseUint(p.colours[token][1:], 16, 32)
	if err != nil {
		return 0, 0, 0
	}
	return int(n >> 16), int(n >> 8 & 255), int(n & 255)
}

func (p *pdfPage) stroke(s *stroke) {
	st := styleOf(s.class)
	if s.words != "" {
		p.words(s, st)
		return
	}
	how := ""
	if st.fill != "" && (s.closed || s.r > 0) {
		p.f.SetFillColor(p.colour(st.fill))
		how = "F"
	}
	if st.edge != "" {
		p.f.SetDrawColor(p.colour(st.edge))
		p.f.SetLineWidth(st.width * p.scale)
		dash := make([]float64, len(st.dash))
		for i, v := range st.dash {
			dash[i] = v * p.scale
		}
		p.f.SetDashPattern(dash, 0)
		how += "D"
	}
	if how == "" || len(s.pts) == 0 {
		return
	}
	if s.r > 0 {
		x, y := p.at(s.pts[0])
		p.f.Circle(x, y, s.r*p.scale, how)
		return
	}
	for i, q := range s.pts {
		x, y := p.at(q)
		if i == 0 {
			p.f.MoveTo(x, y)
		} else {
			p.f.LineTo(x, y)
		}
	}
	if s.closed {
		p.f.ClosePath()
	}
	p.f.DrawPath(how)
}

func (p *pdfPage) words(s *stroke, st style) {
	style := ""
	if st.bold {
		style = "B"
	}
	p.f.SetFont(PDFFont, style, 0)
	p.f.SetFontUnitSize(st.size * p.scale)
	p.f.SetTextColor(p.colour(st.fill))
	x, y := p.at(s.pts[0])
	long := p.f.GetStringWidth(s.words)
	back := map[string]float64{"middle": long / 2, "end": long}[s.anchor]
	if !s.turned {
		p.f.Text(x-back, y, s.words)
		return
	}
	p.f.TransformBegin()
	p.f.TransformRotate(90, x, y)
	p.f.Text(x-back, y, s.words)
	p.f.TransformEnd()
}
