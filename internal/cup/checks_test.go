package cup_test

import (
	"testing"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/cup/cupcheck"
)

// The table itself is in cupcheck, where the page of checks reads it too.
func TestExternalChecks(t *testing.T) {
	checks := cupcheck.Checks()
	if len(checks) < 15 {
		t.Errorf("%d checks, want at least 15", len(checks))
	}
	seen := map[string]bool{}
	for _, c := range checks {
		t.Run(c.Name, func(t *testing.T) {
			if c.Name == "" || c.Source == "" || c.Unit == "" || !(c.Tolerance > 0) || seen[c.Name] {
				t.Errorf("a check needs a name of its own, a source, a unit and a tolerance: %+v", c)
			}
			seen[c.Name] = true
			got, err := check.Run(c)
			if err != nil {
				t.Fatal(err)
			}
			if !c.Agrees(got) {
				t.Errorf("got %.9g %s, want %.9g within %g (%s)", got, c.Unit, c.Expected, c.Tolerance, c.Source)
			}
		})
	}
}
