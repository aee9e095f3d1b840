package audit

import (
	"fmt"
	"io"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// Measures of the paper form, mm on A4. Boxes are large enough for a pen held
// in a wet hand.
const (
	paperMargin = 14.0
	paperWidth  = 210.0
	paperHeight = 297.0
	innerWidth  = paperWidth - 2*paperMargin
	boxHeight   = 13.0
	boxesLeast  = 4
	boxesAcross = 5
	boxGap      = 4.0
	footSpace   = 12.0
)

// noTime is the creation time of every form: two forms of one plan are the
// same bytes.
var noTime = time.Unix(0, 0).UTC()

// PDF writes the form as A4 pages.
func (f *Form) PDF(w io.Writer) error {
	d := &paper{f: fpdf.New("P", "mm", "A4", ""), form: f}
	d.f.SetCatalogSort(true)
	d.f.SetCreationDate(noTime)
	d.f.SetModificationDate(noTime)
	d.f.SetTitle(fmt.Sprintf("Audit of %s, %s", f.Site, f.Day), true)
	d.f.SetProducer("samecup", true)
	d.f.SetLang("en-GB")
	d.f.SetMargins(paperMargin, paperMargin, paperMargin)
	d.f.SetAutoPageBreak(false, 0)
	d.f.SetCellMargin(0)
	d.f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	d.f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	d.f.AliasNbPages("{pages}")
	d.page()
	d.head()
	for i := range f.Rows {
		d.row(&f.Rows[i])
	}
	if len(f.Cups) > 0 {
		d.cups()
	}
	d.end()
	if err := d.f.Output(w); err != nil {
		return fmt.Errorf("writing the form as PDF: %w", err)
	}
	return nil
}

type paper struct {
	f    *fpdf.Fpdf
	form *Form
}

func (d *paper) font(style string, size float64) { d.f.SetFont("go", style, size) }

func (d *paper) page() {
	d.f.AddPage()
	d.font("", 8)
	d.f.SetY(paperHeight - footSpace)
	d.f.CellFormat(innerWidth, 5, fmt.Sprintf("%s, %s · plan %s · page %d of {pages}", d.form.Site, d.form.Day, d.form.Plan, d.f.PageNo()), "", 0, "C", false, 0, "")
	d.f.SetY(paperMargin)
}

// room starts a page where less than need is left on this one.
func (d *paper) room(need float64) {
	if d.f.GetY()+need > paperHeight-footSpace-2 {
		d.page()
	}
}

// text writes a paragraph that flows onto the next page line by line.
func (d *paper) text(style string, size float64, words string) { d.marked("", style, size, 0, words) }

// marked writes a paragraph indented by so many mm, with a mark before its first
// line.
func (d *paper) marked(mark, style string, size, indent float64, words string) {
	d.font(style, size)
	line := size * 0.45
	hang := 0.0
	if mark != "" {
		hang = 4
	}
	for i, l := range d.f.SplitText(words, innerWidth-2*indent-hang) {
		d.room(line)
		d.font(style, size) // a new page set another
		d.f.SetX(paperMargin + indent)
		if i > 0 {
			mark = ""
		}
		if hang > 0 {
			d.f.CellFormat(hang, line, mark, "", 0, "L", false, 0, "")
		}
		d.f.CellFormat(innerWidth-2*indent-hang, line, l, "", 1, "L", false, 0, "")
	}
}

func (d *paper) head() {
	f := d.form
	d.font("B", 18)
	d.f.CellFormat(innerWidth, 9, "Audit of "+f.Site, "", 1, "L", false, 0, "")
	d.text("", 11, fmt.Sprintf("%s · %s · %s, %s tasted · plan %s", f.Chain, longDay(f.Day), some(len(f.Rows), "drink"), some(len(f.Cups), "cup"), f.Plan))
	d.f.Ln(2)
	d.boxes([]Box{{Label: "auditor (pseudonym)"}, {Label: "scale, probe, timer used"}, {Label: "probe in ice slurry", Unit: "°C", Hint: "0 ± 1"}, {Label: "scale with 100 g mass", Unit: "g"}}, boxHeight)
	top := d.f.GetY()
	d.f.Ln(1.5)
	d.marked("", "B", 10, 3, "Mind")
	for _, c := range append(append([]string(nil), f.Cautions...), f.Allergens) {
		d.marked("•", "", 9, 3, c)
	}
	d.f.Ln(1.5)
	d.f.SetLineWidth(0.7)
	if d.f.PageNo() == 1 {
		d.f.Rect(paperMargin, top, innerWidth, d.f.GetY()-top, "D")
	}
	d.f.SetLineWidth(0.2)
	d.f.Ln(2)
	for i, s := range f.Instructions {
		d.marked(fmt.Sprintf("%d.", i+1), "", 9.5, 0, s)
	}
	d.f.Ln(3)
}

// longDay is a day with its weekday, so that nobody comes on the wrong one.
func longDay(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.Format("Monday 2 January 2006")
}

func some(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %ss", n, one)
}

// across is how many boxes stand in a row: as few as do, since they are wider then.
func across(n int) int {
	if n > boxesLeast {
		return boxesAcross
	}
	return boxesLeast
}

// boxes draws empty boxes in rows of four or five, each with its label above, its hint
// below and its unit at the right.
func (d *paper) boxes(list []Box, height float64) {
	columns := across(len(list))
	wide := (innerWidth - float64(columns-1)*boxGap) / float64(columns)
	for from := 0; from < len(list); from += columns {
		y := d.f.GetY()
		for i, b := range list[from:min(len(list), from+columns)] {
			x := paperMargin + float64(i)*(wide+boxGap)
			d.fit("", 8.5, x, y+3, b.Label, wide)
			d.f.Rect(x, y+4.2, wide, height, "D")
			if b.Unit != "" {
				d.font("", 9)
				d.f.Text(x+wide-d.f.GetStringWidth(b.Unit)-1.5, y+4.2+height-2, b.Unit)
			}
			d.fit("", 7, x, y+4.2+height+2.8, b.Hint, wide)
		}
		d.f.SetY(y + height + 8.2)
	}
}

// fit writes one line, smaller where it would pass its width.
func (d *paper) fit(style string, size, x, y float64, words string, width float64) {
	for d.font(style, size); size > 5 && d.f.GetStringWidth(words) > width; size -= 0.25 {
		d.font(style, size)
	}
	d.f.Text(x, y, words)
}

func (d *paper) row(r *FormRow) {
	lines := (len(r.Boxes) + across(len(r.Boxes)) - 1) / across(len(r.Boxes))
	d.room(15 + float64(lines)*(boxHeight+8.2) + 17)
	d.f.SetLineWidth(0.5)
	d.f.Line(paperMargin, d.f.GetY(), paperMargin+innerWidth, d.f.GetY())
	d.f.SetLineWidth(0.2)
	d.f.Ln(1.5)
	y := d.f.GetY()
	d.fit("B", 12, paperMargin, y+4.5, fmt.Sprintf("%d   %s   %s", r.No, r.At, r.Drink), innerWidth*0.72)
	d.fit("", 9, paperMargin+innerWidth*0.74, y+4.5, fmt.Sprintf("missed after %s", r.Until), innerWidth*0.26)
	d.fit("", 9, paperMargin, y+9.5, fmt.Sprintf("%s, barista %s, in %s", r.Station, r.Barista, r.Vessel), innerWidth)
	d.f.SetY(y + 11.5)
	d.boxes(r.Boxes, boxHeight)
	y = d.f.GetY()
	x := paperMargin
	for _, b := range []struct {
		label string
		share float64
	}{{labelBuild, 0.4}, {labelMadeAs, 0.3}, {labelMissed, 0.3}} {
		wide := (innerWidth - 2*boxGap) * b.share
		d.fit("", 8.5, x, y+3, b.label, wide)
		d.f.Rect(x, y+4.2, wide, 10, "D")
		x += wide + boxGap
	}
	d.f.SetY(y + 17)
}

func (d *paper) cups() {
	const cell, code = 16.0, 26.0
	// All cups on one page where a page holds them: they are compared.
	if all := 34 + cell*float64(len(d.form.Cups)); all < paperHeight-paperMargin-footSpace-2 {
		d.room(all)
	} else {
		d.room(34 + cell)
	}
	d.f.SetLineWidth(0.5)
	d.f.Line(paperMargin, d.f.GetY(), paperMargin+innerWidth, d.f.GetY())
	d.f.SetLineWidth(0.2)
	d.f.Ln(3)
	d.text("B", 14, "Tasting, blind")
	d.text("", 9.5, "0 to 9; 5 is as it should be. Taste in the order of the rows, rinse between cups, and do not talk before all are marked. Somebody else puts the codes on the cups.")
	d.f.Ln(1)
	for i, c := range d.form.Cups {
		wide := (innerWidth - code) / float64(len(c.Scores))
		if d.f.GetY()+cell > paperHeight-footSpace-2 || i == 0 {
			d.room(cell + 8)
			d.font("", 9)
			d.f.CellFormat(code, 6, "cup", "", 0, "C", false, 0, "")
			for _, s := range c.Scores {
				d.f.CellFormat(wide, 6, s, "", 0, "C", false, 0, "")
			}
			d.f.Ln(-1)
		}
		d.font("B", 20)
		d.f.CellFormat(code, cell, c.Code, "1", 0, "C", false, 0, "")
		for range c.Scores {
			d.f.CellFormat(wide, cell, "", "1", 0, "C", false, 0, "")
		}
		d.f.Ln(-1)
	}
	d.f.Ln(4)
}

func (d *paper) end() {
	d.room(20)
	d.text("B", 10, "What so few drinks can show")
	for _, s := range append(append([]string(nil), d.form.Power...), d.form.Notes...) {
		d.marked("•", "", 9, 0, strings.ToUpper(s[:1])+s[1:])
	}
}
