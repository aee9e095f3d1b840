package milkcheck_test

import (
	"testing"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/milk/milkcheck"
)

func TestChecksAgree(t *testing.T) {
	checks := milkcheck.Checks()
	if len(checks) < 15 {
		t.Fatalf("%d checks, want at least 15", len(checks))
	}
	seen := map[string]bool{}
	for _, c := range checks {
		t.Run(c.Name, func(t *testing.T) {
			if c.Name == "" || c.Source == "" || c.Unit == "" || seen[c.Name] {
				t.Errorf("check %+q needs a name of its own, a source and a unit", c.Name)
			}
			seen[c.Name] = true
			got, err := check.Run(c)
			if err != nil {
				t.Fatal(err)
			}
			if !c.Agrees(got) {
				t.Errorf("got %g %s, want %g ± %g (%s)", got, c.Unit, c.Expected, c.Tolerance, c.Source)
			}
		})
	}
}
