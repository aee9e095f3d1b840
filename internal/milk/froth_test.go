package milk_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/milk"
)

func vessel(t interface{ Fatal(...any) }, base, top, height float64) cup.Profile {
	p, err := cup.New(base, top, height)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func value(t *rapid.T) func(float64, error) float64 {
	return func(v float64, err error) float64 {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}

func TestFrothBalancesAndInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		hot, a := rapid.Float64Range(20, 500).Draw(t, "hot"), rapid.Float64Range(0, 0.6).Draw(t, "aeration")
		gas := rapid.Float64Range(0.4, 1).Draw(t, "gas share")
		f, err := milk.FrothOf(hot, a, gas)
		if err != nil {
			t.Fatal(err)
		}
		if !near9(f.FrothML+f.UnderML, f.HotML+f.AirML) || !near9(f.FrothML*gas, f.AirML) {
			t.Fatalf("parts do not sum: %+v", f)
		}
		if back := value(t)(milk.AerationFor(f.FrothML, hot, gas)); !near9(back, a) {
			t.Fatalf("aeration %v came back as %v", a, back)
		}
		if back := value(t)(milk.AerationOf(value(t)(milk.GasFraction(a)))); !near9(back, a) {
			t.Fatalf("gas fraction of %v came back as %v", a, back)
		}
		hotAgain := value(t)(milk.HotVolume(value(t)(milk.ColdVolume(hot, 1.11)), 1.11))
		if !near9(hotAgain, hot) {
			t.Fatalf("hot volume %v came back as %v", hot, hotAgain)
		}
	})
}

func TestFrothDepthInvertsInAnyVesselAndAboveTheRim(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := rapid.Float64Range(30, 80).Draw(t, "base")
		p := vessel(t, base, base*rapid.Float64Range(1, 2).Draw(t, "flare"), rapid.Float64Range(40, 120).Draw(t, "height"))
		filled := p.Brim() * rapid.Float64Range(0.5, 1.02).Draw(t, "fill")
		coffee := filled * rapid.Float64Range(0.05, 0.2).Draw(t, "coffee")
		a := rapid.Float64Range(0.1, 0.5).Draw(t, "aeration")
		depth := value(t)(milk.DepthOfAeration(p, filled, coffee, a, 0.55))
		if back := value(t)(milk.AerationForDepth(p, filled, coffee, depth, 0.55)); math.Abs(back-a) > 1e-8 {
			t.Fatalf("aeration %v came back as %v at %v mm", a, back, depth)
		}
		if more := value(t)(milk.DepthOfAeration(p, filled, coffee, a+0.05, 0.55)); more <= depth {
			t.Fatalf("more air, %v mm, must stand deeper than %v mm", more, depth)
		}
		froth := value(t)(milk.FrothVolumeAt(p, filled, depth))
		if back := value(t)(milk.FrothDepth(p, filled, froth)); math.Abs(back-depth) > 1e-8*depth {
			t.Fatalf("depth %v came back as %v", depth, back)
		}
	})
}

func TestDepthGoesAsOneOverTheSquareOfTheDiameter(t *testing.T) {
	// Exact for straight walls: 10 % wider is 1/1.21 as deep.
	narrow, wide := vessel(t, 80, 80, 100), vessel(t, 88, 88, 100)
	a, err1 := milk.FrothDepth(narrow, 300, 60)
	b, err2 := milk.FrothDepth(wide, 300, 60)
	if err1 != nil || err2 != nil || math.Abs(b/a-1/1.21) > 1e-12 {
		t.Errorf("%v mm and %v mm, %v, %v", a, b, err1, err2)
	}
}

func TestEveryDomeUpToTheRimsRadiusStands(t *testing.T) {
	p := vessel(t, 46, 84, 52.7)
	for _, mm := range []float64{0, 0.5, 1, 5, 20, 33, 41.9} {
		v, err := p.Cap(mm)
		if err != nil {
			t.Fatal(err)
		}
		got, err := milk.DomeHeight(p, v)
		if err != nil || math.Abs(got-mm) > 1e-6 {
			t.Errorf("dome of %v mm came back as %v, %v", mm, got, err)
		}
	}
	if most, err := p.Cap(42); err != nil {
		t.Error(err)
	} else if _, err := milk.DomeHeight(p, most+1); err == nil {
		t.Error("a dome higher than the rim's radius was accepted")
	}
}

func TestDrainage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		most, tau := rapid.Float64Range(1, 100).Draw(t, "most"), rapid.Float64Range(60, 180).Draw(t, "tau")
		age := rapid.Float64Range(0, 300).Draw(t, "age")
		l := value(t)(milk.Drained(most, age, tau))
		if later := value(t)(milk.Drained(most, age+1, tau)); later <= l || later >= most {
			t.Fatalf("drained %v then %v of %v", l, later, most)
		}
		if back := value(t)(milk.AgeDrained(most, l, tau)); math.Abs(back-age) > 1e-9*1000 {
			t.Fatalf("age %v came back as %v", age, back)
		}
		froth := milk.Ageing{AirML: most, GasShare: 0.55, ReferenceS: 30, Drainable: rapid.Float64Range(0.1, 1).Draw(t, "drainable"), TauS: tau}
		if at := value(t)(froth.Layer(30)); !near9(at, most/0.55) {
			t.Fatalf("at its reference age the layer is %v, want %v", at, most/0.55)
		}
		young, old := value(t)(froth.Layer(age)), value(t)(froth.Layer(age+1))
		if old >= young || old < most {
			t.Fatalf("layer %v then %v of %v of air", young, old, most)
		}
		// What left the layer is what the drainage law says of its liquid.
		fresh := value(t)(froth.Layer(0)) - most
		if gone := value(t)(milk.Drained(fresh*froth.Drainable, age, tau)); !near9(fresh+most-gone, young) {
			t.Fatalf("layer %v, want %v", young, fresh+most-gone)
		}
	})
	p := vessel(t, 58, 104, 66.1)
	froth := milk.Ageing{AirML: 40, GasShare: 0.55, ReferenceS: 30, Drainable: 0.8, TauS: 90}
	at30, err1 := froth.Depth(p, 317, 30)
	at120, err2 := froth.Depth(p, 317, 120)
	if err1 != nil || err2 != nil || math.Abs(at30-10) > 0.5 || at120 >= at30 {
		t.Errorf("medium latte: %v mm at 30 s, %v mm at 120 s, %v, %v", at30, at120, err1, err2)
	}
}

func TestMassAndLevelTellTheAir(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		base := milk.Base{MassG: 54, VolumeML: rapid.Float64Range(40, 60).Draw(t, "base")}
		level, a := rapid.Float64Range(150, 450).Draw(t, "level"), rapid.Float64Range(0, 0.6).Draw(t, "aeration")
		m := value(t)(milk.MassAtLevel(base, level, a, 1.014))
		f, err := milk.AirFromMass(base, m, level, 1.014)
		if err != nil || !near9(f.Aeration, a) || !near9(base.VolumeML+f.HotML+f.AirML, level) {
			t.Fatalf("aeration %v came back as %+v, %v", a, f, err)
		}
		if airy := value(t)(milk.MassAtLevel(base, level, a+0.1, 1.014)); airy >= m {
			t.Fatalf("more air at the same level weighs %v g, not less than %v g", airy, m)
		}
	})
}
