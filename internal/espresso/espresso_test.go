package espresso_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/espresso"
)

func TestExtractionYieldAgreesWithPublishedTables(t *testing.T) {
	for _, c := range []struct {
		dose, beverage, tds, want, within float64
		source                            string
	}{
		{18, 40, 8, 17.8, 0.05, "a coffee retailer's worked table"},
		{18, 40, 9, 20.0, 0.05, "a coffee retailer's worked table"},
		{18, 40, 10, 22.2, 0.05, "a coffee retailer's worked table"},
		{15, 240, 1.35, 21.6, 1e-9, "a coffee FAQ"},
		{20, 300, 1.33, 19.95, 1e-9, "a roaster's article, which treats 300 ml as 300 g"},
		{18, 36, 9.5, 19.0, 1e-9, "derived: 9.5 x 36 / 18"},
	} {
		got, err := espresso.ExtractionYield(c.tds, c.beverage, c.dose)
		if err != nil || math.Abs(got-c.want) > c.within {
			t.Errorf("%s: %v g, %v g, %v %% = %v, %v; want %v", c.source, c.dose, c.beverage, c.tds, got, err, c.want)
		}
	}
}

func TestRatioFlowAndStrength(t *testing.T) {
	ratio, err := espresso.Ratio(18, 36)
	if err != nil || ratio != 2 {
		t.Errorf("ratio = %v, %v; want 2 (derived)", ratio, err)
	}
	flow, err := espresso.Flow(36, 28)
	if err != nil || math.Abs(flow-1.29) > 0.005 {
		t.Errorf("flow = %v, %v; want 1.29 g/s (derived)", flow, err)
	}
	// Derived: long black 9.5 x 36/136 = 2.5 %, americano 9.5 x 36/196 = 1.74 %.
	for total, want := range map[float64]float64{136: 2.51, 196: 1.745} {
		got, err := espresso.Strength(9.5, 36, total)
		if err != nil || math.Abs(got-want) > 0.006 {
			t.Errorf("strength in %v g = %v, %v; want %v", total, got, err, want)
		}
	}
}

func TestCaffeineOfAnEighteenGramDose(t *testing.T) {
	// Derived from contents given from memory: 162 mg (97 to 243).
	got, err := espresso.Caffeine(18)
	if err != nil || math.Abs(got.Mid-162) > 0.5 || math.Abs(got.Low-97.2) > 0.5 || math.Abs(got.High-243) > 0.5 {
		t.Errorf("caffeine = %+v, %v", got, err)
	}
}

func TestPulls(t *testing.T) {
	for _, c := range []struct{ shots, perPull, want int }{{0, 2, 0}, {1, 2, 1}, {2, 2, 1}, {3, 2, 2}, {4, 2, 2}, {1, 1, 1}, {-1, 2, 0}, {1, 0, 0}} {
		if got := espresso.Pulls(c.shots, c.perPull); got != c.want {
			t.Errorf("Pulls(%d, %d) = %d, want %d", c.shots, c.perPull, got, c.want)
		}
	}
}

func TestNothingButFiniteNumbersOrErrorsComeOut(t *testing.T) {
	any64 := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1), math.MaxFloat64, math.SmallestNonzeroFloat64}))
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := any64.Draw(t, "a"), any64.Draw(t, "b"), any64.Draw(t, "c")
		check := func(v float64, err error) {
			if err != nil && !errors.Is(err, espresso.ErrInput) {
				t.Fatalf("untyped error %v", err)
			}
			if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
				t.Fatalf("%v came out", v)
			}
		}
		check(espresso.Ratio(a, b))
		check(espresso.Flow(a, b))
		check(espresso.ExtractionYield(a, b, c))
		check(espresso.Strength(a, b, c))
		r, err := espresso.Caffeine(a)
		check(r.High, err)
	})
}
