package milk

import (
	"math"
	"testing"
)

// Enthalpy of liquid water between the values of the page that we read (steam
// tables of Ohio University: 251.2 at 60, 272.1 at 65 °C): those of common steam
// tables, from memory.
func TestWaterEnthalpyBetweenItsPoints(t *testing.T) {
	for c, want := range map[float64]float64{15: 62.98, 25: 104.8, 30: 125.7, 40: 167.5, 50: 209.3, 80: 335.0, 90: 377.0} {
		got, err := WaterEnthalpy(c)
		if err != nil || math.Abs(got-want) > 0.3 {
			t.Errorf("%g °C: %.2f kJ/kg, %v; tables have %.2f", c, got, err, want)
		}
	}
	// The page's own latent heats fit its enthalpies of dry steam at the same
	// temperature: about 2609.6, 2618.3 and 2626.8 in common tables, from memory.
	for _, c := range []struct{ celsius, latent, dry float64 }{{60, 2357.6, 2608.8}, {65, 2345.4, 2617.5}, {70, 2333.0, 2626.1}} {
		hf, err := WaterEnthalpy(c.celsius)
		if err != nil || math.Abs(hf+c.latent-c.dry) > 1 {
			t.Errorf("%g °C: %.1f + %.1f kJ/kg, %v; dry steam has %.1f", c.celsius, hf, c.latent, err, c.dry)
		}
	}
}

// Specific heats of milk as published: whole milk 3.85 (Geankoplis, app. A.4-1)
// and 3.85 to 3.93 by a dairy course (IASRI, 0.92 to 0.94 kcal/kg °C).
func TestSpecificHeatOfMilkAsPublished(t *testing.T) {
	whole := Composition{Water: 0.875, Carbohydrate: 0.048, Protein: 0.033, Fat: 0.036, Ash: 0.008}
	for name, f := range map[string]func() (float64, error){"by composition": whole.SpecificHeat, "short form": whole.SpecificHeatShort} {
		if got, err := f(); err != nil || math.Abs(got-3.85) > 0.01 {
			t.Errorf("%s: %.3f kJ/(kg K), %v; 3.85 is published", name, got, err)
		}
	}
	if SpecificHeatKJ < 0.92*4.184 || SpecificHeatKJ > 0.94*4.184 {
		t.Errorf("%g kJ/(kg K) lies outside 0.92 to 0.94 kcal/kg °C", SpecificHeatKJ)
	}
}

// Times to a burn as published (a web page, unattributed, consistent with Moritz
// & Henriques 1947, not read); between them they fall with the temperature.
func TestScaldTimesAsPublished(t *testing.T) {
	for _, c := range []struct{ celsius, second, third float64 }{{49, 8 * 60, 10 * 60}, {51, 2 * 60, 4.2 * 60}, {55, 17, 30}, {60, 3, 5}} {
		second, third, err := ScaldTimes(c.celsius)
		if err != nil || math.Abs(second-c.second) > 1e-9 || math.Abs(third-c.third) > 1e-9 {
			t.Errorf("%g °C: %g and %g s, %v; %g and %g are published", c.celsius, second, third, err, c.second, c.third)
		}
	}
	last := math.Inf(1)
	for c := 49.0; c <= 60; c += 0.25 {
		second, third, err := ScaldTimes(c)
		if err != nil || second >= last || third < second {
			t.Errorf("%g °C: %g and %g s after %g, %v", c, second, third, last, err)
		}
		last = second
	}
}

// Nutrition factors one by one (Regulation (EU) 1169/2011, Annex XIV, two copies
// agree): protein and carbohydrate 4 kcal or 17 kJ a gram, fat 9 or 37.
func TestEnergyFactorsOneByOne(t *testing.T) {
	for _, c := range []struct {
		n        Nutrients
		kcal, kJ float64
	}{{Nutrients{ProteinG: 1}, 4, 17}, {Nutrients{CarbohydrateG: 1}, 4, 17}, {Nutrients{FatG: 1}, 9, 37}} {
		if kcal, kJ, err := c.n.Energy(); err != nil || kcal != c.kcal || kJ != c.kJ {
			t.Errorf("%+v: %g kcal, %g kJ, %v; want %g and %g", c.n, kcal, kJ, err, c.kcal, c.kJ)
		}
	}
}
