package tablet

import (
	"fmt"
	"html/template"
	"math"
	"strings"
	"unicode/utf8"

	"samecup.example/samecup/internal/card"
	"samecup.example/samecup/internal/drink"
)

// The drawing's own units are vessel millimetres, so that it is to scale by
// nature; only words are sized against the whole.
const (
	cupWall   = 1.0 // drawn outside the inner profile, mm
	cupSlices = 24  // into which a curved wall is cut
)

// cup draws the cross-section of a serving with its layers from the bottom up;
// empty where it cannot be drawn, which the list of parts then makes good.
func (v *view) cup(b *drink.Book, s *drink.Serving) template.HTML {
	sec, err := card.Levels(b, s)
	if err != nil {
		return ""
	}
	high := sec.Shape.Height()
	wide := sec.Shape.Rim()
	for _, d := range slicesOf(0, high) {
		wide = math.Max(wide, widthAt(sec, d))
	}
	// Words are sized against the whole, whatever the vessel.
	above := math.Max(sec.AboveMM, 0)
	tall := high + above
	scale := math.Max(tall, wide*0.8)
	word := scale / 8.5
	gap := word * 1.1
	labels := make([]cupLabel, len(sec.Layers))
	longest := 0
	for i, l := range sec.Layers {
		labels[i] = cupLabel{v.layerName(l), v.layerAmount(b, s, l)}
		longest = max(longest, utf8.RuneCountInString(labels[i].name)*11/10, utf8.RuneCountInString(labels[i].amount))
	}
	total := math.Max(gap+tall+word*2.2, float64(len(labels))*word*2.4+word)
	mid := wide/2 + cupWall + word*0.3
	x := mid + wide/2 + cupWall + word*1.3
	full := x + float64(longest)*word*0.53
	y := func(depth float64) float64 { return gap + above + high - depth }

	var w strings.Builder
	title := v.T("cup.title", nameOfVessel(b, s.Vessel))
	var said []string
	for _, l := range labels {
		said = append(said, l.name+" "+l.amount)
	}
	desc := v.T("cup.desc", strings.Join(said, "; "), v.Num(drink.Milli(math.Round(sec.RimGapMM)*1000)))
	fmt.Fprintf(&w, `<svg class="cup" viewBox="0 0 %s %s" role="img" aria-labelledby="cup-title cup-desc">`, n(full), n(total))
	fmt.Fprintf(&w, `<title id="cup-title">%s</title><desc id="cup-desc">%s</desc>`, esc(title), esc(desc))
	w.WriteString(cupPatterns(scale))
	for _, l := range sec.Layers {
		fmt.Fprintf(&w, `<path class="layer %s" d="%s"/>`, esc(l.Kind), layerPath(sec, l, mid, y))
		fmt.Fprintf(&w, `<path class="marks" fill="url(#p-%s)" d="%s"/>`, patternOf(l.Kind), layerPath(sec, l, mid, y))
	}
	// The wall, open at the top.
	var wall []string
	ds := append([]float64{0}, append(slicesOf(0, high), high)...)
	for i := len(ds) - 1; i >= 0; i-- {
		wall = append(wall, n(mid-widthAt(sec, ds[i])/2-cupWall/2)+" "+n(y(ds[i])))
	}
	for _, d := range ds {
		wall = append(wall, n(mid+widthAt(sec, d)/2+cupWall/2)+" "+n(y(d)))
	}
	fmt.Fprintf(&w, `<path class="wall" stroke-width="%s" d="M%s"/>`, n(scale/45), strings.Join(wall, "L"))

	// Names to the right, from the top down, kept apart.
	at := word
	for i := len(sec.Layers) - 1; i >= 0; i-- {
		l := sec.Layers[i]
		middle := (y(l.FromMM) + y(l.ToMM)) / 2
		at = math.Max(at, math.Min(middle, total-word*2.4*float64(i+1)+word))
		from := mid + widthAt(sec, (l.FromMM+l.ToMM)/2)/2 + cupWall
		fmt.Fprintf(&w, `<path class="leader" stroke-width="%s" d="M%s %sL%s %s"/>`, n(scale/150), n(from), n(middle), n(x-word*0.2), n(at-word*0.3))
		fmt.Fprintf(&w, `<text x="%s" y="%s" font-size="%s"><tspan class="name"%s>%s</tspan><tspan x="%s" dy="%s">%s</tspan></text>`,
			n(x), n(at), n(word), v.langOf(l), esc(labels[i].name), n(x), n(word*1.1), esc(labels[i].amount))
		at += word * 2.4
	}
	bar := 20.0
	base := gap + tall + word*1.9
	fmt.Fprintf(&w, `<path class="leader" stroke-width="%s" d="M%s %sv%sh%sv%s"/>`, n(scale/120), n(mid-bar/2), n(base-word*1.2), n(word*0.3), n(bar), n(-word*0.3))
	fmt.Fprintf(&w, `<text x="%s" y="%s" font-size="%s" text-anchor="middle">20&#160;mm</text>`, n(mid), n(base), n(word*0.8))
	w.WriteString(`</svg>`)
	// Every word above is escaped and every number formatted here.
	return template.HTML(w.String())
}

// cupLabel stands beside a layer.
type cupLabel struct{ name, amount string }

func (v *view) langOf(l card.Layer) string {
	if v.BookLang == "" || l.Kind == card.Froth || l.Kind == card.Espresso {
		return ""
	}
	return ` lang="` + v.BookLang + `"`
}

func (v *view) layerName(l card.Layer) string {
	if l.Kind == card.Froth || l.Kind == card.Espresso {
		return v.T("layer." + l.Kind)
	}
	return l.Name
}

// layerAmount is what the person puts in, not what it swells to.
func (v *view) layerAmount(b *drink.Book, s *drink.Serving, l card.Layer) string {
	about := v.T("cup.about", v.Q(drink.Milli(math.Round(l.VolumeML)*1000), drink.Millilitre))
	switch l.Kind {
	case card.Froth:
		if f, err := b.Facts(s); err == nil {
			return about + ", " + v.T("cup.deep", v.Q(drink.Milli(math.Round(f.FrothDepthMM)*1000), drink.Millimetre))
		}
		return about
	case card.Espresso:
		return v.N("card.shots", s.Shots)
	}
	for _, p := range s.Parts {
		if nameOf(b, p.Ingredient) != l.Name {
			continue
		}
		if p.Unit == drink.Count {
			return v.N("card.pumps", p.Amount)
		}
		out := v.Q(p.Amount, p.Unit)
		if l.Kind == "milk" || l.Kind == "plant_milk" {
			out = v.T("cup.cold", out)
		}
		return out
	}
	return about
}

func widthAt(sec *card.Section, depth float64) float64 {
	if depth >= sec.Shape.Height() {
		return sec.Shape.Rim()
	}
	w, err := sec.Shape.Width(math.Max(0, depth))
	if err != nil {
		return 0 // no depth within the vessel is out of range
	}
	return w
}

// slicesOf are depths strictly between two, where a wall may bend.
func slicesOf(from, to float64) []float64 {
	var out []float64
	for i := 1; i < cupSlices; i++ {
		out = append(out, from+(to-from)*float64(i)/cupSlices)
	}
	return out
}

func layerPath(sec *card.Section, l card.Layer, mid float64, y func(float64) float64) string {
	ds := append([]float64{l.FromMM}, append(slicesOf(l.FromMM, l.ToMM), l.ToMM)...)
	var pts []string
	for _, d := range ds {
		pts = append(pts, n(mid-widthAt(sec, d)/2)+" "+n(y(d)))
	}
	var out strings.Builder
	out.WriteString("M" + strings.Join(pts, "L"))
	half := widthAt(sec, l.ToMM) / 2
	if l.AboveMM > 0 {
		// A cap of sagitta h over a chord 2r has radius (r² + h²) / 2h.
		r := (half*half + l.AboveMM*l.AboveMM) / (2 * l.AboveMM)
		fmt.Fprintf(&out, "A%s %s 0 0 1 %s %s", n(r), n(r), n(mid+half), n(y(l.ToMM)))
	}
	for i := len(ds) - 1; i >= 0; i-- {
		out.WriteString("L" + n(mid+widthAt(sec, ds[i])/2) + " " + n(y(ds[i])))
	}
	out.WriteString("Z")
	return out.String()
}

// patternOf tells layers apart where tones do not.
func patternOf(kind string) string {
	switch card.StyleOf(kind).Pattern {
	case card.Bubbles:
		return "dots"
	case card.Waves:
		return "waves"
	case card.HatchUp, card.Cubes:
		return "up"
	case card.HatchDown:
		return "down"
	case card.CrossHatch:
		return "cross"
	case card.Uprights:
		return "upright"
	case card.Specks:
		return "specks"
	}
	return "none"
}

func cupPatterns(scale float64) string {
	u := scale / 22
	cell := func(id, marks string) string {
		return fmt.Sprintf(`<pattern id="p-%s" width="%s" height="%s" patternUnits="userSpaceOnUse">%s</pattern>`, id, n(u), n(u), marks)
	}
	line := func(d string) string { return fmt.Sprintf(`<path stroke-width="%s" d="%s"/>`, n(u/10), d) }
	return `<defs class="marks">` +
		cell("none", "") +
		cell("dots", fmt.Sprintf(`<circle fill="none" stroke-width="%s" cx="%s" cy="%s" r="%s"/>`, n(u/12), n(u/2), n(u/2), n(u/3.6))) +
		cell("specks", fmt.Sprintf(`<circle class="speck" cx="%s" cy="%s" r="%s"/>`, n(u/2), n(u/2), n(u/8))) +
		cell("waves", line("M0 "+n(u/2)+"h"+n(u*0.6))) +
		cell("up", line("M0 "+n(u)+"L"+n(u)+" 0")) +
		cell("down", line("M0 0L"+n(u)+" "+n(u))) +
		cell("upright", line("M"+n(u/2)+" 0v"+n(u))) +
		cell("cross", line("M0 "+n(u)+"L"+n(u)+" 0")+line("M0 0L"+n(u)+" "+n(u))) +
		`</defs>`
}

// n is a number for a drawing, to a hundredth.
func n(f float64) string {
	s := strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.2f", f), "0"), ".")
	if s == "-0" || s == "" {
		return "0"
	}
	return s
}

func esc(s string) string { return template.HTMLEscapeString(s) }
