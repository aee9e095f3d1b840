package report_test

import (
	"slices"
	"strings"
	"testing"

	"samecup.example/samecup/internal/pdftext"
	"samecup.example/samecup/services/console/report"
)

// printedPages are the words of each page as a PDF holds them, line by line.
func printedPages(t *testing.T, d *report.Document) [][]string {
	t.Helper()
	pages := must(pdftext.Pages(print(t, d, "pages")))(t)
	out := make([][]string, len(pages))
	for i, p := range pages {
		out[i] = strings.Split(strings.TrimSpace(p), "\n")
	}
	return out
}

func TestPageOneIsWhatToDo(t *testing.T) {
	for name, r := range map[string]struct {
		tag string
		us  bool
	}{"British": {"en-GB", false}, "American": {"en-US", true}, "French": {"fr-FR", false}} {
		t.Run(name, func(t *testing.T) {
			d := crowded()
			d.Read = reader(t, r.tag, r.us)
			doc := must(report.Build(d))(t)
			pages := printedPages(t, doc)
			first := strings.Join(pages[0], "\n")
			for _, want := range []string{"The whole chain", "What to do", "Stop of ingredient oat-drink: nuts not declared.", "Ring them and have it acknowledged", "How sure: ", "on the next page, none graver than these.", "1 of "} {
				if !strings.Contains(first, want) {
					t.Errorf("page one lacks %q:\n%s", want, first)
				}
			}
			var headings []string
			for _, b := range doc.Blocks {
				if h, ok := b.(report.Heading); ok {
					headings = append(headings, h.Text)
				}
			}
			for i, p := range pages {
				// The foot is written before all else.
				if last := p[len(p)-1]; slices.Contains(headings, last) {
					t.Errorf("page %d ends with the heading %q", i+1, last)
				}
				for _, l := range p {
					if strings.HasPrefix(l, "°") || strings.HasPrefix(l, "%") || strings.HasSuffix(l, "±") {
						t.Errorf("page %d parts a figure from its unit: %q", i+1, l)
					}
					if strings.ContainsAny(l, "\u202f\ue000\ue001\ue002") {
						t.Errorf("page %d keeps a sign: %q", i+1, l)
					}
				}
			}
		})
	}
}

// A word that no line holds is broken rather than printed over the edge.
func TestALongWordIsBroken(t *testing.T) {
	long := strings.Repeat("unbroken", 40)
	d := &report.Document{Title: "x", Blocks: []report.Block{report.Para{Text: "before " + long + " after"}, report.Table{Headers: []string{"a", "b"}, Weights: []float64{1, 1}, Right: make([]bool, 2), Rows: [][]string{{long, ""}, {"", ""}}}}}
	all := strings.Join(printedPages(t, d)[0], "\n")
	if got := strings.Count(strings.ReplaceAll(all, "\n", ""), long); got != 2 || strings.Contains(all, long) {
		t.Errorf("the long word stands %d times:\n%s", got, all)
	}
}
