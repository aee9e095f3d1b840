package card

import (
	"fmt"
	"io"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// noTime stands for the creation time of a draft: fpdf takes the zero time for
// "now", and two drafts of one book must be the same bytes.
var noTime = time.Unix(0, 0).UTC()

// Sheet is the paper that pages are printed on.
type Sheet uint8

// A5 has a card a sheet; A4 lies across and has two beside each other, to be cut
// along the line between them.
const (
	A5 Sheet = iota
	A4
)

// ParseSheet reads "a5" or "a4".
func ParseSheet(s string) (Sheet, error) {
	switch s {
	case "a5":
		return A5, nil
	case "a4":
		return A4, nil
	}
	return 0, fmt.Errorf("paper %q cannot be used: allowed are a5, a card a sheet, and a4, two beside each other", s)
}

// half is the width of half an A4 sheet that lies across, mm.
const half = 297.0 / 2

// PDF writes pages as one PDF, the words as text. Created is the document's time;
// the zero time gives the start of 1970. Without a page it is an error.
func PDF(w io.Writer, title string, created time.Time, sheet Sheet, pages ...*Page) error {
	if len(pages) == 0 {
		return fmt.Errorf("write PDF: no pages; give at least one")
	}
	if created.IsZero() {
		created = noTime
	}
	size := fpdf.SizeType{Wd: PageWidth, Ht: PageHeight}
	if sheet == A4 {
		size.Wd = 2 * half
	}
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: size})
	f.SetCatalogSort(true)
	f.SetCreationDate(created.UTC())
	f.SetModificationDate(created.UTC())
	f.SetTitle(title, true)
	f.SetProducer("samecup", true)
	f.SetLang("en-GB")
	f.SetMargins(0, 0, 0)
	f.SetAutoPageBreak(false, 0)
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	f.SetLineCapStyle("round")
	f.SetLineJoinStyle("round")
	targets := make([]int, len(pages))
	for i := range pages {
		targets[i] = f.AddLink()
	}
	for i, p := range pages {
		left := 0.0
		if sheet == A4 && i%2 == 1 {
			left = half
		} else {
			f.AddPage()
		}
		f.SetLink(targets[i], 0, f.PageNo())
		f.Bookmark(p.Title, 0, 0)
		f.TransformBegin()
		f.TransformTranslateX(left)
		p.pdf(f)
		f.TransformEnd()
		for _, l := range p.links {
			if l.page >= 0 && l.page < len(targets) {
				f.Link(left+l.x, l.y, l.w, l.h, targets[l.page])
			}
		}
		if left > 0 {
			cutLine(f)
		}
	}
	if err := f.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

// cutLine is where a sheet with two cards is cut.
func cutLine(f *fpdf.Fpdf) {
	f.SetDrawColor(grey, grey, grey)
	f.SetLineWidth(0.15)
	f.SetDashPattern([]float64{1.5, 1.5}, 0)
	f.Line(half, 4, half, PageHeight-4)
	f.SetDashPattern(nil, 0)
}

func (p *Page) pdf(f *fpdf.Fpdf) {
	trace := func(pts []point) {
		for i, q := range pts {
			if i == 0 {
				f.MoveTo(q.x, q.y)
			} else {
				f.LineTo(q.x, q.y)
			}
		}
	}
	for _, op := range p.ops {
		switch o := op.(type) {
		case fill:
			f.SetFillColor(int(o.tone), int(o.tone), int(o.tone))
			for _, poly := range o.polys {
				trace(poly)
				f.ClosePath()
			}
			f.DrawPath("F")
		case stroke:
			f.SetDrawColor(int(o.tone), int(o.tone), int(o.tone))
			f.SetLineWidth(o.width)
			trace(o.pts)
			f.DrawPath("D")
		case disc:
			if o.width > 0 {
				f.SetFillColor(white, white, white)
				f.SetDrawColor(int(o.tone), int(o.tone), int(o.tone))
				f.SetLineWidth(o.width)
				f.Circle(o.at.x, o.at.y, o.r, "FD")
			} else {
				f.SetFillColor(int(o.tone), int(o.tone), int(o.tone))
				f.Circle(o.at.x, o.at.y, o.r, "F")
			}
		case text:
			style := ""
			if o.bold {
				style = "B"
			}
			f.SetFont("go", style, 0)
			f.SetFontUnitSize(o.size)
			f.SetTextColor(int(o.tone), int(o.tone), int(o.tone))
			f.Text(o.at.x, o.at.y, o.words)
		}
	}
}
