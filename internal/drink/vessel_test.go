package drink_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/drink"
)

func TestEachFormOfAVesselHasItsShape(t *testing.T) {
	b := loadBook(t, "harbour-finch-shapes")
	for _, c := range []struct {
		id                string
		brim, height, rim float64
		halfway, belowIt  float64 // depth, mm, and what stands below it, ml
		stated, tol       float64
	}{
		// Volumes from elementary geometry, worked by hand outside this program:
		// frustum πh(d² + dD + D²)/12, cylinder πd²h/4, cap of a sphere πh²(3R - h)/3.
		{id: "cone", brim: 179.86, height: 52.7, rim: 84, halfway: 52.7, belowIt: 179.86, stated: 180, tol: 0.01},
		{id: "tube", brim: 298.65, height: 90, rim: 65, halfway: 45, belowIt: 149.32, stated: 300, tol: 0.01},
		{id: "tulip", brim: 249.27, height: 72, rim: 72, halfway: 20, belowIt: 39.79, stated: 250, tol: 0.01},
		// Between fills the curve is not the sphere: half a millilitre at 25 mm.
		{id: "bowl", brim: 261.8, height: 50, rim: 100, halfway: 25, belowIt: 81.81, stated: 261.8, tol: 0.5},
	} {
		v, ok := b.VesselByID(c.id)
		if !ok {
			t.Fatalf("no vessel %s", c.id)
		}
		s, err := v.Shape()
		if err != nil {
			t.Fatal(err)
		}
		got, err := s.Volume(c.halfway)
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range []struct {
			name      string
			got, want float64
		}{{"brim", s.Brim(), c.brim}, {"height", s.Height(), c.height}, {"rim", s.Rim(), c.rim}, {"volume", got, c.belowIt}, {"stated brim", v.Brim.Float(), c.stated}} {
			if math.Abs(x.got-x.want) > c.tol {
				t.Errorf("%s: %s = %g, want %g", c.id, x.name, x.got, x.want)
			}
		}
	}
}

// One section is the frustum of its sizes, and so are two halves of it.
func TestAFrustumInSectionsIsTheSameServing(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	s, _ := b.ServingByID("latte/small/whole-milk")
	want, err := b.Facts(s)
	if err != nil {
		t.Fatal(err)
	}
	for _, sections := range [][]drink.VesselSection{
		{{Base: 52_000, Top: 94_000, Height: 55_800}},
		{{Base: 52_000, Top: 73_000, Height: 27_900}, {Base: 73_000, Top: 94_000, Height: 27_900}},
	} {
		v, _ := b.VesselByID("c240")
		v.Base, v.Top, v.Height, v.Sections = 0, 0, 0, sections
		got, err := b.Facts(s)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(got.FrothDepthMM-want.FrothDepthMM) > 1e-9 || math.Abs(got.RimGapMM-want.RimGapMM) > 1e-9 || math.Abs(got.BrimML-want.BrimML) > 1e-9 {
			t.Errorf("%d sections: froth %g, gap %g, brim %g; the frustum has %g, %g, %g",
				len(sections), got.FrothDepthMM, got.RimGapMM, got.BrimML, want.FrothDepthMM, want.RimGapMM, want.BrimML)
		}
		if errs := drink.CheckBook(b).At(drink.Error); len(errs) > 0 {
			t.Errorf("%d sections: %s", len(sections), errs[0])
		}
	}
}

func TestAVesselSaysItsShapeOnce(t *testing.T) {
	const cone, rings, fills = "base: 52 mm, top: 94 mm, height: 55.8 mm", "sections: [{base: 52 mm, top: 94 mm, height: 55.8 mm}]",
		"fills: [{depth: 20 mm, volume: 56 ml}, {depth: 40 mm, volume: 143 ml}, {depth: 55.8 mm, volume: 240 ml}]"
	for _, c := range []struct{ shape, fault string }{
		{cone, ""},
		{rings, ""},
		{fills + ", top: 94 mm", ""},
		{"sections: , " + cone, ""},
		{"diameter: 74 mm, height: 55.8 mm", ""},
		{cone + ", diameter: 74 mm", "stands beside base and top"},
		{rings + ", top: 94 mm", "stands beside top"},
		{fills + ", " + cone, "stands beside base and height"},
		{rings + ", " + fills, "stands beside fills"},
		{"sections: []", "has 0 entries"},
		{"sections: 4", "is not a list"},
		{"sections: [{base: 52 mm, top: 94 mm}]", "is missing"},
		{"fills: [4, 5, 6], top: 94 mm", "is not a mapping"},
		{"diameter: 74 mm", "is missing"},
		{"sections:", "says no shape"},
	} {
		files := sources(t, "harbour-finch-shapes")
		files["vessels.yaml"] = fmt.Appendf(nil, "vessels:\n  - {id: c240, name: Cup, brim: 240 ml, %s}\n", c.shape)
		_, problems := drink.LoadFiles(files)
		var got []string
		for _, p := range problems.At(drink.Error) {
			if p.File == "vessels.yaml" {
				got = append(got, p.String())
			}
		}
		if c.fault == "" && len(got) > 0 || c.fault != "" && !strings.Contains(strings.Join(got, "\n"), c.fault) {
			t.Errorf("%s: %q, want %q", c.shape, got, c.fault)
		}
	}
}

// A book that never was YAML is held to the same rule.
func TestShapeRefusesTwoForms(t *testing.T) {
	ring, fill := []drink.VesselSection{{Base: 1000, Top: 1000, Height: 1000}}, []drink.VesselFill{{Depth: 1000, Volume: 1000}}
	for _, v := range []drink.Vessel{
		{},
		{Sections: ring, Fills: fill},
		{Sections: ring, Top: 1000},
		{Fills: fill, Top: 1000, Height: 1000},
		{Fills: fill, Top: 1000},
		{Sections: []drink.VesselSection{{}}},
	} {
		if s, err := v.Shape(); !errors.Is(err, cup.ErrShape) || s != nil {
			t.Errorf("%+v: %v, %v", v, s, err)
		}
		b := &drink.Book{Vessels: []drink.Vessel{v}}
		b.Vessels[0].ID, b.Vessels[0].Brim = "v", 1000
		found := ""
		for _, p := range drink.CheckBook(b).At(drink.Error) {
			if strings.HasPrefix(p.Field, "vessels[v]") {
				found = p.String()
			}
		}
		if found == "" {
			t.Errorf("%+v: the check has no word on it", v)
		}
	}
}

func TestDiffShowsAVesselMeasuredAnew(t *testing.T) {
	was, now := loadBook(t, "harbour-finch-shapes"), loadBook(t, "harbour-finch-shapes")
	tulip, _ := now.VesselByID("tulip")
	tulip.Sections[2].Height = 13_000
	bowl, _ := now.VesselByID("bowl")
	bowl.Fills[1].Volume = 15_000
	var got []string
	for _, c := range drink.Diff(was, now) {
		got = append(got, fmt.Sprintf("%s %s: %s -> %s %v", c.Subject, c.Field, c.Old, c.New, c.Reaches))
	}
	if diff := cmp.Diff([]string{
		"vessel tulip shape: sections 40 to 60 mm over 20 mm + 60 to 80 mm over 40 mm + 80 to 72 mm over 12 mm, brim 250 ml -> sections 40 to 60 mm over 20 mm + 60 to 80 mm over 40 mm + 80 to 72 mm over 13 mm, brim 250 ml [latte/tulip]",
		"vessel bowl shape: top 100 mm, fills 3.8 ml at 5 mm + 14.7 ml at 10 mm + 54.5 ml at 20 mm + 113.1 ml at 30 mm + 184.3 ml at 40 mm + 261.8 ml at 50 mm, brim 261.8 ml -> top 100 mm, fills 3.8 ml at 5 mm + 15 ml at 10 mm + 54.5 ml at 20 mm + 113.1 ml at 30 mm + 184.3 ml at 40 mm + 261.8 ml at 50 mm, brim 261.8 ml [latte/bowl]",
	}, got); diff != "" {
		t.Error(diff)
	}
}
