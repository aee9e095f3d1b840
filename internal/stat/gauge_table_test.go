package stat

import (
	"math"
	"testing"
)

// The table of a full model as a published help article prints it: sums of
// squares and degrees of freedom, and what follows from them.
func TestGaugeTableOfAHelpArticle(t *testing.T) {
	for _, c := range []struct {
		name       string
		ss, df, ms float64
	}{{"operator", 1.630, 2, .815}, {"part", 28.909, 4, 7.227}, {"operator x part", .065, 8, .008}, {"equipment", 1.712, 30, .057}} {
		if got := c.ss / c.df; math.Abs(got-c.ms) > 5e-4 {
			t.Errorf("%s: mean square %.4f, printed %g", c.name, got, c.ms)
		}
	}
	// Printed: F .142, p .9964.
	if f := (.065 / 8) / (1.712 / 30); math.Abs(f-.142) > 6e-4 {
		t.Errorf("F of the interaction %.4f", f)
	}
	if p := fTail(.142, 8, 30); math.Abs(p-.9964) > 6e-5 {
		t.Errorf("p of the interaction %.5f", p)
	}
}
