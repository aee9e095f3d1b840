package drink_test

import (
	"errors"
	"fmt"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
)

func TestQuantitiesAreReadExactly(t *testing.T) {
	for _, c := range []struct {
		text string
		unit drink.Unit
		want drink.Milli
	}{
		{"18 g", drink.Gram, 18_000}, {"18.05g", drink.Gram, 18_050}, {"0.018 kg", drink.Gram, 18_000}, {"300 mg", drink.Gram, 300},
		// NIST Handbook 44, appendix C, from memory: 28.349523125 g, 29.5735295625 mL, 25.4 mm.
		{"1 oz", drink.Gram, 28_350}, {"8 fl oz", drink.Millilitre, 236_588}, {"1 in", drink.Millimetre, 25_400},
		{"13.5 cl", drink.Millilitre, 135_000}, {"0.2 l", drink.Millilitre, 200_000}, {"135 mL", drink.Millilitre, 135_000},
		{"0.8 cm", drink.Millimetre, 8_000}, {"-5 mm", drink.Millimetre, -5_000}, {"0.5 min", drink.Second, 30_000},
		// Fixed points of the scales.
		{"32 °F", drink.Celsius, 0}, {"212 F", drink.Celsius, 100_000}, {"140 degF", drink.Celsius, 60_000}, {"-40 °F", drink.Celsius, -40_000},
		{"60 °C", drink.Celsius, 60_000}, {"60C", drink.Celsius, 60_000}, {"1.31 %", drink.Percent, 1_310}, {"3", drink.Count, 3_000},
	} {
		if got, err := drink.ParseQuantity(c.text, c.unit); err != nil || got != c.want {
			t.Errorf("%q as %s = %d, %v; want %d", c.text, c.unit, got, err, c.want)
		}
	}
}

func TestAToleranceInFahrenheitIsADifference(t *testing.T) {
	for text, want := range map[string]drink.Milli{"9 °F": 5_000, "5 °F": 2_778, "3 °C": 3_000} {
		if got, err := drink.ParseDifference(text, drink.Celsius); err != nil || got != want {
			t.Errorf("%q = %d, %v; want %d", text, got, err, want)
		}
	}
}

func TestWhatIsNoQuantityIsRefusedWithItsMend(t *testing.T) {
	for _, c := range []struct {
		text string
		unit drink.Unit
	}{
		{"8 kg", drink.Millimetre}, {"8", drink.Millimetre}, {"", drink.Gram}, {"NaN g", drink.Gram}, {"Inf g", drink.Gram}, {"1e9 g", drink.Gram},
		{"1_000 g", drink.Gram}, {"0x10 g", drink.Gram}, {"1,5 g", drink.Gram}, {"1. g", drink.Gram}, {".5 g", drink.Gram}, {"--5 g", drink.Gram},
		{"1/2 g", drink.Gram}, {"0.0005 g", drink.Gram}, {"1.5", drink.Count}, {"3 g", drink.Count}, {"99999999999999999999 g", drink.Gram},
		{"1000000000.001 g", drink.Gram}, {"٣ g", drink.Gram}, {"5 g", "furlong"},
	} {
		got, err := drink.ParseQuantity(c.text, c.unit)
		if q, ok := errors.AsType[*drink.QuantityError](err); !ok || q.Mend == "" || got != 0 {
			t.Errorf("%q as %s = %d, %v; want a *QuantityError with a mend", c.text, c.unit, got, err)
		}
	}
	_, err := drink.ParseQuantity("8 kg", drink.Millimetre)
	if want := `"8 kg" is not a length; write mm or cm, like "8 mm"`; err.Error() != want {
		t.Errorf("error %q, want %q", err, want)
	}
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	units := []drink.Unit{drink.Gram, drink.Millilitre, drink.Millimetre, drink.Second, drink.Celsius, drink.Percent}
	rapid.Check(t, func(t *rapid.T) {
		m := drink.Milli(rapid.Int64Range(-int64(drink.MaxMilli), int64(drink.MaxMilli)).Draw(t, "m"))
		unit := rapid.SampledFrom(units).Draw(t, "unit")
		text := drink.FormatQuantity(m, unit)
		if got, err := drink.ParseQuantity(text, unit); err != nil || got != m {
			t.Fatalf("%q = %d, %v; want %d", text, got, err, m)
		}
	})
}

func TestFahrenheitRoundsToTheNearestThousandth(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := rapid.IntRange(-400, 2500).Draw(t, "tenths of °F")
		got, err := drink.ParseQuantity(fmt.Sprintf("%.1f °F", float64(f)/10), drink.Celsius)
		if err != nil {
			t.Fatal(err)
		}
		// Exact in integers: (f/10 - 32) x 5/9 x 1000 = (f - 320) x 500 / 9.
		exactTimes9 := (int64(f) - 320) * 500
		if d := int64(got)*9 - exactTimes9; d > 4 || d < -4 {
			t.Fatalf("%d tenths of °F became %d, off by %d ninths", f, got, d)
		}
	})
}
