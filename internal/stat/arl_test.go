package stat

import (
	"errors"
	"math"
	"testing"
)

// near fails unless got is want within half a unit of the digits given.
func nearARL(t *testing.T, what string, got, want, tol float64, err error) {
	t.Helper()
	if err != nil {
		t.Errorf("%s: %v", what, err)
		return
	}
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.6f, want %v within %v", what, got, want, tol)
	}
}

func TestDesignsGiveTheWishedRunLength(t *testing.T) {
	// Crowder (JQT 21, 1989), in-control run length 250.
	for lambda, want := range map[float64]float64{0.05: 2.32, 0.10: 2.55, 0.15: 2.65, 0.20: 2.72, 0.25: 2.76} {
		got, err := EWMALimit(lambda, 250)
		nearARL(t, "EWMA limit", got, want, 0.0101, err)
	}
	h, err := CUSUMInterval(0.5, 465.4435)
	nearARL(t, "CUSUM h", h, 5, 1e-5, err) // spc: h 5 gives 465.4435
	if _, err := EWMALimit(0.2, math.NaN()); !errors.Is(err, ErrInput) {
		t.Errorf("NaN run length: %v", err)
	}
	if _, err := CUSUMInterval(0.5, 1); !errors.Is(err, ErrInput) {
		t.Errorf("run length 1: %v", err)
	}
}
