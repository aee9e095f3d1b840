package milk_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/milk"
)

func TestSteamBalance(t *testing.T) {
	for _, c := range []struct{ milkG, from, to, steamKJ, want float64 }{
		// Computed from the steam tables named in the package: hg 2675.7,
		// hf(65) 272.1, hf(60) 251.2.
		{150, 4, 65, 2675.7, 14.961},
		{200, 4, 60, 2675.7, 18.155},
		{0, 4, 60, 2675.7, 0},
		{200, 60, 60, 2675.7, 0},
	} {
		got, err := milk.Steam(c.milkG, c.from, c.to, c.steamKJ)
		if err != nil || math.Abs(got-c.want) > 0.0006 {
			t.Errorf("Steam(%v) = %v, %v; want %v", c, got, err, c.want)
		}
	}
	// A published barista teaching text: up to about 10 % dilution.
	if got, _ := milk.Steam(100, 4, 65, milk.SteamEnthalpyKJ); got < 8 || got > 12 {
		t.Errorf("dilution %.1f %%, want some 10", got)
	}
}

func TestHotVolumeOfALatte(t *testing.T) {
	// Invented latte: 135 mL cold, factor 1.11, 150 mL hot.
	got, err := milk.HotVolume(135, 1.11)
	if err != nil || math.Abs(got-150) > 0.5 {
		t.Errorf("HotVolume = %v, %v", got, err)
	}
}

func TestFrothDepths(t *testing.T) {
	// Invented drinks, depths derived by bisection in another program.
	for _, c := range []struct {
		name                             string
		base, top, height, filled, froth float64
		want                             float64
	}{
		{"macchiato", 38, 60, 41.7, 60, 13, 5},
		{"flat white", 46, 84, 52.7, 158, 24, 5},
		{"latte small", 52, 94, 55.8, 213, 49, 8},
		{"latte medium", 58, 104, 66.1, 317, 73, 10},
		{"latte take-away", 58, 86, 84.9, 299, 67, 13},
		{"cappuccino small", 52, 94, 55.8, 220, 104, 18},
		{"cappuccino take-away", 54, 78, 69.4, 203, 95, 24},
	} {
		p, err := cup.New(c.base, c.top, c.height)
		if err != nil {
			t.Fatal(err)
		}
		got, err := milk.FrothDepth(p, c.filled, c.froth)
		if err != nil || math.Abs(got-c.want) > 0.6 {
			t.Errorf("%s: %v, %v; want %v", c.name, got, err, c.want)
		}
	}
}

func TestFrothAboveTheRimCountsWithItsDome(t *testing.T) {
	p, err := cup.New(46, 84, 52.7)
	if err != nil {
		t.Fatal(err)
	}
	dome, _ := p.Cap(5)
	foot, _ := p.Volume(p.Height() - 10)
	got, err := milk.FrothDepth(p, p.Brim()+dome, p.Brim()-foot+dome)
	if err != nil || math.Abs(got-15) > 1e-6 {
		t.Errorf("10 mm below and 5 mm above the rim = %v, %v; want 15", got, err)
	}
}

func TestNothingButFiniteNumbersOrErrorsComeOut(t *testing.T) {
	any64 := rapid.OneOf(rapid.Float64(), rapid.Float64Range(0, 100), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), math.MaxFloat64}))
	p, err := cup.New(46, 84, 52.7)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := any64.Draw(t, "a"), any64.Draw(t, "b"), any64.Draw(t, "c")
		check := func(v float64, err error) {
			if err == nil && (math.IsNaN(v) || math.IsInf(v, 0) || v < 0) {
				t.Fatalf("%v came out of %v, %v, %v", v, a, b, c)
			}
		}
		check(milk.Steam(a, b, c, milk.SteamEnthalpyKJ))
		check(milk.HotVolume(a, b))
		check(milk.FrothVolume(a, b))
		check(milk.FrothDepth(p, a, b))
		check(milk.DomeHeight(p, a))
	})
}
