package card

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/drink"
)

func TestLevelsAreToScale(t *testing.T) {
	bothBooks(t, func(t *testing.T, b *drink.Book, s *drink.Serving) {
		sec, err := Levels(b, s)
		if err != nil {
			t.Fatal(err)
		}
		whole, err := b.Volumes(s)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(sec.FilledML-whole.Filled) > 1e-6 {
			t.Errorf("layers hold %g ml, the serving %g ml", sec.FilledML, whole.Filled)
		}
		below := 0.0
		for _, l := range sec.Layers {
			if l.FromMM != below {
				t.Errorf("%s begins at %g mm, the layer below ends at %g mm", l.Name, l.FromMM, below)
			}
			below = l.ToMM
			lo, errLo := sec.Shape.Volume(l.FromMM)
			hi, errHi := sec.Shape.Volume(l.ToMM)
			dome, errCap := cup.CapVolume(sec.Shape.Rim(), l.AboveMM)
			if err := errors.Join(errLo, errHi, errCap); err != nil {
				t.Fatal(err)
			}
			if got := hi - lo + dome; math.Abs(got-l.VolumeML) > 1e-6 {
				t.Errorf("%s is drawn as %g ml and holds %g ml", l.Name, got, l.VolumeML)
			}
		}
	})
}

// The outline itself is turned back into a volume, so that the drawing is
// tested and not only the numbers it is drawn from. A frustum's slice of half
// widths a, b and height z holds πz(a² + ab + b²)/3.
func TestOutlineHoldsTheVolume(t *testing.T) {
	d := drawn{midX: 70, baseY: 90, scale: 2.5}
	bothBooks(t, func(t *testing.T, b *drink.Book, s *drink.Serving) {
		sec, err := Levels(b, s)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range sec.Layers {
			pts := d.outline(sec, l)
			var got float64
			bent := len(bends(sec, l.FromMM, l.ToMM))
			for i := 1; i <= bent+1; i++ { // up the right wall
				lo, hi := (pts[i].x-d.midX)*d.scale, (pts[i+1].x-d.midX)*d.scale
				z := (pts[i].y - pts[i+1].y) * d.scale
				got += math.Pi * z * (lo*lo + lo*hi + hi*hi) / 3 / 1000
			}
			within := 1e-6
			if _, curved := sec.Shape.(cup.Table); curved {
				within = 0.01 * l.VolumeML // straight slices of a curve
			}
			dome, err := cup.CapVolume(sec.Shape.Rim(), l.AboveMM)
			if err != nil {
				t.Fatal(err)
			}
			if got += dome; math.Abs(got-l.VolumeML) > within {
				t.Errorf("%s is drawn as %g ml and holds %g ml", l.Name, got, l.VolumeML)
			}
		}
	})
}

func TestLayersStandInBuildOrder(t *testing.T) {
	b := loadBook(t, "../../testdata/harbour-finch")
	for id, want := range map[string][]string{
		"latte/medium/whole-milk":     {"espresso", "milk", "froth"},
		"iced-latte/large/whole-milk": {"ice", "milk", "espresso"},
		"affogato/small":              {"ice_cream", "espresso"},
		"long-black/small":            {"water", "espresso"},
		"americano/small":             {"espresso", "water"},
		"mocha/medium":                {"sauce", "espresso", "milk", "froth"},
	} {
		s, ok := b.ServingByID(id)
		if !ok {
			t.Errorf("no serving %s", id)
			continue
		}
		sec, err := Levels(b, s)
		if err != nil {
			t.Error(err)
			continue
		}
		var got []string
		for _, l := range sec.Layers {
			got = append(got, l.Kind)
		}
		if !slices.Equal(got, want) {
			t.Errorf("%s: layers %v, want %v", id, got, want)
		}
	}
}

func TestFrothStandsAboveTheRim(t *testing.T) {
	b := loadBook(t, "testdata/book")
	s, _ := b.ServingByID("cappuccino/cup")
	sec, err := Levels(b, s)
	if err != nil {
		t.Fatal(err)
	}
	if sec.AboveMM < 3 || sec.AboveMM > 7 || sec.RimGapMM != 0 || sec.FrothMM <= sec.AboveMM {
		t.Errorf("froth %g mm, above the rim %g mm, gap %g mm", sec.FrothMM, sec.AboveMM, sec.RimGapMM)
	}
}

func TestWhatCannotBeDrawnIsSaidInWords(t *testing.T) {
	b := loadBook(t, "testdata/book")
	base, _ := b.ServingByID("affogato/glass")
	for _, c := range []struct {
		name string
		edit func(s *drink.Serving)
		want string
	}{
		{"vessel", func(s *drink.Serving) { s.Vessel = "bucket" }, `vessel "bucket" is not in the book`},
		{"ingredient", func(s *drink.Serving) { s.Parts = []drink.Part{{Ingredient: "sand", Amount: 1000, Unit: drink.Gram}} }, `ingredient "sand" is not in the book`},
		{"overfull", func(s *drink.Serving) {
			s.Parts = []drink.Part{{Ingredient: s.Parts[0].Ingredient, Amount: 900_000, Unit: drink.Gram}}
		}, "pour less, or use a larger vessel"},
	} {
		s := *base
		c.edit(&s)
		_, err := Draw(b, &s, Options{})
		if !errors.Is(err, ErrCannotDraw) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", c.name, err)
		}
	}
}
