package console

import (
	"html"
	"html/template"
	"strings"
)

// rows writes the rows of a table by hand: a page may hold thousands of cells,
// for each of which a template would choose its escapers anew. Bare ones, behind
// a chart, carry neither states nor the names that a narrow screen shows.
func (t *Table) rows(bare bool) template.HTML {
	var b strings.Builder
	names := make([]string, len(t.Cols))
	for i, c := range t.Cols {
		names[i] = html.EscapeString(c.Name)
	}
	for _, row := range t.Rows {
		b.WriteString("\n<tr>")
		for i := range row {
			t.cell(&b, &row[i], i, names, bare)
		}
		b.WriteString("</tr>")
	}
	return template.HTML(b.String()) // #nosec G203 -- every text is escaped above and in cell
}

func (t *Table) cell(b *strings.Builder, c *Cell, i int, names []string, bare bool) {
	tag := "td"
	if c.Head {
		tag = "th"
	}
	b.WriteString("<" + tag)
	if c.Head {
		b.WriteString(` scope="row"`)
	}
	switch {
	case t.Cols[i].Num:
		b.WriteString(` class="num"`)
	case t.Cols[i].Wide && !bare:
		b.WriteString(` class="wide"`)
	}
	if !bare {
		b.WriteString(` data-name="` + names[i] + `"`)
	}
	b.WriteString(">")
	tone := c.Tone != "" && !bare
	if tone {
		b.WriteString(`<span class="tone ` + html.EscapeString(c.Tone) + `">`)
	}
	// Links lead within the console, whatever a name holds.
	link := strings.HasPrefix(c.Href, "/") || strings.HasPrefix(c.Href, "#")
	if link {
		b.WriteString(`<a href="` + html.EscapeString(c.Href) + `">`)
	}
	b.WriteString(html.EscapeString(c.Text))
	if link {
		b.WriteString("</a>")
	}
	if tone {
		b.WriteString("</span>")
	}
	b.WriteString("</" + tag + ">")
}
