package reportcompare

import (
	"fmt"
	"strings"
	"testing"

	"samecup.example/samecup/cmd/samecup/internal/table"
)

func report(t *testing.T, file string, c Columns) *Report {
	t.Helper()
	tab, err := table.Read(strings.NewReader(file), c.Names()...)
	if err != nil {
		t.Fatal(err)
	}
	r, err := Build(tab, c, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestOnlySitesThatDifferAreRanked(t *testing.T) {
	columns := Columns{Site: "site", Bad: "bad", N: "n"}
	differ := report(t, "site,bad,n\na,10,400\nb,40,400\nc,90,400\nd,20,400\n", columns).String()
	if !strings.Contains(differ, "Probable rates") || strings.Contains(differ, "No ranking") {
		t.Errorf("sites that differ:\n%s", differ)
	}
	same := report(t, "site,bad,n\na,10,400\nb,10,400\nc,10,400\nd,10,400\n", columns).String()
	if !strings.Contains(same, "Probable rates") || !strings.Contains(same, "1 to 4\nNo ranking is possible") {
		t.Errorf("sites alike:\n%s", same)
	}
}

func TestALongListOfKindsIsCutShort(t *testing.T) {
	var b strings.Builder
	b.WriteString("site,kind,bad,n\n")
	for i := range 60 {
		fmt.Fprintf(&b, "site-%d,drink-%02d,1,20\n", i%3, i)
	}
	for line := range strings.Lines(report(t, b.String(), Columns{Site: "site", Bad: "bad", N: "n", Kind: "kind"}).String()) {
		if len(line) > 170 {
			t.Errorf("a line of %d: %s", len(line), line)
		}
	}
	if got := some([]string{"a", "b", "c", "d"}); got != "a, b, c, d" {
		t.Errorf("got %q", got)
	}
	if got := some([]string{"a", "b", "c", "d", "e"}); got != "a, b, c and 2 more" {
		t.Errorf("got %q", got)
	}
}

func TestTheMixIsListedInTheOrderOfTheFunnel(t *testing.T) {
	text := report(t, "site,kind,bad,n\nz,tea,1,40\nb,tea,4,40\na,tea,2,40\n", Columns{Site: "site", Bad: "bad", N: "n", Kind: "kind"}).String()
	_, mix, _ := strings.Cut(text, "Adjusted for the mix")
	z, b, a := strings.Index(mix, "\n  z "), strings.Index(mix, "\n  b "), strings.Index(mix, "\n  a ")
	if z < 0 || z > b || b > a {
		t.Errorf("not in the order of the file:\n%s", text)
	}
}
