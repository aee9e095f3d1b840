package milk_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/milk"
)

func TestRefusalsNameFieldValueAndLimit(t *testing.T) {
	second := func(_ any, err error) error { return err }
	third := func(_, _ any, err error) error { return err }
	jug := milk.Steaming{MilkG: 200, FromC: 4, HeatKJ: 3.93, Steam: milk.WandSteam()}
	warm, hotJug, wet, none := jug, jug, jug, jug
	warm.FromC = 65
	hotJug.Jug = milk.Jug{MassG: 300, HeatKJ: 0.5, CelsiusC: 80}
	wet.Steam = wet.Steam.Wet(0.2)
	none.MilkG = 0
	syrup := milk.Pump{StrokeML: 10, DensityGPML: 1.32, SugarShare: 0.65}
	iced := milk.Iced{Liquids: []milk.Part{{Name: "espresso", MassG: 36, CelsiusC: 10, HeatKJ: 4.18}}, LiquidML: 36, IceG: 100, EndC: 20}
	p := vessel(t, 46, 84, 52.7)
	base := milk.Base{MassG: 54, VolumeML: 54}
	for _, c := range []struct {
		name  string
		err   error
		words []string
	}{
		{"cools", second(warm.To(60)), []string{"end temperature", "60 °C", "65 °C", "wrong way round"}},
		{"boils", second(jug.To(140)), []string{"end temperature", "140 °C", "100 °C"}},
		{"hot jug", second(hotJug.To(60)), []string{"jug temperature", "80 °C", "60 °C", "cool"}},
		{"wet", second(wet.To(60)), []string{"dryness", "0.2", "0.5 to 1"}},
		{"none", second(none.To(60)), []string{"milk", "0 g", "above 0"}},
		{"too much steam", second(jug.With(500)), []string{"steam", "500 g", "200 g"}},
		{"froth", second(milk.FrothOf(100, 1.5, 0.55)), []string{"aeration", "1.5", "1.22"}},
		{"froth deeper than the cup", second(milk.FrothVolumeAt(p, 100, 60)), []string{"froth depth", "60 mm"}},
		{"aeration", second(milk.GasFraction(-0.1)), []string{"aeration", "-0.1", "0 to 5"}},
		{"denominator", second(milk.Overrun(0.2, 1.11, 7)), []string{"denominator 7"}},
		{"age", second(milk.Drained(10, -1, 90)), []string{"froth age", "-1 s"}},
		{"iced", second(iced.Melt()), []string{"end temperature", "20 °C", "wrong way round"}},
		{"pumps", second(syrup.Strokes(-1)), []string{"pumps -1", "100"}},
		{"pumps for", third(syrup.For(1e6)), []string{"syrup", "1e+06 g", "100 pumps"}},
		{"light", second(milk.AirFromMass(base, 50, 317, 1.014)), []string{"drink", "50 g", "54 g", "tare"}},
		{"heavy", second(milk.AirFromMass(base, 400, 317, 1.014)), []string{"drink", "400 g", "317 mL"}},
		{"hot part", second(milk.Mix([]milk.Part{{Name: "water", MassG: 1, CelsiusC: 300, HeatKJ: 4.18}}, milk.Cup{})), []string{"part 1", "water temperature", "300 °C"}},
		{"empty", second(milk.Mix(nil, milk.Cup{})), []string{"drink", "0 g"}},
		{"cup", second(milk.CupFor([]milk.Part{{Name: "water", MassG: 100, CelsiusC: 60, HeatKJ: 4.18}}, milk.CeramicCup(100, 20), 20)), []string{"cup temperature", "0 to 100 °C"}},
		{"water drink", second(milk.WaterDrink{EspressoG: 36, EspressoC: 70, TDSPercent: 90, WaterG: 100, WaterC: 75}.Serve()), []string{"dissolved solids", "90 %", "30 %"}},
		{"scald", third(milk.ScaldTimes(80)), []string{"temperature", "80 °C", "60 °C"}},
		{"composition", second(milk.Composition{Water: 0.5}.SpecificHeat()), []string{"sum of the shares", "0.5"}},
		{"huge", second(milk.WholeCupMass(milk.Base{MassG: 1e300}, 1, 1, 0)), []string{"1e+300 g"}},
	} {
		if c.err == nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		for _, w := range c.words {
			if !strings.Contains(c.err.Error(), w) {
				t.Errorf("%s: %q does not say %q", c.name, c.err, w)
			}
		}
	}
	if err := second(warm.To(60)); !errors.Is(err, milk.ErrInput) {
		t.Errorf("%v is not ErrInput", err)
	}
}

func TestPumpsInvert(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := milk.Pump{StrokeML: rapid.Float64Range(2, 30).Draw(t, "stroke"), DensityGPML: rapid.Float64Range(1, 1.4).Draw(t, "density"), SugarShare: 0.65}
		n := rapid.IntRange(0, 99).Draw(t, "n")
		given, err := p.Strokes(n)
		if err != nil {
			t.Fatal(err)
		}
		back, residual, err := p.For(given.MassG)
		if err != nil || back != n || math.Abs(residual) > 1e-9 {
			t.Fatalf("%d pumps came back as %d, %v g, %v", n, back, residual, err)
		}
		more, err := p.Strokes(n + 1)
		if err != nil || more.MassG <= given.MassG || more.Kcal <= given.Kcal {
			t.Fatalf("%+v after %+v, %v", more, given, err)
		}
	})
}

func TestWaterDrinkStrengthFallsAndHeatRisesWithWater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := milk.WaterDrink{EspressoG: 36, EspressoC: 70, TDSPercent: 9.5, WaterG: rapid.Float64Range(50, 300).Draw(t, "water"), WaterC: 90, In: milk.CeramicCup(250, 22)}
		a, err1 := d.Serve()
		d.WaterG++
		b, err2 := d.Serve()
		if err1 != nil || err2 != nil || b.StrengthPercent >= a.StrengthPercent || b.HandoverC <= a.HandoverC || !a.VeryHot {
			t.Fatalf("%+v then %+v, %v, %v", a, b, err1, err2)
		}
	})
}

func TestTheRestGivesFiniteNumbersOrErrors(t *testing.T) {
	any64 := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 1), rapid.Float64Range(0, 100), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1), 1e300, math.SmallestNonzeroFloat64}))
	p := vessel(t, 46, 84, 52.7)
	rapid.Check(t, func(t *rapid.T) {
		a, b, c, d := any64.Draw(t, "a"), any64.Draw(t, "b"), any64.Draw(t, "c"), any64.Draw(t, "d")
		check := func(err error, values ...float64) {
			t.Helper()
			for _, v := range values {
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Fatalf("%v came out of %v, %v, %v, %v", v, a, b, c, d)
				}
			}
		}
		one := func(v float64, err error) { t.Helper(); check(err, v) }
		form := rapid.SampledFrom([]milk.Form{milk.Full, milk.Simple, 9}).Draw(t, "form")
		s := milk.Steaming{MilkG: a, FromC: b, HeatKJ: 3.93, Steam: milk.WandSteam(), Jug: milk.Jug{MassG: c, HeatKJ: 0.5, CelsiusC: b}, Form: form}
		r, err := s.To(d)
		check(err, r.SteamG, r.OutG, r.DilutionPercent, r.WaterShare, r.MilkHeatKJ, r.JugHeatKJ)
		r, err = s.With(d)
		check(err, r.EndC, r.SteamG)
		m, err := milk.Mix([]milk.Part{{Name: "x", MassG: a, CelsiusC: b, HeatKJ: 4}, {Name: "y", MassG: c, CelsiusC: d, HeatKJ: 4}}, milk.CeramicCup(c, d))
		check(err, m.MassG, m.MixC, m.HandoverC, m.HeatKJ)
		one(milk.CupFor([]milk.Part{{Name: "x", MassG: a, CelsiusC: b, HeatKJ: 4}}, milk.CeramicCup(c, 20), d))
		one(milk.HotFactor(a, b, c))
		one(milk.ColdVolume(a, b))
		one(milk.WholeCupMass(milk.Base{MassG: a, VolumeML: a}, b, c, d))
		one(milk.MassAtLevel(milk.Base{MassG: a, VolumeML: a}, b, c, d))
		f, err := milk.AirFromMass(milk.Base{MassG: a, VolumeML: a}, b, c, d)
		check(err, f.HotML, f.AirML, f.Aeration)
		g, err := milk.FrothOf(a, b, c)
		check(err, g.AirML, g.FrothML, g.UnderML)
		one(milk.AerationFor(a, b, c))
		one(milk.FrothVolumeAt(p, a, b))
		one(milk.DepthOfAeration(p, a, b, c, d))
		one(milk.AerationForDepth(p, a, b, c, d))
		one(milk.GasFraction(a))
		one(milk.AerationOf(a))
		one(milk.Overrun(a, b, milk.OverColdMilk))
		one(milk.Drained(a, b, c))
		one(milk.AgeDrained(a, b, c))
		age := milk.Ageing{AirML: a, GasShare: b, ReferenceS: c, Drainable: 1, TauS: d}
		one(age.Layer(a))
		one(age.Depth(p, 150, b))
		x, err := milk.Iced{Liquids: []milk.Part{{Name: "x", MassG: a, CelsiusC: b, HeatKJ: 4}}, LiquidML: a, IceG: c, EspressoG: a, EndC: d, Form: form}.Melt()
		check(err, x.HeatKJ, x.MeltG, x.IceLeftG, x.LiquidG, x.EndC, x.BeforeML, x.AfterML, x.FallML, x.ShareStart, x.ShareEnd)
		one(milk.ScoopVolume(a, b))
		one(milk.PowderMass(a, b))
		one(milk.FrothDensity(a, b))
		one(milk.EnergyOfVolume(a, b))
		kcal, kJ, err := milk.Nutrients{ProteinG: a, CarbohydrateG: b, FatG: c}.Energy()
		check(err, kcal, kJ)
		pump := milk.Pump{StrokeML: a, DensityGPML: b, SugarShare: c}
		pumped, err := pump.Strokes(5)
		check(err, pumped.ML, pumped.MassG, pumped.SugarG, pumped.Kcal)
		_, residual, err := pump.For(d)
		check(err, residual)
		served, err := milk.WaterDrink{EspressoG: a, EspressoC: b, TDSPercent: 9, WaterG: c, WaterC: d}.Serve()
		check(err, served.MassG, served.StrengthPercent, served.MixC, served.HandoverC)
		one(milk.Composition{Water: a, Fat: b, Protein: c, Ash: d}.SpecificHeat())
		second, third, err := milk.ScaldTimes(a)
		check(err, second, third)
	})
}
