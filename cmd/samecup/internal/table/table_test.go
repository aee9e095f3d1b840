package table

import (
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestReadReportsWhatItCannotUse(t *testing.T) {
	tab, err := Read(strings.NewReader("\ufeffsite,Yield_g,x\ntannery-row,36.1,1\nlantern-hill,,2\noyster-steps,36 g,3\nquillmaker-street,NaN,4\n"), "yield_g", "site")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"Yield_g", "site"}, tab.Names); diff != "" {
		t.Error(diff)
	}
	x, skipped, err := tab.Floats("yield_g")
	if err != nil {
		t.Fatal(err)
	}
	if len(x) != 4 || x[0] != 36.1 || !math.IsNaN(x[1]) {
		t.Errorf("values %v", x)
	}
	var lines []int
	for _, s := range skipped {
		lines = append(lines, s.Line)
	}
	if diff := cmp.Diff([]int{3, 4, 5}, lines); diff != "" {
		t.Error(diff)
	}
	kept := tab.Without(skipped)
	sites, err := kept.Strings("site")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"tannery-row"}, sites); diff != "" || kept.Line(0) != 2 || kept.Line(9) != 0 {
		t.Errorf("kept %v", diff)
	}
}

func TestReadRefusesInWords(t *testing.T) {
	for name, test := range map[string]struct{ csv, col, want string }{
		"empty file":     {"", "a", "empty"},
		"header only":    {"a,b\n", "a", "no rows"},
		"unknown column": {"a,b\n1,2\n", "c", "a, b"},
		"doubled column": {"a,a\n1,2\n", "a", "twice"},
		"ragged row":     {"a,b\n1\n", "a", "line 2"},
		"open quote":     {"a,b\n\"1,2\n", "a", "rows"},
	} {
		if _, err := Read(strings.NewReader(test.csv), test.col); err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%s: error %v lacks %q", name, err, test.want)
		}
	}
	tab, err := Read(strings.NewReader("a\nx\ny\n"))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := tab.Floats("a"); err == nil || !strings.Contains(err.Error(), "line 2") {
		t.Errorf("no number at all: %v", err)
	}
	if _, err := tab.Strings("b"); err == nil {
		t.Error("a column that was not read is returned")
	}
}

func TestABlankLineOfAOneColumnFileIsAMissingValue(t *testing.T) {
	tab, err := Read(strings.NewReader("y\n1\n\n2\n"))
	if err != nil {
		t.Fatal(err)
	}
	x, skipped, err := tab.Floats("y")
	if err != nil {
		t.Fatal(err)
	}
	if len(x) != 3 || len(skipped) != 1 || skipped[0].Line != 3 || tab.Line(2) != 4 {
		t.Errorf("values %v, skipped %v", x, skipped)
	}
}

func FuzzRead(f *testing.F) {
	f.Add("a,b\n1,2\n", "a")
	f.Add("a\n\"x\ny\"\n", "a")
	f.Fuzz(func(t *testing.T, text, col string) {
		tab, err := Read(strings.NewReader(text), col)
		if err != nil {
			return
		}
		x, skipped, err := tab.Floats(col)
		if err != nil {
			return
		}
		bad := 0
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				bad++
			}
		}
		if bad != len(skipped) || len(x) != len(tab.Rows) {
			t.Fatalf("%d bad of %d, %d skipped", bad, len(x), len(skipped))
		}
	})
}
