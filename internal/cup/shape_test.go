package cup_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/cup"
)

// A frustum cut into rings is the same vessel.
func TestSectionsOfAFrustumAreTheFrustum(t *testing.T) {
	p := profile(t, 52, 94, 55.8)
	var rings []cup.Section
	for _, cut := range [][2]float64{{0, 10}, {10, 31}, {31, 55.8}} {
		foot, err1 := p.Width(cut[0])
		lip, err2 := p.Width(cut[1])
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		rings = append(rings, cup.Section{BaseMM: foot, TopMM: lip, HeightMM: cut[1] - cut[0]})
	}
	s, err := cup.NewSections(rings)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "brim", s.Brim(), p.Brim(), 1e-9)
	near(t, "rim", s.Rim(), 94, 1e-9)
	for h := 0.0; h <= 55.8; h += 0.9 {
		a, err1 := p.Volume(h)
		b, err2 := s.Volume(h)
		if err := errors.Join(err1, err2); err != nil {
			t.Fatal(err)
		}
		near(t, "volume", b, a, 1e-9)
	}
	if diff := cmp.Diff(rings, s.Rings()); diff != "" {
		t.Error(diff)
	}
}

// Fills that all but stop rising make a cubic spline dip; this curve may not.
func TestTableNeverFallsBetweenUnevenFills(t *testing.T) {
	table, err := cup.NewTable([]cup.Fill{{10, 1}, {20, 1.01}, {30, 200}, {40, 200.01}, {50, 330}}, 90)
	if err != nil {
		t.Fatal(err)
	}
	previous := -1.0
	for h := 0.0; h <= 50; h += 0.01 {
		v, err := table.Volume(h)
		if err != nil {
			t.Fatal(err)
		}
		if v < previous {
			t.Fatalf("falls to %g ml at %g mm", v, h)
		}
		previous = v
	}
	near(t, "brim", table.Brim(), 330, 0)
}

func TestFrothAboveTheRimMustBeFroth(t *testing.T) {
	p := profile(t, 46, 84, 52.7)
	if _, err := cup.FrothOf(p, p.Brim()+10, 9); !errors.Is(err, cup.ErrRange) {
		t.Errorf("liquid above the brim: %v, want ErrRange", err)
	}
	if _, err := cup.FrothOf(p, p.Brim()+1000, 1000); !errors.Is(err, cup.ErrRange) {
		t.Errorf("more than half a sphere: %v, want ErrRange", err)
	}
	got, err := cup.FrothOf(p, p.Brim()+10, 10)
	if err != nil || got.BelowMM != 0 || got.AboveMM <= 0 {
		t.Errorf("all of the froth above the rim: %+v, %v", got, err)
	}
}

func TestTopNarrowerThanBaseIsNamed(t *testing.T) {
	if err := profile(t, 46, 84, 52.7).Opens(); err != nil {
		t.Error(err)
	}
	err := profile(t, 84, 46, 52.7).Opens()
	if !errors.Is(err, cup.ErrShape) || !strings.Contains(err.Error(), "top 46 mm") {
		t.Errorf("swapped: %v", err)
	}
}

func TestBadVesselsAreRefusedByName(t *testing.T) {
	ring := cup.Section{BaseMM: 40, TopMM: 60, HeightMM: 30}
	rising := []cup.Fill{{10, 20}, {20, 45}, {30, 80}}
	for _, c := range []struct {
		name, says string
		err        func() error
	}{
		{"no sections", "0 sections", func() error { _, err := cup.NewSections(nil); return err }},
		{"pinched", "section 2", func() error {
			_, err := cup.NewSections([]cup.Section{ring, {BaseMM: 0, TopMM: 60, HeightMM: 30}})
			return err
		}},
		{"too tall", "total height", func() error {
			_, err := cup.NewSections([]cup.Section{{40, 60, 9000}, {40, 60, 9000}})
			return err
		}},
		{"zero height", "section 1", func() error { _, err := cup.NewSections([]cup.Section{{40, 60, 0}}); return err }},
		{"two fills", "2 fills", func() error { _, err := cup.NewTable(rising[:2], 80); return err }},
		{"falling", "fill 2: volume 19", func() error { _, err := cup.NewTable([]cup.Fill{{10, 20}, {20, 19}, {30, 40}}, 80); return err }},
		{"out of order", "fill 2: depth 5", func() error { _, err := cup.NewTable([]cup.Fill{{10, 20}, {5, 30}, {30, 40}}, 80); return err }},
		{"huge", "fill 3: volume 1e+300", func() error { _, err := cup.NewTable([]cup.Fill{{10, 20}, {20, 30}, {30, 1e300}}, 80); return err }},
		{"no rim", "rim 0 mm", func() error { _, err := cup.NewTable(rising, 0); return err }},
		{"NaN", "rim NaN", func() error { _, err := cup.NewTable(rising, math.NaN()); return err }},
	} {
		if err := c.err(); !errors.Is(err, cup.ErrShape) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, want ErrShape with %q", c.name, err, c.says)
		}
	}
}

func TestZeroShapesAnswerWithAnError(t *testing.T) {
	for _, s := range []cup.Shape{cup.Profile{}, cup.Sections{}, cup.Table{}} {
		for _, ask := range []func(float64) (float64, error){s.Volume, s.Depth, s.Area, s.Width} {
			if _, err := ask(0); !errors.Is(err, cup.ErrShape) {
				t.Errorf("%T: %v, want ErrShape", s, err)
			}
		}
		if _, err := cup.FillLine(s, 0); !errors.Is(err, cup.ErrShape) {
			t.Errorf("%T fill line: %v", s, err)
		}
		if _, err := cup.FrothVolume(s, 0, 0); !errors.Is(err, cup.ErrShape) {
			t.Errorf("%T froth: %v", s, err)
		}
	}
}

// Nothing public may give NaN or an infinity, whatever it is asked.
func TestNoNumberThatIsNoNumberComesOut(t *testing.T) {
	wild := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{
		0, 1, -1, 40, 60, 1e-320, 1e-300, 1e300, -1e300, math.MaxFloat64, math.Inf(1), math.Inf(-1), math.NaN(),
	}), rapid.Float64Range(0, 200))
	rapid.Check(t, func(t *rapid.T) {
		w := func(name string) float64 { return wild.Draw(t, name) }
		var got []float64
		keep := func(v float64, err error) {
			if err == nil {
				got = append(got, v)
			}
		}
		shapes := []cup.Shape{drawShape(t).shape}
		if p, err := cup.New(w("base"), w("top"), w("height")); err == nil {
			shapes = append(shapes, p)
		}
		if s, err := cup.NewSections([]cup.Section{{w("base"), w("top"), w("height")}, {40, 60, 30}}); err == nil {
			shapes = append(shapes, s)
		}
		if s, err := cup.NewTable([]cup.Fill{{w("d1"), w("v1")}, {w("d2"), w("v2")}, {w("d3"), w("v3")}}, w("rim")); err == nil {
			shapes = append(shapes, s)
		}
		a, b := w("a"), w("b")
		for _, s := range shapes {
			got = append(got, s.Height(), s.Brim(), s.Rim())
			for _, ask := range []func(float64) (float64, error){s.Volume, s.Depth, s.Area, s.Width} {
				keep(ask(a))
			}
			keep(cup.RimGap(s, a))
			keep(cup.LayerDepth(s, a, b))
			keep(cup.LayerVolume(s, a, b))
			keep(cup.FrothVolume(s, a, b))
			if f, err := cup.FrothOf(s, a, b); err == nil {
				got = append(got, f.BelowMM, f.AboveMM)
			}
			if l, err := cup.FillLine(s, a); err == nil {
				got = append(got, l.VolumeML, l.DepthMM, l.GapMM, l.WidthMM)
			}
			if rows, err := cup.SpreadFroth([]cup.Named{{Shape: s}}, a, b); err == nil {
				got = append(got, rows[0].DepthMM, rows[0].MeanAreaMM2, rows[0].SurfaceMM)
			}
		}
		keep(cup.CapVolume(a, b))
		keep(cup.CapHeight(a, b))
		keep(cup.WaterML(a, b))
		fills := []cup.Weighed{{DepthMM: w("f1"), Grams: w("g1")}, {DepthMM: w("f2"), Grams: w("g2")}, {AtBrim: true, Grams: w("g3")}}
		if f, err := cup.FitFrustum(fills, 20, cup.Measured{BaseMM: w("kb"), HeightMM: w("kh")}); err == nil {
			got = append(append(got, f.RMSML, f.Profile.Brim()), f.ResidualML...)
		}
		if n, err := cup.GoodsIn(cup.Spec{BrimML: a}, cup.Limits{BrimPart: w("part"), DiameterMM: 1}, []cup.Received{{BrimML: b}}); err == nil {
			got = append(got, n.MeanBrimML)
			for _, m := range n.Misses {
				got = append(got, m.By, m.OfTolerance, m.Lowest, m.Most)
			}
		}
		for i, v := range got {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Fatalf("answer %d is %g", i, v)
			}
		}
	})
}

func TestGoodsInSaysWhichCupAndByHowMuch(t *testing.T) {
	got, err := cup.GoodsIn(cup.Spec{BrimML: 240, BaseMM: 52, TopMM: 94}, cup.UsualLimits(), []cup.Received{
		{Cup: "tannery-row 1", BrimML: 240, BaseMM: 52, TopMM: 94},
		{Cup: "tannery-row 2", BrimML: 247.2, BaseMM: 51, TopMM: 95}, // all on their limits
		{Cup: "tannery-row 3", BrimML: 230, BaseMM: 52, TopMM: 92.5},
		{BrimML: 248},
	})
	if err != nil {
		t.Fatal(err)
	}
	want := cup.Inspection{Cups: 4, Passed: 2, MeanBrimML: (240 + 247.2 + 230 + 248) / 4, Misses: []cup.Miss{
		{Cup: "tannery-row 3", Field: "brim", Unit: "ml", Measured: 230, Lowest: 232.8, Most: 247.2, By: -2.8, OfTolerance: 10 / 7.2},
		{Cup: "tannery-row 3", Field: "top diameter", Unit: "mm", Measured: 92.5, Lowest: 93, Most: 95, By: -0.5, OfTolerance: 1.5},
		{Cup: "cup 4", Field: "brim", Unit: "ml", Measured: 248, Lowest: 232.8, Most: 247.2, By: 0.8, OfTolerance: 8 / 7.2},
	}}
	if diff := cmp.Diff(want, got, cmpopts.EquateApprox(0, 1e-9)); diff != "" {
		t.Error(diff)
	}
	if s := got.Misses[0].String(); s != "tannery-row 3: brim 230.0 ml, allowed 232.8 to 247.2 ml, out by -2.8 ml" {
		t.Error(s)
	}
	if _, err := cup.GoodsIn(cup.Spec{BrimML: 240}, cup.UsualLimits(), []cup.Received{{Cup: "x", BrimML: -1}}); !errors.Is(err, cup.ErrRange) || !strings.Contains(err.Error(), "x: brim -1 ml") {
		t.Errorf("negative brim: %v", err)
	}
}
