package card

import (
	"encoding/hex"
	"fmt"
	"math"
	"strings"
	"time"

	"github.com/skip2/go-qrcode"

	"samecup.example/samecup/internal/drink"
)

// Options say which release a card was drawn from. The zero value draws a draft.
type Options struct {
	// Release is the release's number; 0 for a draft.
	Release uint64
	// Effective is when the release comes into force; zero when not known.
	Effective time.Time
	// Digest is the release's digest; a code needs its first 8 bytes.
	Digest []byte
	// Code overrides the text of the code, for a chain whose stations answer at
	// a web address; empty takes CodeText.
	Code string
}

// digestBytes is how much of a digest goes into a code: 16 hex digits tell any
// two releases of a chain apart, and the code stays coarse enough to scan.
const digestBytes = 8

// CodeText is what the code on a card says: samecup:release:<number>:<first 16
// hex digits of the digest>:<serving>. Empty for a draft or a short digest.
func CodeText(o Options, serving string) string {
	if o.Release == 0 || len(o.Digest) < digestBytes {
		return ""
	}
	return fmt.Sprintf("samecup:release:%d:%s:%s", o.Release, hex.EncodeToString(o.Digest[:digestBytes]), serving)
}

// ParseDigest reads a digest in hex, at least 16 digits.
func ParseDigest(text string) ([]byte, error) {
	d, err := hex.DecodeString(strings.TrimPrefix(text, "sha256:"))
	if err != nil || len(d) < digestBytes {
		return nil, fmt.Errorf("digest %q: must be at least %d hex digits, an even number; take it from `samecup releases`", text, 2*digestBytes)
	}
	return d, nil
}

// Check says what is wrong with the options, naming the field.
func (o Options) Check() error {
	switch {
	case o.Release == 0 && (!o.Effective.IsZero() || len(o.Digest) > 0 || o.Code != ""):
		return fmt.Errorf("release 0: an effective time, digest or code needs a release number of 1 or more; give the number, or leave the others out for a draft")
	case len(o.Digest) > 0 && len(o.Digest) < digestBytes:
		return fmt.Errorf("digest of %d bytes: must be at least %d bytes (%d hex digits); take it from `samecup releases`", len(o.Digest), digestBytes, 2*digestBytes)
	case len(o.Code) > 300:
		return fmt.Errorf("code of %d bytes: at most 300 can be scanned from a card; shorten it", len(o.Code))
	}
	return nil
}

// margin of the page, mm, and the ems that it starts from before shrinking.
const (
	margin    = 8.0
	right     = PageWidth - margin
	textWide  = right - margin
	stepSize  = 4.3
	leastSize = 0.2
)

// Draw makes the card of one serving. Type starts large and shrinks, all of it
// together, until the longest of cards ends above its footer.
func Draw(b *drink.Book, s *drink.Serving, o Options) (*Page, error) {
	if err := o.Check(); err != nil {
		return nil, err
	}
	sec, err := Levels(b, s)
	if err != nil {
		return nil, err
	}
	w := wordsOf(b, s)
	for k := 1.3; ; k *= 0.97 {
		p := &Page{}
		limit, err := p.footer(b, s, o)
		if err != nil {
			return nil, err
		}
		y := p.head(b, s, sec, w)
		y = p.diagram(sec, y, 62*min(max(k, 0.72), 1.12))
		y = p.build(w, y, k)
		y = p.contents(w, y, k)
		if y <= limit || k < leastSize {
			name, rest := title(b, s)
			p.Title = name + ", " + rest
			p.Description = describe(sec, w)
			return p, nil
		}
	}
}

// describe is the drawing in words.
func describe(sec *Section, w words) string {
	var d strings.Builder
	fmt.Fprintf(&d, "Cross-section of %s, %.0f mm across the brim, %.0f mm high. From the bottom: ", sec.Vessel.Name, sec.Shape.Rim(), sec.Shape.Height())
	for i, l := range sec.Layers {
		if i > 0 {
			d.WriteString("; ")
		}
		fmt.Fprintf(&d, "%s, %s, from %.0f to %.0f mm", l.Name, l.Amount, l.FromMM, l.ToMM+l.AboveMM)
	}
	d.WriteString(". Steps: ")
	for i, st := range w.steps {
		fmt.Fprintf(&d, "%d. %s. ", i+1, strings.Join(append([]string{st.text}, st.checks...), "; "))
	}
	fmt.Fprintf(&d, "On top: %s. Contains: %s. May contain: %s.", w.garnish, w.contains, w.mayContain)
	return d.String()
}

// head writes the title and returns where the drawing may start.
func (p *Page) head(b *drink.Book, s *drink.Serving, sec *Section, w words) float64 {
	name, rest := title(b, s)
	chain := fitSize(b.Chain, 3, textWide, false)
	p.text(margin, 11, chain, false, grey, b.Chain)
	p.textRight(right, 11, fitSize(s.ID, 3, textWide*0.55, false), false, grey, s.ID)
	size := fitSize(name, 9, textWide, true)
	p.text(margin, 20, size, true, black, name)
	p.text(margin, 26.5, fitSize(rest, 5.4, textWide, false), false, black, rest)
	y := 31.0
	facts := fmt.Sprintf("%s (%s), %s to the brim.", sec.Vessel.Name, sec.Vessel.ID, drink.FormatQuantity(sec.Vessel.Brim, drink.Millilitre))
	if w.coffee != "" {
		facts += " " + sentence(w.coffee) + "."
	}
	size = 3.0
	for size > 1.5 && len(wrap(facts, size, textWide, false)) > 3 {
		size *= 0.95
	}
	for _, l := range wrap(facts, size, textWide, false) {
		p.text(margin, y, size, false, black, l)
		y += size * 1.25
	}
	y -= size * 0.6
	p.line(0.5, black, point{margin, y}, point{right, y})
	return y + 2
}

// build writes the steps with their tolerances in two columns.
func (p *Page) build(w words, y, k float64) float64 {
	size := stepSize * k
	small := size * 0.84
	numberWide := textWidth("00", size, true) + 1.5
	left := margin + numberWide
	mid := margin + textWide*0.45
	p.line(0.5, black, point{margin, y}, point{right, y})
	y += 1.2 * k
	row := func(number, what string, checks []string) {
		wide := mid - left - 2
		if len(checks) == 0 {
			wide = right - left
		}
		a := wrap(what, size, wide, true)
		var c []string
		var first, bold []bool
		for _, check := range checks {
			// What must never be passed stands out from what is aimed at.
			parts := []string{check}
			if aim, never, ok := strings.Cut(check, ", never "); ok {
				parts = []string{aim + ",", "never " + never}
			}
			for j, part := range parts {
				heavy := strings.Contains(part, "SAFETY")
				for i, l := range wrap(part, small, right-mid-2.5, heavy) {
					c = append(c, l)
					first = append(first, i == 0 && j == 0)
					bold = append(bold, heavy)
				}
			}
		}
		top := y + size
		p.text(margin, top, size, true, grey, number)
		for i, l := range a {
			p.text(left, top+float64(i)*size*1.14, size, true, black, l)
		}
		for i, l := range c {
			ly := top + float64(i)*small*1.2
			if first[i] {
				p.fill(black, []point{{mid, ly - small*0.5}, {mid + 1, ly - small*0.5}, {mid + 1, ly - small*0.2}, {mid, ly - small*0.2}})
			}
			p.text(mid+2.5, ly, small, bold[i], black, l)
		}
		y += max(float64(len(a))*size*1.14, float64(len(c))*small*1.2) + size*0.38
		p.line(0.12, 150, point{margin, y}, point{right, y})
		y += size * 0.1
	}
	for i, st := range w.steps {
		row(fmt.Sprint(i+1), st.text, st.checks)
	}
	if len(w.handover) > 0 {
		row("", "At handover", w.handover)
	}
	return y + 0.8*k
}

// contents writes what is on top and within, and the cautions.
func (p *Page) contents(w words, y, k float64) float64 {
	size := 3.2 * k
	labelWide := textWidth("May contain", size, true) + 2
	pair := func(label, what string) {
		lines := wrap(what, size, textWide-labelWide, false)
		p.text(margin, y+size, size, true, black, label)
		for i, l := range lines {
			p.text(margin+labelWide, y+size*(1+1.2*float64(i)), size, false, black, l)
		}
		y += size * 1.2 * float64(max(1, len(lines)))
	}
	pair("On top", w.garnish)
	pair("Contains", w.contains)
	pair("May contain", w.mayContain)
	for _, n := range w.notes {
		if rest, ok := strings.CutPrefix(n, "UNKNOWN "); ok {
			pair("UNKNOWN", rest)
			continue
		}
		if rest, ok := strings.CutPrefix(n, "May change "); ok {
			pair("May change", rest)
			continue
		}
		pair("", n)
	}
	y += 0.8 * k
	caution := func(what string, size float64, bold bool) {
		for i, l := range wrap(what, size, textWide-3, bold) {
			if i == 0 {
				p.text(margin, y+size, size, true, black, "!")
			}
			p.text(margin+3, y+size, size, bold, black, l)
			y += size * 1.2
		}
	}
	// Cautions start smaller than the steps, so they shrink more slowly.
	slow := k
	if k < 1 && k > 0.5 {
		slow = math.Sqrt(k)
	}
	for _, c := range w.cautions {
		caution(c, 3.0*slow, true)
	}
	for _, c := range drink.UsualCautions {
		caution(c, 2.4*slow, false)
	}
	return y
}

// footer writes release, time and code, and returns where the card must end.
func (p *Page) footer(b *drink.Book, s *drink.Serving, o Options) (float64, error) {
	const bottom = PageHeight - margin + 2
	if o.Release == 0 {
		p.line(0.3, black, point{margin, bottom - 5}, point{right, bottom - 5})
		p.text(margin, bottom-1, 3, true, black, "draft: not released")
		return bottom - 6, nil
	}
	code := o.Code
	if code == "" {
		code = CodeText(o, s.ID)
	}
	top := bottom - 12
	wide := textWide
	if code != "" {
		const side = 19.0
		top = bottom - side
		wide -= side + 3
		if err := p.code(code, right-side, top+0.5, side); err != nil {
			return 0, err
		}
	}
	p.line(0.3, black, point{margin, top - 0.5}, point{right, top - 0.5})
	head := fmt.Sprintf("release %d", o.Release)
	if !o.Effective.IsZero() {
		head += ", in force from " + stamp(o.Effective)
	}
	p.text(margin, top+5, fitSize(head, 3.6, wide, true), true, black, head)
	if code != "" {
		p.text(margin, top+9.5, fitSize(code, 2.4, wide, false), false, grey, code)
		tell := "Scan at the station to see whether this card is still in force."
		p.text(margin, top+13.5, fitSize(tell, 2.6, wide, false), false, black, tell)
	} else {
		tell := "No digest given: ask the station which release is in force."
		p.text(margin, top+9.5, fitSize(tell, 2.6, wide, false), false, black, tell)
	}
	return top - 1.5, nil
}

// code draws a QR code, its quiet zone within side mm.
func (p *Page) code(content string, x, y, side float64) error {
	q, err := qrcode.New(content, qrcode.Medium)
	if err != nil {
		return fmt.Errorf("code %q: %w; shorten it", content, err)
	}
	q.DisableBorder = true
	bits := q.Bitmap()
	// A quiet zone of four modules is the standard's; right and below the page's
	// margin gives it.
	unit := side / float64(len(bits)+4)
	var polys [][]point
	for r, line := range bits {
		for c := 0; c < len(line); c++ {
			start := c
			for c < len(line) && line[c] {
				c++
			}
			if c > start {
				x0, x1 := x+unit*float64(start+4), x+unit*float64(c+4)
				y0, y1 := y+unit*float64(r+4), y+unit*float64(r+5)
				polys = append(polys, []point{{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}})
			}
		}
	}
	p.fill(black, polys...)
	return nil
}
