package console

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"samecup.example/samecup/internal/card"
	"samecup.example/samecup/internal/drink"
)

// cupScale is user units a millimetre: all cups of a page are to one scale.
const cupScale = 0.9

// cupHTML draws a serving's vessel in section, to scale, with what is in it. A
// serving that cannot be drawn has no picture.
func cupHTML(b *book, s *drink.Serving) template.HTML { return cupLarge(b, s, 1) }

// cupLarge is cupHTML so many times as large; cups of a page are to one scale
// where all of them are.
func cupLarge(b *book, s *drink.Serving, times float64) template.HTML {
	if b == nil || s == nil {
		return ""
	}
	sec, err := card.Levels(b.Book, s)
	if err != nil {
		return ""
	}
	h := sec.Shape.Height()
	wide := 0.0
	for i := range 21 {
		wide = math.Max(wide, widthAt(sec, h*float64(i)/20))
	}
	const pad = 3
	w, tall := wide*cupScale+2*pad, (h+math.Max(0, sec.AboveMM))*cupScale+2*pad
	x := func(half float64) float64 { return w/2 + half*cupScale }
	y := func(depth float64) float64 { return tall - pad - depth*cupScale }
	var o strings.Builder
	var words []string
	for _, l := range sec.Layers {
		words = append(words, strings.TrimSpace(l.Name+" "+l.Amount))
	}
	label := s.DrinkName + ", " + s.Size + ": " + strings.Join(words, ", ")
	fmt.Fprintf(&o, `<svg class="cup" viewBox="0 0 %.1f %.1f" width="%.0f" height="%.0f" role="img" aria-label="%s"><title>%s</title>`, w, tall, times*w, times*tall, template.HTMLEscapeString(label), template.HTMLEscapeString(label))
	for _, l := range sec.Layers {
		fmt.Fprintf(&o, `<path class="in-%s" d="%s"/>`, template.HTMLEscapeString(l.Kind), layerPath(sec, l, x, y))
	}
	o.WriteString(`<path class="wall" d="`)
	const parts = 16
	for i := range parts + 1 {
		d := h * (1 - float64(i)/parts)
		fmt.Fprintf(&o, "%s%.1f %.1f", map[bool]string{true: "M", false: "L"}[i == 0], x(-widthAt(sec, d)/2), y(d))
	}
	for i := range parts + 1 {
		d := h * float64(i) / parts
		fmt.Fprintf(&o, "L%.1f %.1f", x(widthAt(sec, d)/2), y(d))
	}
	o.WriteString(`"/></svg>`)
	return template.HTML(o.String()) // #nosec G203 -- all words are escaped above
}

func widthAt(sec *card.Section, depth float64) float64 {
	if depth >= sec.Shape.Height() {
		return sec.Shape.Rim()
	}
	w, err := sec.Shape.Width(math.Max(0, depth))
	if err != nil {
		return 0
	}
	return w
}

func layerPath(sec *card.Section, l card.Layer, x, y func(float64) float64) string {
	var b strings.Builder
	const parts = 10
	top := math.Min(l.ToMM, sec.Shape.Height())
	for i := range parts + 1 {
		d := l.FromMM + (top-l.FromMM)*float64(i)/parts
		fmt.Fprintf(&b, "%s%.1f %.1f", map[bool]string{true: "M", false: "L"}[i == 0], x(-widthAt(sec, d)/2), y(d))
	}
	if l.AboveMM > 0 { // a cap of froth, by one curve
		half := widthAt(sec, top) / 2
		fmt.Fprintf(&b, "Q%.1f %.1f %.1f %.1f", x(0), y(top+2*l.AboveMM), x(half), y(top))
	}
	for i := range parts + 1 {
		d := top - (top-l.FromMM)*float64(i)/parts
		fmt.Fprintf(&b, "L%.1f %.1f", x(widthAt(sec, d)/2), y(d))
	}
	return b.String() + "Z"
}
