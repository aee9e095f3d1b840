// Package table reads the CSV files that the statistics commands are given: a
// header row, then one row a reading. A value that cannot be used is reported
// with its line, never silently dropped.
package table

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
)

// MaxRows bounds what is held in memory; a longer file is refused in words.
const MaxRows = 5_000_000

// missing lists the spellings of "no value" that spreadsheets and R write.
var missing = []string{"", "na", "n/a", "nan", "null", "-", "#n/a"}

// Table is a CSV file with the wanted columns only, in the wanted order.
type Table struct {
	Names []string
	Rows  [][]string

	lines []int
}

// Skipped is one value that could not be used.
type Skipped struct {
	Row    int    `json:"row"`  // index into Rows
	Line   int    `json:"line"` // line of the file, the header being line 1
	Column string `json:"column"`
	Text   string `json:"text"`
	Why    string `json:"why"`
}

func (s Skipped) String() string {
	return fmt.Sprintf("line %d, column %q: %s", s.Line, s.Column, s.Why)
}

// Read reads a CSV with a header row and keeps the named columns; with none
// named it keeps all. Names match without regard to case and outer spaces.
// Lines of a wrong width, an unknown or doubled column, and a file without
// rows are errors.
func Read(r io.Reader, columns ...string) (*Table, error) {
	cr := csv.NewReader(r)
	cr.ReuseRecord = true
	cr.FieldsPerRecord = 0 // every row as wide as the header
	header, err := cr.Read()
	if errors.Is(err, io.EOF) {
		return nil, errors.New("the file is empty: wanted a header row and one row a reading")
	}
	if err != nil {
		return nil, fmt.Errorf("reading the header row: %w", err)
	}
	names := make([]string, len(header))
	for i, h := range header {
		names[i] = strings.TrimSpace(strings.TrimPrefix(h, "\ufeff"))
	}
	keep, err := pick(names, columns)
	if err != nil {
		return nil, err
	}
	t := &Table{}
	for _, i := range keep {
		t.Names = append(t.Names, names[i])
	}
	next := 2 // line where the next row begins, were there no blank lines
	for {
		record, err := cr.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, fmt.Errorf("reading rows: %w (every row needs the %d columns of the header)", err, len(names))
		}
		if len(t.Rows) == MaxRows {
			return nil, fmt.Errorf("the file has more than %d rows: split it by month or site", MaxRows)
		}
		row := make([]string, len(keep))
		for j, i := range keep {
			row[j] = strings.Clone(strings.TrimSpace(record[i]))
		}
		line, _ := cr.FieldPos(0)
		// encoding/csv passes over blank lines; in a file of one column such a
		// line is a missing value, to be reported like any other.
		for ; len(names) == 1 && next < line && len(t.Rows) < MaxRows; next++ {
			t.Rows = append(t.Rows, []string{""})
			t.lines = append(t.lines, next)
		}
		next = line + 1 + strings.Count(record[0], "\n")
		t.Rows = append(t.Rows, row)
		t.lines = append(t.lines, line)
	}
	if len(t.Rows) == 0 {
		return nil, errors.New("the file has a header but no rows: wanted one row a reading")
	}
	return t, nil
}

func pick(names, columns []string) ([]int, error) {
	var keep []int
	if len(columns) == 0 {
		for i := range names {
			keep = append(keep, i)
		}
		return keep, nil
	}
	for _, want := range columns {
		at := -1
		for i, name := range names {
			if !strings.EqualFold(name, strings.TrimSpace(want)) {
				continue
			}
			if at >= 0 {
				return nil, fmt.Errorf("column %q stands twice in the header: rename one", want)
			}
			at = i
		}
		if at < 0 {
			return nil, fmt.Errorf("column %q is not in the file, which has: %s", want, strings.Join(names, ", "))
		}
		if !slices.Contains(keep, at) {
			keep = append(keep, at)
		}
	}
	return keep, nil
}

// Open reads the file at path, or stdin for "-".
func Open(path string, stdin io.Reader, columns ...string) (*Table, error) {
	if path == "-" {
		t, err := Read(stdin, columns...)
		if err != nil {
			return nil, fmt.Errorf("standard input: %w", err)
		}
		return t, nil
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, fmt.Errorf("opening the data: %w", err)
	}
	defer f.Close()
	t, err := Read(f, columns...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return t, nil
}

// Line returns the line of the file that row i came from, the header being
// line 1; 0 for a row that does not exist.
func (t *Table) Line(i int) int {
	if i < 0 || i >= len(t.lines) {
		return 0
	}
	return t.lines[i]
}

func (t *Table) column(col string) (int, error) {
	for i, name := range t.Names {
		if strings.EqualFold(name, strings.TrimSpace(col)) {
			return i, nil
		}
	}
	return 0, fmt.Errorf("column %q was not read, the table has: %s", col, strings.Join(t.Names, ", "))
}

// Floats returns one number a row, so that it lines up with Strings of other
// columns. A missing or bad value is NaN there and listed as Skipped; use
// Without to drop those rows from every column at once. It is an error when no row
// has a number.
func (t *Table) Floats(col string) ([]float64, []Skipped, error) {
	at, err := t.column(col)
	if err != nil {
		return nil, nil, err
	}
	out := make([]float64, len(t.Rows))
	var skipped []Skipped
	for i, row := range t.Rows {
		x, why := parse(row[at])
		out[i] = x
		if why != "" {
			skipped = append(skipped, Skipped{Row: i, Line: t.Line(i), Column: t.Names[at], Text: row[at], Why: why})
		}
	}
	if len(skipped) == len(t.Rows) {
		return nil, skipped, fmt.Errorf("column %q holds no number in %d rows (first: %s)", col, len(t.Rows), skipped[0])
	}
	return out, skipped, nil
}

func parse(text string) (float64, string) {
	if slices.Contains(missing, strings.ToLower(text)) {
		return math.NaN(), "no value"
	}
	x, err := strconv.ParseFloat(text, 64)
	switch {
	case err != nil:
		return math.NaN(), fmt.Sprintf("%q is not a number (write 18.2, with a point and no unit)", text)
	case math.IsNaN(x) || math.IsInf(x, 0):
		return math.NaN(), fmt.Sprintf("%q is not a finite number", text)
	}
	return x, ""
}

// Strings returns the text of one column, one a row.
func (t *Table) Strings(col string) ([]string, error) {
	at, err := t.column(col)
	if err != nil {
		return nil, err
	}
	out := make([]string, len(t.Rows))
	for i, row := range t.Rows {
		out[i] = row[at]
	}
	return out, nil
}

// Without returns the table less the rows that any of the lists skipped.
func (t *Table) Without(skipped ...[]Skipped) *Table {
	drop := map[int]bool{}
	for _, list := range skipped {
		for _, s := range list {
			drop[s.Row] = true
		}
	}
	out := &Table{Names: t.Names}
	for i, row := range t.Rows {
		if !drop[i] {
			out.Rows = append(out.Rows, row)
			out.lines = append(out.lines, t.lines[i])
		}
	}
	return out
}
