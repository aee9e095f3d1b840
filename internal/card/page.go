package card

import (
	"fmt"
	"math"
	"sync"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
)

// A5 portrait, mm.
const (
	PageWidth  = 148.0
	PageHeight = 210.0
)

// Greys, 0 black to 255 white; the card has no colour, so that a photocopy
// loses nothing.
const (
	black = 0
	grey  = 95
	white = 255
)

type point struct{ x, y float64 }

// fill is closed polygons of one tone.
type fill struct {
	polys [][]point
	tone  uint8
}

// stroke is an open line.
type stroke struct {
	pts   []point
	width float64
	tone  uint8
}

// disc is a filled circle, or a ring where width is above 0.
type disc struct {
	at    point
	r     float64
	width float64
	tone  uint8
}

// text is one line of words; size is the em, at is the left end of the baseline.
type text struct {
	at    point
	size  float64
	width float64
	bold  bool
	tone  uint8
	words string
}

// Page is one drawing of A5 size, ready to be written in any form.
type Page struct {
	// Title and Description are what a screen reader says of the drawing.
	Title, Description string
	ops                []any // fill, stroke, disc, text
	links              []pageLink
}

// pageLink makes a strip of the page lead to another page, counted from 0.
type pageLink struct {
	x, y, w, h float64
	page       int
}

func (p *Page) fill(tone uint8, polys ...[]point) { p.ops = append(p.ops, fill{polys, tone}) }

func (p *Page) line(width float64, tone uint8, pts ...point) {
	p.ops = append(p.ops, stroke{pts, width, tone})
}

// text writes one line and returns its width, mm.
func (p *Page) text(x, y, size float64, bold bool, tone uint8, words string) float64 {
	w := textWidth(words, size, bold)
	if words != "" {
		p.ops = append(p.ops, text{point{x, y}, size, w, bold, tone, words})
	}
	return w
}

// textRight writes one line that ends at x.
func (p *Page) textRight(x, y, size float64, bold bool, tone uint8, words string) {
	p.text(x-textWidth(words, size, bold), y, size, bold, tone, words)
}

// face is a parsed font with the buffer that sfnt needs, guarded for use by
// several pages at once.
type face struct {
	mu   sync.Mutex
	font *sfnt.Font
	buf  sfnt.Buffer
	ppem fixed.Int26_6
	// latin holds the advances of the letters that nearly every word is made of:
	// a card is measured some dozens of times until it fits.
	latin [0x180]float64
}

// The fonts are part of the binary: the card needs nothing on the machine.
var faces = map[bool]*face{false: mustFace(goregular.TTF), true: mustFace(gobold.TTF)}

func mustFace(ttf []byte) *face {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		panic(fmt.Sprintf("card: the font in the binary does not parse: %v", err))
	}
	out := &face{font: f, ppem: fixed.I(int(f.UnitsPerEm()))}
	for r := range out.latin {
		out.latin[r] = out.measure(rune(r))
	}
	return out
}

// advance is a rune's width in ems.
func (f *face) advance(r rune) float64 {
	if r >= 0 && int(r) < len(f.latin) {
		return f.latin[r]
	}
	return f.measure(r)
}

func (f *face) measure(r rune) float64 {
	f.mu.Lock()
	defer f.mu.Unlock()
	g, err := f.font.GlyphIndex(&f.buf, r)
	if err != nil {
		return 1
	}
	a, err := f.font.GlyphAdvance(&f.buf, g, f.ppem, font.HintingNone)
	if err != nil {
		return 1
	}
	return float64(a) / float64(f.ppem)
}

// textWidth is the width of a line, mm, at an em of size mm.
func textWidth(words string, size float64, bold bool) float64 {
	f := faces[bold]
	w := 0.0
	for _, r := range words {
		w += f.advance(r)
	}
	return w * size
}

// wrap breaks words into lines of at most width mm. A word too long for a line
// is broken where it must be, so that nothing runs off the page.
func wrap(words string, size, width float64, bold bool) []string {
	var out []string
	lineText, lineWidth := "", 0.0
	space := textWidth(" ", size, bold)
	flush := func() {
		if lineText != "" {
			out = append(out, lineText)
		}
		lineText, lineWidth = "", 0
	}
	for _, word := range fields(words) {
		w := textWidth(word, size, bold)
		if lineText != "" && lineWidth+space+w > width {
			flush()
		}
		for w > width && len([]rune(word)) > 1 {
			runes := []rune(word)
			n := max(1, min(len(runes)-1, int(math.Floor(float64(len(runes))*width/w))))
			for n > 1 && textWidth(string(runes[:n]), size, bold) > width {
				n--
			}
			out = append(out, string(runes[:n]))
			word = string(runes[n:])
			w = textWidth(word, size, bold)
		}
		if lineText != "" {
			lineText += " "
			lineWidth += space
		}
		lineText += word
		lineWidth += w
	}
	flush()
	return out
}

// fitSize is the largest em up to most at which words take at most width mm.
func fitSize(words string, most, width float64, bold bool) float64 {
	w := textWidth(words, most, bold)
	if w <= width {
		return most
	}
	return most * width / w
}
