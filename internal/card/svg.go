package card

import (
	"encoding/xml"
	"fmt"
	"io"
	"strconv"
	"strings"
)

// SVG writes the page as one SVG drawing with title and description. Words stay
// words, for search and screen readers; textLength holds each line to the width
// it was set for, whatever font the reader's machine has.
func (p *Page) SVG(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%gmm" height="%gmm" viewBox="0 0 %g %g" role="img" aria-labelledby="card-title card-desc">`+"\n",
		PageWidth, PageHeight, PageWidth, PageHeight)
	fmt.Fprintf(&b, "<title id=\"card-title\">%s</title>\n<desc id=\"card-desc\">%s</desc>\n", escape(p.Title), escape(p.Description))
	fmt.Fprintf(&b, `<rect width="%g" height="%g" fill="#fff"/>`+"\n", PageWidth, PageHeight)
	b.WriteString(`<g font-family="Go, 'Segoe UI', 'Noto Sans', Arial, sans-serif" stroke-linecap="round" stroke-linejoin="round" xml:space="preserve">` + "\n")
	for _, op := range p.ops {
		switch o := op.(type) {
		case fill:
			b.WriteString(`<path d="`)
			for _, poly := range o.polys {
				b.WriteString(path(poly))
				b.WriteByte('Z')
			}
			fmt.Fprintf(&b, `" fill="%s"/>`, tone(o.tone))
		case stroke:
			fmt.Fprintf(&b, `<path d="%s" fill="none" stroke="%s" stroke-width="%s"/>`, path(o.pts), tone(o.tone), num(o.width))
		case disc:
			if o.width > 0 {
				fmt.Fprintf(&b, `<circle cx="%s" cy="%s" r="%s" fill="#fff" stroke="%s" stroke-width="%s"/>`, num(o.at.x), num(o.at.y), num(o.r), tone(o.tone), num(o.width))
			} else {
				fmt.Fprintf(&b, `<circle cx="%s" cy="%s" r="%s" fill="%s"/>`, num(o.at.x), num(o.at.y), num(o.r), tone(o.tone))
			}
		case text:
			weight := ""
			if o.bold {
				weight = ` font-weight="bold"`
			}
			fmt.Fprintf(&b, `<text x="%s" y="%s" font-size="%s" textLength="%s" lengthAdjust="spacingAndGlyphs" fill="%s"%s>%s</text>`,
				num(o.at.x), num(o.at.y), num(o.size), num(o.width), tone(o.tone), weight, escape(o.words))
		}
		b.WriteByte('\n')
	}
	b.WriteString("</g>\n</svg>\n")
	if _, err := io.WriteString(w, b.String()); err != nil {
		return fmt.Errorf("write SVG: %w", err)
	}
	return nil
}

func path(pts []point) string {
	var b strings.Builder
	for i, q := range pts {
		b.WriteByte("ML"[min(i, 1)])
		b.WriteString(num(q.x))
		b.WriteByte(' ')
		b.WriteString(num(q.y))
	}
	return b.String()
}

// num is a length to a hundredth of a millimetre, finer than any print.
func num(v float64) string {
	s := strings.TrimRight(strings.TrimRight(strconv.FormatFloat(v, 'f', 2, 64), "0"), ".")
	if s == "-0" {
		return "0"
	}
	return s
}

func tone(v uint8) string { return fmt.Sprintf("#%02x%02x%02x", v, v, v) }

func escape(s string) string {
	var b strings.Builder
	// EscapeText fails only when the writer does, and a Builder does not.
	_ = xml.EscapeText(&b, []byte(s))
	return b.String()
}
