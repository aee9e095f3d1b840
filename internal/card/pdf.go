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

// PDF writes pages as one PDF of A5 pages, the words as text. Created is the
// document's time; the zero time gives the start of 1970.
func PDF(w io.Writer, title string, created time.Time, pages ...*Page) error {
	if len(pages) == 0 {
		return fmt.Errorf("write PDF: no pages; give at least one")
	}
	if created.IsZero() {
		created = noTime
	}
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: PageWidth, Ht: PageHeight}})
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
		f.AddPage()
		f.SetLink(targets[i], 0, f.PageNo())
		f.Bookmark(p.Title, 0, 0)
		p.pdf(f)
		for _, l := range p.links {
			if l.page >= 0 && l.page < len(targets) {
				f.Link(l.x, l.y, l.w, l.h, targets[l.page])
			}
		}
	}
	if err := f.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
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
