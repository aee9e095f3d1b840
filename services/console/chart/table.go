package chart

import (
	"encoding/csv"
	"fmt"
	"io"
)

// Table is a chart's data for whoever cannot see it, and for a spreadsheet.
type Table struct {
	Headers []string
	Rows    [][]string
	// Hrefs hold a row's link each; empty for none.
	Hrefs []string
}

// Table lists the points of every panel with what is said of them.
func (c *Chart) Table() Table {
	several := len(c.Panels) > 1
	t := Table{Headers: []string{"x", "value", "lower end", "upper end", "said"}}
	if len(c.Panels) > 0 {
		t.Headers[0], t.Headers[1] = nameOr(c.Panels[len(c.Panels)-1].X.Name, "x"), nameOr(c.Panels[0].Y.Name, "value")
	}
	if several {
		t.Headers = append([]string{"panel"}, t.Headers...)
	}
	add := func(i int, href string, cells ...string) {
		if several {
			p := &c.Panels[i]
			cells = append([]string{nameOr(p.Title, nameOr(p.Y.Name, fmt.Sprint(i+1)))}, cells...)
		}
		t.Rows, t.Hrefs = append(t.Rows, cells), append(t.Hrefs, href)
	}
	for i := range c.Panels {
		p := &c.Panels[i]
		for _, q := range p.Points {
			low, high := q.Low, q.High
			if q.Left != nil {
				low, high = q.Left, q.Right
			}
			add(i, q.Href, nameOr(q.At, p.X.say(q.X)), p.Y.say(q.Y), optional(low), optional(high), q.Text)
		}
		for _, b := range p.Bars {
			add(i, "", Number(b.Long), Number((b.Low+b.High)/2), Number(b.Low), Number(b.High), b.Text)
		}
	}
	return t
}

// CSV writes the table with its headers.
func (t Table) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	if err := c.Write(t.Headers); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	if err := c.WriteAll(t.Rows); err != nil {
		return fmt.Errorf("write the table: %w", err)
	}
	return nil
}

// say is a place in the axis's own words where it has some.
func (a *Axis) say(v float64) string {
	for _, t := range a.Ticks {
		if t.At == v && t.Label != "" {
			return t.Label
		}
	}
	return Number(v)
}

func optional(v *float64) string {
	if v == nil {
		return ""
	}
	return Number(*v)
}

func nameOr(s, other string) string {
	if s == "" {
		return other
	}
	return s
}
