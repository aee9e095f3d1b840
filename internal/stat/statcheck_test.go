package stat_test

import (
	"testing"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat/statcheck"
)

// The published figures stand in statcheck, which docs/checks.md lists too.
func TestPublishedFigures(t *testing.T) {
	for _, c := range statcheck.Checks() {
		got, err := check.Run(c)
		if err != nil {
			t.Errorf("%s: %v", c.Name, err)
			continue
		}
		if !c.Agrees(got) {
			t.Errorf("%s: %.10g %s, want %.10g within %g (%s)", c.Name, got, c.Unit, c.Expected, c.Tolerance, c.Source)
		}
	}
}
