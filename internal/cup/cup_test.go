package cup_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance || math.IsNaN(got) {
		t.Errorf("%s = %.6f, want %.6f within %g", what, got, want, tolerance)
	}
}

func profile(t *testing.T, base, top, height float64) cup.Profile {
	t.Helper()
	p, err := cup.New(base, top, height)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestVolumeAgreesWithTheFrustumFormula(t *testing.T) {
	// Textbook frustum of radii 10 and 5 cm, height 12 cm: 700π cm³.
	near(t, "frustum", profile(t, 100, 200, 120).Brim(), 700*math.Pi, 1e-9)
	// Its limits: a cylinder πR²h and a cone πR²h/3.
	near(t, "cylinder", profile(t, 200, 200, 120).Brim(), math.Pi*100*12, 1e-9)
	near(t, "cone", profile(t, 0, 200, 120).Brim(), math.Pi*100*12/3, 1e-9)
}

func TestHarbourFinchVesselsHoldWhatTheySay(t *testing.T) {
	// Invented vessels, brim derived from the frustum formula.
	for _, v := range []struct{ base, top, height, brim float64 }{
		{38, 60, 41.7, 80}, {48, 66, 50.5, 130}, {46, 84, 52.7, 180}, {52, 94, 55.8, 240}, {58, 104, 66.1, 350},
		{62, 114, 71.9, 450}, {54, 78, 69.4, 240}, {58, 86, 84.9, 350}, {60, 88, 103.4, 450}, {60, 86, 106.4, 450}, {72, 80, 66.1, 300},
	} {
		near(t, "brim", profile(t, v.base, v.top, v.height).Brim(), v.brim, 0.6)
	}
}

func TestTheSameFrothStandsThinnerInAWiderCup(t *testing.T) {
	// 60 mL just below (brim - 8 mL), derived independently by bisection.
	for _, v := range []struct{ base, top, height, brim, want float64 }{
		{48, 66, 50.5, 130, 20.1}, {54, 78, 69.4, 240, 13.6}, {52, 94, 55.8, 240, 9.5}, {58, 104, 66.1, 350, 7.5}, {62, 114, 71.9, 450, 6.2},
	} {
		got, err := profile(t, v.base, v.top, v.height).Layer(v.brim-8, 60)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "layer", got, v.want, 0.06)
	}
}

func TestCapOfOneRadiusIsHalfASphere(t *testing.T) {
	// Identity: a cap as high as its rim's radius holds 2πR³/3.
	got, err := profile(t, 40, 80, 50).Cap(40)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "cap", got, 2*math.Pi*64/3, 1e-9)
}

func TestBadShapesAndFillsAreRefused(t *testing.T) {
	for _, v := range [][3]float64{{-1, 60, 50}, {40, 0, 50}, {40, 60, 0}, {math.NaN(), 60, 50}, {40, math.Inf(1), 50}, {40, 60, 1e9}} {
		if _, err := cup.New(v[0], v[1], v[2]); !errors.Is(err, cup.ErrShape) {
			t.Errorf("New(%v) = %v, want ErrShape", v, err)
		}
	}
	p := profile(t, 40, 60, 50)
	for _, v := range []float64{-1, 1e6, math.NaN(), math.Inf(1)} {
		if _, err := p.Volume(v); !errors.Is(err, cup.ErrRange) {
			t.Errorf("Volume(%g) = %v, want ErrRange", v, err)
		}
		if _, err := p.Depth(v); !errors.Is(err, cup.ErrRange) {
			t.Errorf("Depth(%g) = %v, want ErrRange", v, err)
		}
		if _, err := p.Cap(v); !errors.Is(err, cup.ErrRange) {
			t.Errorf("Cap(%g) = %v, want ErrRange", v, err)
		}
	}
	if _, err := (cup.Profile{}).Depth(0); !errors.Is(err, cup.ErrShape) {
		t.Errorf("zero profile: %v, want ErrShape", err)
	}
}

func TestDepthUndoesVolumeAndLayersAdd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, err := cup.New(rapid.Float64Range(0, 150).Draw(t, "base"), rapid.Float64Range(1, 150).Draw(t, "top"), rapid.Float64Range(1, 300).Draw(t, "height"))
		if err != nil {
			t.Fatal(err)
		}
		h := rapid.Float64Range(0, 1).Draw(t, "h") * p.Height()
		v, err := p.Volume(h)
		if err != nil {
			t.Fatal(err)
		}
		back, err := p.Depth(v)
		if err != nil {
			t.Fatal(err)
		}
		again, err := p.Volume(back)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(again-v) > 1e-9*p.Brim() {
			t.Fatalf("volume %g came back as %g", v, again)
		}
		f := rapid.Float64Range(0, 1).Draw(t, "f") * v
		whole, err1 := p.Layer(v, f)
		upper, err2 := p.Layer(v, f/2)
		lower, err3 := p.Layer(v-f/2, f/2)
		if err := errors.Join(err1, err2, err3); err != nil {
			t.Fatal(err)
		}
		if math.Abs(whole-upper-lower) > 1e-6 {
			t.Fatalf("%g split into %g and %g", whole, upper, lower)
		}
	})
}
