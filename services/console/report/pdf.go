package report

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"samecup.example/samecup/services/console/chart"
)

// Margins and the width of what is printed, mm; the same on every sheet.
const (
	marginSide = 17.0
	marginTop  = 16.0
	inner      = 210 - 2*marginSide
)

// Sizes of type, points.
const (
	sizeTitle, sizeHead, sizeText, sizeTable, sizeNote = 22.0, 14.0, 10.0, 8.5, 8.0
)

// noTime stands for the zero time, which fpdf takes for "now".
var noTime = time.Unix(0, 0).UTC()

// PDF prints the document. The same document is the same bytes.
func (d *Document) PDF(w io.Writer) error {
	created := d.Created
	if created.IsZero() {
		created = noTime
	}
	wide, high := d.Sheet.size()
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: wide, Ht: high}})
	f.SetCatalogSort(true)
	f.SetCreationDate(created.UTC())
	f.SetModificationDate(created.UTC())
	f.SetTitle(d.Title+". "+d.Subtitle, true)
	f.SetProducer("samecup", true)
	f.SetLang("en-GB")
	f.SetMargins(marginSide, marginTop, marginSide)
	f.SetAutoPageBreak(false, 0)
	f.SetCellMargin(0)
	f.AddUTF8FontFromBytes(chart.PDFFont, "", goregular.TTF)
	f.AddUTF8FontFromBytes(chart.PDFFont, "B", gobold.TTF)
	f.AliasNbPages("{pages}")
	p := &paper{f: f, foot: d.Foot, footAt: high - 13, lowest: high - 19}
	p.page()
	p.text("B", sizeTitle, d.Title)
	p.gap(0.5)
	p.text("", sizeText+1, d.Subtitle)
	p.gap(1.5)
	p.rule(0.5)
	p.gap(3)
	for i := range d.Blocks {
		var next Block
		if i+1 < len(d.Blocks) {
			next = d.Blocks[i+1]
		}
		if err := p.block(d.Blocks[i], next); err != nil {
			return fmt.Errorf("print the report: %w", err)
		}
	}
	if err := f.Output(w); err != nil {
		return fmt.Errorf("print the report: %w", err)
	}
	return nil
}

// paper is where the pen is.
type paper struct {
	f    *fpdf.Fpdf
	foot string
	// footAt is where the foot stands, lowest where text must end, mm from the top.
	footAt, lowest float64
	// fresh is set while nothing stands on the page.
	fresh bool
	// waiting is a heading that must not stand alone at the foot of a page.
	waiting string
}

func (p *paper) font(style string, size float64) {
	p.f.SetFont(chart.PDFFont, style, size)
	p.f.SetTextColor(0, 0, 0)
}

func (p *paper) page() {
	p.f.AddPage()
	p.font("", sizeNote)
	p.f.SetTextColor(70, 70, 70)
	p.f.SetXY(marginSide, p.footAt)
	// The number stands left: how wide it will be is not known yet.
	p.f.CellFormat(inner, 4, fmt.Sprintf("%d of {pages}  ·  %s", p.f.PageNo(), p.foot), "", 0, "L", false, 0, "")
	p.f.SetXY(marginSide, marginTop)
	p.fresh = true
}

func (p *paper) gap(mm float64) { p.f.SetXY(marginSide, p.f.GetY()+mm) }

func (p *paper) rule(width float64) {
	p.f.SetDrawColor(60, 60, 60)
	p.f.SetLineWidth(width)
	p.f.Line(marginSide, p.f.GetY(), marginSide+inner, p.f.GetY())
}

// room starts a page where less than need is left, and writes a heading that
// waits for what follows it.
func (p *paper) room(need float64) {
	head := 0.0
	if p.waiting != "" {
		head = 16
	}
	if p.f.GetY()+head+need > p.lowest && !p.fresh {
		p.page()
	}
	if p.waiting != "" {
		words := p.waiting
		p.waiting = ""
		if !p.fresh {
			p.gap(5)
		}
		p.f.Bookmark(words, 0, -1)
		p.text("B", sizeHead, words)
		p.gap(1.5)
	}
}

const perPoint = 25.4 / 72

func lineOf(size float64) float64 { return size * perPoint * 1.32 }

// lines breaks words at their spaces, and not at those that keep a figure and its
// unit together; a word too long for a line is broken where it must be.
func (p *paper) lines(style string, size, width float64, words string) []string {
	p.font(style, size)
	var out []string
	line := ""
	for _, w := range strings.FieldsFunc(words, func(r rune) bool { return r == ' ' || r == '\n' }) {
		if line != "" && p.f.GetStringWidth(line+" "+w) <= width {
			line += " " + w
			continue
		}
		if line != "" {
			out = append(out, line)
		}
		if line = w; p.f.GetStringWidth(w) > width {
			parts := p.f.SplitText(w, width)
			out, line = append(out, parts[:len(parts)-1]...), parts[len(parts)-1]
		}
	}
	if line != "" || len(out) == 0 {
		out = append(out, line)
	}
	return out
}

// text writes a paragraph that flows onto the next page line by line.
func (p *paper) text(style string, size float64, words string) {
	p.textAt(style, size, marginSide, inner, words)
}

func (p *paper) textAt(style string, size, x, width float64, words string) {
	for _, l := range p.lines(style, size, width, words) {
		if p.f.GetY()+lineOf(size) > p.lowest {
			p.page()
		}
		p.font(style, size)
		p.f.SetX(x)
		p.f.CellFormat(width, lineOf(size), l, "", 1, "L", false, 0, "")
		p.fresh = false
	}
	p.f.SetX(marginSide)
}

// lead is the room that a block needs at least, so that what introduces it does not
// stand alone at the foot of a page.
func (p *paper) lead(b Block) float64 {
	switch b := b.(type) {
	case Table:
		if len(b.Rows) > 0 {
			return 28
		}
	case Figure:
		return b.Chart.PDFHeight(inner) + 22
	}
	return 0
}

func (p *paper) block(b, next Block) error {
	switch b := b.(type) {
	case Heading:
		p.waiting = b.Text
	case Para:
		style, size := "", sizeText
		if b.Small {
			size = sizeNote + 0.5
		}
		if b.Bold {
			style = "B"
		}
		p.room(lineOf(size)*float64(len(p.lines(style, size, inner, b.Text))) + 1.8 + p.lead(next))
		p.text(style, size, b.Text)
		p.gap(1.8)
	case Actions:
		p.actions(b.List)
	case Table:
		p.table(b)
	case Figure:
		return p.figure(b.Chart)
	case Break:
		// What runs over the first page leaves room for the rest.
		if !p.fresh && next != nil && p.f.PageNo() == 1 {
			p.page()
		}
	}
	return nil
}

// actions numbers the things to do. None is torn in two.
func (p *paper) actions(list []Action) {
	const indent = 9.0
	high := func(a *Action) float64 {
		h := 4.0
		for _, t := range []struct {
			style string
			size  float64
			words string
		}{{"B", sizeText + 0.5, a.What}, {"", sizeText, a.Next}, {"", sizeNote + 0.5, a.Where}, {"", sizeNote + 0.5, "How sure: " + a.Sure}} {
			h += lineOf(t.size) * float64(len(p.lines(t.style, t.size, inner-indent, t.words)))
		}
		return h
	}
	const moreLine = 7.0
	told := false
	for i := range list {
		a := &list[i]
		need := high(a)
		if i < len(list)-1 && !told {
			need += moreLine
		}
		if p.f.GetY()+need > p.lowest && !p.fresh && p.waiting == "" {
			if !told {
				p.textAt("B", sizeNote+0.5, marginSide, inner, fmt.Sprintf("%d more on the next page, none graver than these.", len(list)-i))
				told = true
			}
			p.page()
		}
		p.room(need)
		top := p.f.GetY()
		p.font("B", sizeText+0.5)
		p.f.SetXY(marginSide+2, top)
		p.f.CellFormat(indent-2, lineOf(sizeText+0.5), fmt.Sprint(i+1), "", 0, "L", false, 0, "")
		p.tickBox(marginSide+2, top+lineOf(sizeText+0.5)+0.9)
		p.f.SetXY(marginSide, top)
		p.textAt("B", sizeText+0.5, marginSide+indent, inner-indent, a.What)
		p.textAt("", sizeText, marginSide+indent, inner-indent, a.Next)
		p.textAt("", sizeNote+0.5, marginSide+indent, inner-indent, a.Where)
		p.textAt("", sizeNote+0.5, marginSide+indent, inner-indent, "How sure: "+a.Sure)
		if end := p.f.GetY(); a.Safety && end > top {
			// A bar beside it, so that safety is seen on a photocopy too.
			p.f.SetFillColor(0, 0, 0)
			p.f.Rect(marginSide-1.5, top+0.6, 1.2, end-top-1, "F")
		}
		p.gap(3)
	}
}

// tickBox is ticked by hand once the thing is done.
func (p *paper) tickBox(x, y float64) {
	const side = 3.4
	p.f.SetDrawColor(0, 0, 0)
	p.f.SetLineWidth(0.3)
	p.f.Rect(x, y, side, side, "D")
}

// figure keeps a chart together with its title and words.
func (p *paper) figure(c *chart.Chart) error {
	high := c.PDFHeight(inner)
	words := c.N + ". " + c.Method
	title := p.lines("B", sizeText, inner, c.Title)
	foot := p.lines("", sizeNote, inner, words)
	p.room(high + lineOf(sizeText)*float64(len(title)) + lineOf(sizeNote)*float64(len(foot)) + 4)
	p.text("B", sizeText, c.Title)
	y := p.f.GetY()
	if err := c.PDF(p.f, marginSide, y, inner); err != nil {
		return err
	}
	p.f.SetXY(marginSide, y+high)
	p.text("", sizeNote, words)
	p.gap(4)
	return nil
}
