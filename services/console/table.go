package console

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"samecup.example/samecup/services/console/reading"
)

// Table is a table of a page that can also be had as CSV.
type Table struct {
	// ID is unique on its page.
	ID, Caption string
	Cols        []Col
	Rows        [][]Cell
	// Empty is said instead where there are no rows.
	Empty string
	// Note stands beneath.
	Note string
	// Most rows that a page shows, 0 for rowsShown.
	Most int
	// Cut says how many rows a page leaves out.
	Cut string
	// Help are the methods that its figures are made by.
	Help []string
	base *url.URL
}

// Col is a column; Num sets figures to the right, Wide on words that wrap.
type Col struct {
	Name string
	// CSV is the name in the file where it is not Name.
	CSV  string
	Num  bool
	Wide bool
	// File leaves the column out of pages: the file alone has it.
	File bool
}

// Cell is what stands in a row. CSV is what the file gets where it is not Text.
type Cell struct {
	Text, Href, CSV string
	// Tone is a state: alert, caution, good or quiet; the text says the same.
	Tone string
	// Head makes it the row's heading.
	Head bool
}

// Link is the table as a file.
func (t *Table) Link() string { return with(t.base, "format", "csv", "of", t.ID) }

// rowsShown of a table go into a page; nobody reads on that far, and a shop's line
// is poor.
const rowsShown = 200

// cut leaves out what is too long for a page, and says so.
func (t *Table) cut() {
	if t == nil {
		return
	}
	t.leaveOut()
	most := cmp.Or(t.Most, rowsShown)
	if len(t.Rows) <= most {
		return
	}
	t.Cut = fmt.Sprintf("The first %s of %s rows; the CSV has all.", count(int64(most)), count(int64(len(t.Rows))))
	t.Rows = t.Rows[:most]
}

// leaveOut takes the columns of the file out of a page.
func (t *Table) leaveOut() {
	for i := len(t.Cols) - 1; i >= 0; i-- {
		if !t.Cols[i].File {
			continue
		}
		t.Cols = slices.Delete(t.Cols, i, i+1)
		for r := range t.Rows {
			t.Rows[r] = slices.Delete(t.Rows[r], i, i+1)
		}
	}
}

// cols makes columns from their names; a leading # is for figures, a ~ for
// words that wrap, a ^ for what the file alone has.
func cols(names ...string) []Col {
	out := make([]Col, len(names))
	for i, n := range names {
		out[i] = Col{Name: strings.TrimLeft(n, "#~^"), Num: strings.HasPrefix(n, "#"), Wide: strings.HasPrefix(n, "~"), File: strings.HasPrefix(n, "^")}
	}
	return out
}

func (t *Table) add(cells ...Cell) { t.Rows = append(t.Rows, cells) }

func text(s string) Cell            { return Cell{Text: s} }
func textf(f string, a ...any) Cell { return Cell{Text: fmt.Sprintf(f, a...)} }
func head(s, href string) Cell      { return Cell{Text: s, Href: href, Head: true} }
func to(s, href string) Cell        { return Cell{Text: s, Href: href} }

// writeCSV writes the table with its header.
func (t *Table) writeCSV(w *bytes.Buffer) error {
	out := csv.NewWriter(w)
	row := make([]string, len(t.Cols))
	for i, c := range t.Cols {
		row[i] = cmp.Or(c.CSV, c.Name)
	}
	if err := out.Write(row); err != nil {
		return err
	}
	for _, r := range t.Rows {
		for i, c := range r {
			row[i] = safeCell(c)
		}
		if err := out.Write(row[:len(r)]); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// safeCell keeps words that somebody typed from being read as a formula by a
// spreadsheet; figures may begin with a sign.
func safeCell(c Cell) string {
	s := reading.PlainFigures(cmp.Or(c.CSV, c.Text))
	if s != "" && strings.ContainsRune("=+-@\t\r", rune(s[0])) && !isFigure(s) {
		return "'" + s
	}
	return s
}

func isFigure(s string) bool {
	return strings.Trim(s, "+-0123456789.,e %") == "" && strings.ContainsAny(s, "0123456789")
}

// sendFile sends a table or chart of a view: of names it, and the first counts
// where nothing does.
func sendFile(w http.ResponseWriter, got *view, format, of string) error {
	var b bytes.Buffer
	name, typ := of, ""
	switch format {
	case "csv":
		tables := got.Tables
		for _, f := range got.Figures {
			if f.Table != nil {
				tables = append(tables, f.Table)
			}
		}
		for _, t := range tables {
			if of == "" || t.ID == of {
				name, typ = t.ID, "text/csv; charset=utf-8"
				if err := t.writeCSV(&b); err != nil {
					return fmt.Errorf("write table %s: %w", t.ID, err)
				}
				break
			}
		}
	case "svg", "png":
		for _, f := range got.Figures {
			if of != "" && f.ID != of {
				continue
			}
			write := f.SVG
			name, typ = f.ID, "image/svg+xml"
			if format == "png" {
				write, typ = f.PNG, "image/png"
			}
			if err := write(&b); err != nil {
				return fmt.Errorf("draw %s: %w", f.ID, err)
			}
			break
		}
	default:
		return badRequest("The format", fmt.Sprintf("%q is not known", format), "ask for csv, svg or png")
	}
	if typ == "" {
		return badRequest("This page", fmt.Sprintf("has no %s called %q", format, of), "take it from the link beneath the table or chart")
	}
	w.Header().Set("Content-Type", typ)
	w.Header().Set("Content-Disposition", fmt.Sprintf("attachment; filename=%q", name+"."+format))
	_, _ = w.Write(b.Bytes()) // a reader who went away is no fault
	return nil
}
