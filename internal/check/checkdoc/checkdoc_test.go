package checkdoc

import (
	"errors"
	"flag"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/check"
)

const page = "../../../docs/checks.md"

var update = flag.Bool("update", false, "write "+page)

func TestPageIsUpToDate(t *testing.T) {
	want, err := Page(Groups())
	if err != nil {
		t.Fatal(err)
	}
	if *update {
		if err := os.WriteFile(page, []byte(want), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	got, err := os.ReadFile(page)
	if err != nil {
		t.Fatalf("%v; run: go test ./internal/check/checkdoc -update", err)
	}
	if diff := cmp.Diff(string(got), want); diff != "" {
		t.Errorf("docs/checks.md is stale; run: go test ./internal/check/checkdoc -update\n%s", diff)
	}
}

func TestThereAreEnoughChecksAndEachHasItsSource(t *testing.T) {
	total := 0
	for _, g := range Groups() {
		seen := map[string]bool{}
		for _, c := range g.Checks {
			total++
			if c.Name == "" || c.Source == "" || c.Unit == "" || c.Tolerance < 0 || seen[c.Name] {
				t.Errorf("%s: check %q from %q in %q needs a name of its own, a source, a unit and a tolerance", g.Package, c.Name, c.Source, c.Unit)
			}
			seen[c.Name] = true
		}
	}
	if total < 40 {
		t.Errorf("%d checks, at least 40 are wanted", total)
	}
}

func TestPageFailsOutsideTheTolerance(t *testing.T) {
	give := func(v float64) func() (float64, error) { return func() (float64, error) { return v, nil } }
	text, err := Page([]Group{{"A | B", "p", []check.Check{
		{Name: "fits", Source: "identity", Expected: 1, Tolerance: 0.1, Unit: "1", Got: give(1.05)},
		{Name: "off", Source: "a | b", Expected: 1, Tolerance: 0.1, Unit: "ml", Got: give(2)},
	}}})
	if !errors.Is(err, ErrDisagrees) || !strings.Contains(err.Error(), `check "off" gave 2 ml, expected 1 ± 0.1`) || strings.Contains(err.Error(), "fits") {
		t.Errorf("error = %v", err)
	}
	if !strings.Contains(text, `| off | 1 | 2 | 0.1 | ml | a \| b |`) {
		t.Errorf("page:\n%s", text)
	}
}
