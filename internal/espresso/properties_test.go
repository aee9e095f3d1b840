package espresso_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/espresso"
)

func close9(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }

func must(t *rapid.T) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestInversePairs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ok := must(t)
		dose := rapid.Float64Range(5, 30).Draw(t, "dose")
		ratio := rapid.Float64Range(1, 4).Draw(t, "ratio")
		ey := rapid.Float64Range(5, 28).Draw(t, "yield %")
		beverage := ok(espresso.YieldFor(dose, ratio))
		if got := ok(espresso.Ratio(dose, beverage)); !close9(got, ratio) {
			t.Fatalf("ratio %v came back as %v", ratio, got)
		}
		tds := ok(espresso.TDSFor(ey, beverage, dose))
		if got := ok(espresso.ExtractionYield(tds, beverage, dose)); !close9(got, ey) {
			t.Fatalf("extraction %v came back as %v", ey, got)
		}
		total := beverage * rapid.Float64Range(1, 20).Draw(t, "dilution")
		strength := ok(espresso.Strength(tds, beverage, total))
		if got := ok(espresso.TotalFor(tds, beverage, strength)); !close9(got, total) {
			t.Fatalf("total %v came back as %v", total, got)
		}
		// Mass balance: the solids in the drink are those that left the puck.
		if !close9(strength*total, ey*dose) {
			t.Fatalf("solids %v g in the drink, %v g out of the puck", strength*total/100, ey*dose/100)
		}
	})
}

func TestScaleLawsAndMonotony(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		ok := must(t)
		dose, beverage := rapid.Float64Range(14, 22).Draw(t, "dose"), rapid.Float64Range(20, 40).Draw(t, "beverage")
		tds, k := rapid.Float64Range(6, 10).Draw(t, "tds"), rapid.Float64Range(0.1, 10).Draw(t, "scale")
		ey := ok(espresso.ExtractionYield(tds, beverage, dose))
		if got := ok(espresso.ExtractionYield(tds, k*beverage, k*dose)); !close9(got, ey) {
			t.Fatalf("extraction changed with scale: %v, %v", ey, got)
		}
		if ok(espresso.ExtractionYield(tds*1.01, beverage, dose)) <= ey || ok(espresso.ExtractionYield(tds, beverage*1.01, dose)) <= ey ||
			ok(espresso.ExtractionYield(tds, beverage, dose*1.01)) >= ey {
			t.Fatal("extraction must rise with solids and beverage, fall with dose")
		}
		flow := ok(espresso.Flow(beverage, 28))
		if ok(espresso.Flow(beverage, 29)) >= flow || !close9(ok(espresso.Flow(k*beverage, k*28)), flow) {
			t.Fatal("flow must fall with time and keep with scale")
		}
		one, err1 := espresso.Caffeine(dose)
		many, err2 := espresso.Caffeine(k * dose)
		if err1 != nil || err2 != nil || !close9(many.Mid, k*one.Mid) || one.Low > one.Mid || one.Mid > one.High {
			t.Fatalf("caffeine %+v, %+v, %v, %v", one, many, err1, err2)
		}
	})
}

func TestErrorGrowsWithEachReadingsError(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sd := rapid.Float64Range(0, 0.2)
		a, b, c := sd.Draw(t, "tds"), sd.Draw(t, "beverage"), sd.Draw(t, "dose")
		of := func(a, b, c float64) espresso.Extraction {
			e, err := espresso.MeasuredExtraction(espresso.Measured{Value: 9.5, SD: a}, espresso.Measured{Value: 36, SD: b}, espresso.Measured{Value: 18, SD: c})
			if err != nil {
				t.Fatal(err)
			}
			return e
		}
		base := of(a, b, c)
		for _, more := range []espresso.Extraction{of(a+0.1, b, c), of(a, b+0.1, c), of(a, b, c+0.1)} {
			if more.SDPercent <= base.SDPercent {
				t.Fatalf("%+v is not wider than %+v", more, base)
			}
		}
		if !close9(base.SDPercent, base.Percent*base.RelativeSD) {
			t.Fatalf("%+v", base)
		}
	})
}

func TestShotsBySize(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fills := rapid.SliceOfN(rapid.Float64Range(30, 700), 1, 6).Draw(t, "fills")
		share, unit := rapid.Float64Range(0.02, 0.5).Draw(t, "share"), rapid.Float64Range(10, 40).Draw(t, "unit")
		sizes, err := espresso.ShotsBySize(fills, share, unit, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		for _, s := range sizes {
			if !close9(s.WantG+s.ResidualG, s.EspressoG) || !close9(s.EspressoG, float64(s.Shots)*unit) || s.Shots < 1 {
				t.Fatalf("parts do not sum: %+v", s)
			}
			if s.Shots > 1 && math.Abs(s.ResidualG) > unit/2+1e-9 {
				t.Fatalf("a nearer whole shot exists: %+v", s)
			}
			if s.WithinBand != (math.Abs(s.Share/share-1) <= 0.05) && math.Abs(math.Abs(s.Share/share-1)-0.05) > 1e-9 {
				t.Fatalf("band: %+v", s)
			}
		}
	})
	// Share held within 3 %: the large latte's fourth shot is 4.2 % over.
	sizes, err := espresso.ShotsBySize([]float64{213, 317, 409}, 0.169, 18, 0.03)
	if err != nil || !sizes[0].WithinBand || !sizes[1].WithinBand || sizes[2].WithinBand {
		t.Errorf("%+v, %v", sizes, err)
	}
}

// fewest is the fewest halves that any pairing of the odd orders throws away,
// by trying them all.
func fewest(at []float64, window float64) int {
	if len(at) == 0 {
		return 0
	}
	best := 1 + fewest(at[1:], window)
	for i := 1; i < len(at); i++ {
		if at[i]-at[0] <= window {
			rest := append(append([]float64{}, at[1:i]...), at[i+1:]...)
			best = min(best, fewest(rest, window))
		}
	}
	return best
}

func TestGreedyPairingWastesAsLittleAsAny(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		window := rapid.Float64Range(0, 60).Draw(t, "window")
		var orders []espresso.Order
		var odd []float64
		at := 0.0
		for range rapid.IntRange(0, 9).Draw(t, "orders") {
			at += rapid.Float64Range(0, 60).Draw(t, "gap")
			o := espresso.Order{AtS: at, Shots: rapid.IntRange(0, 4).Draw(t, "shots")}
			if orders = append(orders, o); o.Shots%2 == 1 {
				odd = append(odd, at)
			}
		}
		p, err := espresso.PairSplits(orders, window)
		if err != nil {
			t.Fatal(err)
		}
		if want := fewest(odd, window); p.WastedSingles() != want {
			t.Fatalf("wasted %d, the best is %d", p.WastedSingles(), want)
		}
		if 2*p.Pulls != p.Shots+p.WastedSingles() || 2*len(p.Pairs)+p.WastedSingles() != len(odd) {
			t.Fatalf("halves do not balance: %+v", p)
		}
		for _, pair := range p.Pairs {
			if pair.WaitS < 0 || pair.WaitS > window || !(pair.First < pair.Second) {
				t.Fatalf("pair %+v outside the window %v", pair, window)
			}
		}
		if s := p.WastedShare(); !(s >= 0 && s <= 0.5) {
			t.Fatalf("wasted share %v", s)
		}
	})
}

func TestCaffeineBeyondThePublishedFigures(t *testing.T) {
	for dose, want := range map[float64]espresso.Likelihood{9: espresso.Unlikely, 18: espresso.Possible, 36: espresso.Likely} {
		r, err := espresso.Caffeine(dose)
		if err != nil {
			t.Fatal(err)
		}
		if got := r.Over(espresso.CaffeineSingleDoseMG); got != want {
			t.Errorf("%v g over 200 mg: %v, want %v", dose, got, want)
		}
	}
	half, err := espresso.Blend(0.5)
	if err != nil || math.Abs(half.Mid-1.7) > 1e-12 {
		t.Errorf("blend %+v, %v; want the mean of 1.2 and 2.2 %%", half, err)
	}
	if d := espresso.Decaf(); !(d.Low > 0) {
		t.Errorf("decaf %+v must not be nothing", d)
	}
}

func TestRefusalsNameFieldValueAndLimit(t *testing.T) {
	measured := func(v, sd float64) espresso.Measured { return espresso.Measured{Value: v, SD: sd} }
	second := func(_ any, err error) error { return err }
	for _, c := range []struct {
		name  string
		err   error
		words []string
	}{
		{"solids", second(espresso.ExtractionYield(90, 36, 18)), []string{"dissolved solids", "90 %", "30 %"}},
		{"dose", second(espresso.ExtractionYield(9.5, 36, 0)), []string{"dose", "0 g", "above 0"}},
		{"yield", second(espresso.ExtractionYield(25, 60, 18)), []string{"extraction yield", "83.3", "40 %", "weigh"}},
		{"huge", second(espresso.Ratio(1e300, 1e300)), []string{"dose", "1e+300", "100000 g", "yield"}},
		{"time", second(espresso.Flow(36, 0)), []string{"time", "0 s"}},
		{"espresso", second(espresso.Strength(9.5, 36, 20)), []string{"espresso", "36 g", "20 g"}},
		{"strength", second(espresso.TotalFor(9.5, 36, 12)), []string{"strength", "12 %", "9.5 %"}},
		{"sd", second(espresso.MeasuredExtraction(measured(9.5, 6), measured(36, 0), measured(18, 0))), []string{"standard deviation", "6 %", "4.75 %"}},
		{"no solids", second(espresso.MeasuredExtraction(measured(0, 0), measured(36, 0), measured(18, 0))), []string{"dissolved solids", "0 %"}},
		{"water", second(espresso.BatchBrew(116, 200, 2, 20)), []string{"brew water", "200 g", "232 g"}},
		{"share", second(espresso.ShotsBySize([]float64{200}, 3, 18, 0.05)), []string{"espresso share", "3 g/mL", "1 g/mL"}},
		{"fill", second(espresso.ShotsBySize([]float64{200, -1}, 0.2, 18, 0.05)), []string{"fill of size 2", "-1 mL"}},
		{"shots", second(espresso.ShotsBySize([]float64{100_000}, 1, 1, 0.05)), []string{"1000 shots"}},
		{"order", second(espresso.PairSplits([]espresso.Order{{AtS: 9, Shots: 1}, {AtS: 3, Shots: 1}}, 60)), []string{"order 2", "3 s", "9 s", "sort"}},
		{"order shots", second(espresso.PairSplits([]espresso.Order{{AtS: 9, Shots: -1}}, 60)), []string{"order 1", "shots -1", "100"}},
		{"window", second(espresso.PairSplits(nil, math.NaN())), []string{"window", "NaN"}},
		{"style", second(espresso.Style(9).Cup(espresso.Portion{DoseG: 18, YieldG: 36})), []string{"style 9"}},
		{"content", second(espresso.CaffeineOf(18, espresso.Range{Low: 2, Mid: 1, High: 3}, espresso.EspressoRecovery())), []string{"caffeine content", "2, 1, 3 %"}},
		{"blend", second(espresso.Blend(1.5)), []string{"robusta share", "1.5"}},
	} {
		if !errors.Is(c.err, espresso.ErrInput) {
			t.Errorf("%s: error %v is not ErrInput", c.name, c.err)
			continue
		}
		for _, w := range c.words {
			if !strings.Contains(c.err.Error(), w) {
				t.Errorf("%s: %q does not say %q", c.name, c.err, w)
			}
		}
	}
}

func TestTheRestGivesFiniteNumbersOrErrors(t *testing.T) {
	any64 := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 100), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), math.Inf(-1), 1e300, math.SmallestNonzeroFloat64}))
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) float64 { return any64.Draw(t, name) }
		a, b, c, d := draw("a"), draw("b"), draw("c"), draw("d")
		check := func(err error, values ...float64) {
			t.Helper()
			for _, v := range values {
				if err == nil && (math.IsNaN(v) || math.IsInf(v, 0)) {
					t.Fatalf("%v came out of %v, %v, %v, %v", v, a, b, c, d)
				}
			}
			if err != nil && !errors.Is(err, espresso.ErrInput) {
				t.Fatalf("untyped error %v", err)
			}
		}
		v, err := espresso.YieldFor(a, b)
		check(err, v)
		v, err = espresso.TDSFor(a, b, c)
		check(err, v)
		v, err = espresso.TotalFor(a, b, c)
		check(err, v)
		e, err := espresso.MeasuredExtraction(espresso.Measured{Value: a, SD: d}, espresso.Measured{Value: b, SD: d}, espresso.Measured{Value: c, SD: d})
		check(err, e.Percent, e.SDPercent, e.RelativeSD)
		batch, err := espresso.BatchBrew(a, b, c, d)
		check(err, batch.BeverageG, batch.TDSPercent, batch.DoseGPerL)
		sizes, err := espresso.ShotsBySize([]float64{a}, b, c, d)
		check(err)
		for _, s := range sizes {
			check(nil, s.WantG, s.EspressoG, s.ResidualG, s.Share, s.ResidualShare)
		}
		p, err := espresso.PairSplits([]espresso.Order{{AtS: a, Shots: 1}, {AtS: b, Shots: 1}}, c)
		check(err, p.WastedShare())
		r, err := espresso.CaffeineOf(a, espresso.Range{Low: b, Mid: b, High: b}, espresso.Range{Low: c, Mid: c, High: d})
		check(err, r.Low, r.Mid, r.High)
		cup, err := espresso.Split.Cup(espresso.Portion{DoseG: a, YieldG: b})
		check(err, cup.DoseG, cup.YieldG)
	})
}
