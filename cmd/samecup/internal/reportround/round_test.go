package reportround

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func TestDecimals(t *testing.T) {
	for spread, want := range map[float64]int{1.49: 2, 0.0232: 4, 9.99: 2, 10: 1, 250: 0, 1e9: 0, 1e-12: 9, 0: 9, -1: 9} {
		if got := Decimals(spread); got != want {
			t.Errorf("%g: %d, want %d", spread, got, want)
		}
	}
	for x, want := range map[float64]float64{370.398: 370, 91.751: 91.8, 494.65: 495, 0: 0, 2.0004: 2} {
		if got := Digits(x, 3); got != want {
			t.Errorf("%g: %g, want %g", x, got, want)
		}
	}
	if At(nil, 2) != nil || *At(new(1.005), 1) != 1 {
		t.Error("an absent figure")
	}
}

func TestToStaysNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, d := rapid.Float64Range(-1e300, 1e300).Draw(t, "x"), rapid.IntRange(0, 9).Draw(t, "decimals")
		got := To(x, d)
		if math.IsNaN(got) || math.IsInf(got, 0) || math.Abs(got-x) > 0.51*math.Pow10(-d)+1e-12*math.Abs(x) {
			t.Fatalf("%g to %d decimals is %g", x, d, got)
		}
	})
}
