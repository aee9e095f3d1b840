package cup_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
)

// weigh fills p to each depth with water at 20 °C; a depth of 0 is the brim.
func weigh(t interface{ Fatal(...any) }, p cup.Profile, depths ...float64) []cup.Weighed {
	density, err := cup.WaterDensity(20)
	if err != nil {
		t.Fatal(err)
	}
	var out []cup.Weighed
	for _, h := range depths {
		ml := p.Brim()
		if h > 0 {
			if ml, err = p.Volume(h); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, cup.Weighed{DepthMM: h, Grams: ml * density, AtBrim: h == 0})
	}
	return out
}

func TestFitFindsTheFrustumThatWasWeighed(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := rapid.Float64Range(35, 80).Draw(t, "base")
		w := b * rapid.Float64Range(1, 2).Draw(t, "opening")
		h := rapid.Float64Range(40, 120).Draw(t, "height")
		p, err := cup.New(b, w, h)
		if err != nil {
			t.Fatal(err)
		}
		known := rapid.SampledFrom([]cup.Measured{
			{}, {HeightMM: h}, {BaseMM: b}, {TopMM: w}, {BaseMM: b, HeightMM: h}, {TopMM: w, HeightMM: h}, {BaseMM: b, TopMM: w},
		}).Draw(t, "known")
		got, err := cup.FitFrustum(weigh(t, p, h/3, h*2/3, 0), 20, known)
		if err != nil {
			t.Fatalf("%+v: %v", known, err)
		}
		for _, c := range [][2]float64{{got.Profile.Base(), b}, {got.Profile.Rim(), w}, {got.Profile.Height(), h}} {
			if math.Abs(c[0]-c[1]) > 1e-4*c[1] {
				t.Fatalf("known %+v: fitted %+v, want %g %g %g", known, got, b, w, h)
			}
		}
		if got.RMSML > 1e-6*p.Brim() {
			t.Fatalf("residual %g ml", got.RMSML)
		}
	})
}

func TestFitShowsWhatDoesNotFit(t *testing.T) {
	fills := weigh(t, profile(t, 52, 94, 55.8), 18, 36, 0)
	fills[0].Grams -= 3 // a rounded base holds less
	got, err := cup.FitFrustum(fills, 20, cup.Measured{HeightMM: 55.8})
	if err != nil {
		t.Fatal(err)
	}
	if got.Spare != 1 || len(got.ResidualML) != 3 || got.ResidualML[0] > -0.5 || got.RMSML < 0.3 || got.RMSML > 3 {
		t.Errorf("%+v, want the first fill to stand out", got)
	}
}

func TestFitRefusesWhatSettlesNothing(t *testing.T) {
	p := profile(t, 52, 94, 55.8)
	for _, c := range []struct {
		name, says string
		fills      []cup.Weighed
		tempC      float64
		known      cup.Measured
		want       error
	}{
		{"two fills", "2 fills", weigh(t, p, 18, 0), 20, cup.Measured{}, cup.ErrFit},
		{"one depth", "tell the unknown", weigh(t, p, 18, 18, 18), 20, cup.Measured{HeightMM: 55.8}, cup.ErrFit},
		{"no brim", "brim", weigh(t, p, 18, 30, 40), 20, cup.Measured{}, cup.ErrFit},
		{"only brims", "every fill", weigh(t, p, 0, 0, 0), 20, cup.Measured{}, cup.ErrFit},
		{"nothing unknown", "all known", weigh(t, p, 18, 36, 0), 20, cup.Measured{52, 94, 55.8}, cup.ErrFit},
		{"boiling", "water temperature 95", weigh(t, p, 18, 36, 0), 95, cup.Measured{}, cup.ErrRange},
		{"no water", "fill 1: weighed water 0 g", []cup.Weighed{{DepthMM: 9}, {DepthMM: 18, Grams: 9}, {AtBrim: true, Grams: 9}}, 20, cup.Measured{}, cup.ErrRange},
		{"too deep", "fill 1: depth 60", []cup.Weighed{{DepthMM: 60, Grams: 9}, {DepthMM: 18, Grams: 9}, {AtBrim: true, Grams: 9}}, 20, cup.Measured{HeightMM: 55.8}, cup.ErrRange},
		{"negative", "top -1 mm", weigh(t, p, 18, 36, 0), 20, cup.Measured{TopMM: -1}, cup.ErrShape},
		{"falling", "misses the fills", []cup.Weighed{{DepthMM: 10, Grams: 200}, {DepthMM: 30, Grams: 20}, {AtBrim: true, Grams: 90}}, 20, cup.Measured{HeightMM: 55.8}, cup.ErrFit},
	} {
		_, err := cup.FitFrustum(c.fills, c.tempC, c.known)
		if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want %v with %q", c.name, err, c.want, c.says)
		}
	}
}

func TestWeighedFillsMakeATable(t *testing.T) {
	p := profile(t, 52, 94, 55.8)
	fills, err := cup.FillsOf(weigh(t, p, 14, 28, 42, 0), 20, 55.8)
	if err != nil {
		t.Fatal(err)
	}
	table, err := cup.NewTable(fills, 94)
	if err != nil {
		t.Fatal(err)
	}
	for h := 0.0; h <= 55; h += 2.5 {
		a, err1 := p.Volume(h)
		b, err2 := table.Volume(h)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		near(t, "volume by table", b, a, 0.6)
	}
	if _, err := cup.FillsOf(weigh(t, p, 0), 20, 0); !errors.Is(err, cup.ErrRange) {
		t.Errorf("brim without a height: %v", err)
	}
}
