package drink_test

import (
	"math"
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
)

// Sums of the invented Harbour & Finch drinks, derived by hand beside the book:
// espresso + sauce + water + hot milk + air, and the froth layer, mL.
func TestVolumesAddUpAsDerivedByHand(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	for _, c := range []struct {
		id         string
		sum, froth float64
	}{
		{"macchiato/double", 60, 13}, {"cortado/small", 116, 13}, {"flat-white/small/whole-milk", 158, 24}, {"flat-white/small/oat-drink", 158, 20},
		{"latte/small/whole-milk", 213, 49}, {"latte/medium/whole-milk", 317, 73}, {"latte/large/whole-milk", 409, 93},
		{"latte/medium/oat-drink", 317, 62}, {"latte/medium/soy-drink", 317, 62}, {"latte/medium-takeaway/whole-milk", 299, 67},
		{"cappuccino/small", 220, 104}, {"cappuccino/medium", 324, 153}, {"cappuccino/small-takeaway", 203, 95},
		{"mocha/medium", 317, 71}, {"hot-chocolate/medium", 317, 93}, {"chai-latte/medium", 317, 71}, {"dirty-chai/medium", 316, 69},
		{"long-black/small", 136, 0}, {"americano/small", 196, 0}, {"americano/medium", 294, 0}, {"affogato/small", 118, 0},
		{"iced-latte/large/whole-milk", 418, 0}, {"batch-filter/mug", 265, 0},
	} {
		s, ok := b.ServingByID(c.id)
		if !ok {
			t.Errorf("no serving %s", c.id)
			continue
		}
		v, err := b.Volumes(s)
		if err != nil || math.Abs(v.Filled-c.sum) > 1.2 || math.Abs(v.Froth-c.froth) > 1.2 {
			t.Errorf("%s = %.1f with froth %.1f, %v; want %v with %v", c.id, v.Filled, v.Froth, err, c.sum, c.froth)
		}
	}
}

func cautions(b *drink.Book) string {
	var out []string
	for _, p := range drink.CheckBook(b) {
		out = append(out, p.Level.String()+": "+p.String())
	}
	return strings.Join(out, "\n")
}

func TestAWeakSizeIsNamedWithTheShotsThatMendIt(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	s, _ := b.ServingByID("latte/large/whole-milk")
	s.Shots = 3
	if got := cautions(b); !strings.Contains(got, `servings[latte/large/whole-milk].shots: "3"`) || !strings.Contains(got, "4 shots would mend it") {
		t.Error(got)
	}
}

func TestCaffeineBeyondASingleDoseIsPointedOut(t *testing.T) {
	// Derived: 36 g of arabica give about 324 mg; 200 mg is EFSA's single dose.
	if got := cautions(loadBook(t, "harbour-finch")); !strings.Contains(got, "some 324 mg of caffeine") {
		t.Error(got)
	}
}

func TestAScoopTooLargeOverflows(t *testing.T) {
	// Derived: a 60 g scoop is 109 mL, with 36 mL of coffee 145 in a 130 mL glass.
	b := loadBook(t, "harbour-finch")
	s, _ := b.ServingByID("affogato/small")
	s.Parts[0].Amount, s.Checks = 60_000, s.Checks[:4]
	if got := cautions(b); !strings.Contains(got, "overfills the vessel") {
		t.Error(got)
	}
}

func TestFrothThatDoesNotReachAboveTheRim(t *testing.T) {
	b := loadBook(t, "harbour-finch-counter")
	s, _ := b.ServingByID("cappuccino/cup")
	s.Parts[0].Amount = 100_000
	if got := cautions(b); !strings.Contains(got, "above_rim: \"5 mm\" is not reached") {
		t.Error(got)
	}
	s.Parts[0].Amount = 160_000
	if got := cautions(b); !strings.Contains(got, "overfills the vessel and the froth above its rim") {
		t.Error(got)
	}
}

func TestBooksFromElsewhereAreNotTrusted(t *testing.T) {
	for name, harm := range map[string]func(*drink.Book){
		"zero book":   func(b *drink.Book) { *b = drink.Book{} },
		"no singles":  func(b *drink.Book) { b.House.Pull.SinglesPerPull = 0 },
		"huge amount": func(b *drink.Book) { b.Drinks[9].Servings[0].Parts[0].Amount = math.MaxInt64 },
		"negative":    func(b *drink.Book) { b.Drinks[9].Servings[0].Parts[0].Amount = math.MinInt64 },
		"flat vessel": func(b *drink.Book) { b.Vessels[0].Height = 0 },
		"bad act":     func(b *drink.Book) { b.Drinks[9].Servings[0].Steps[0].Act = "juggle" },
		"bad measure": func(b *drink.Book) { b.Drinks[9].Servings[0].Checks[0].Measure = "charm" },
		"no limits": func(b *drink.Book) {
			k := &b.Drinks[9].Servings[0].Checks[0]
			k.Low, k.High = drink.NoLow, drink.NoHigh
		},
		"limits swapped": func(b *drink.Book) {
			k := &b.Drinks[9].Servings[0].Checks[0]
			k.Low, k.High = drink.NoHigh, drink.NoLow
		},
		"shots":        func(b *drink.Book) { b.Drinks[9].Servings[0].Shots = math.MinInt },
		"air":          func(b *drink.Book) { b.Drinks[9].Servings[0].Air = math.MaxInt64 },
		"above rim":    func(b *drink.Book) { b.Drinks[9].Servings[0].AboveRim = math.MaxInt64 },
		"occurrences":  func(b *drink.Book) { b.Drinks[9].Servings[0].Checks[0].Occurrences = math.MaxInt },
		"allergen":     func(b *drink.Book) { b.Ingredients[0].Contains = []string{"moonlight"} },
		"empty drink":  func(b *drink.Book) { b.Drinks[9].Servings = nil },
		"copied drink": func(b *drink.Book) { b.Drinks = append(b.Drinks, b.Drinks[9]) },
	} {
		t.Run(name, func(t *testing.T) {
			b := loadBook(t, "harbour-finch")
			harm(b)
			if problems := drink.CheckBook(b); name != "zero book" && !problems.HasErrors() {
				t.Errorf("nothing found: %v", problems)
			}
			for _, s := range b.Servings() {
				_ = drink.Card(b, &s)
			}
		})
	}
}

func TestWhatOverflowsIsMendedInWords(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	s, _ := b.ServingByID("latte/medium-takeaway/whole-milk")
	s.Parts[0].Amount = 242_000 // 242 x 1.11 x 1.18 + 54 = 371
	got := cautions(b)
	for _, want := range []string{"p350 holds 350 ml to the brim; this build comes to 371 ml", "take 20 ml of milk off, or use p450"} {
		if !strings.Contains(got, want) {
			t.Errorf("lacks %q:\n%s", want, got)
		}
	}
}

func TestExtractionOfTheHousePull(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	// Derived: 9.5 % x 36 / 18 is 19.0 %, ± 2 % of that for one cup.
	b.House.Pull.Checks = append(b.House.Pull.Checks, drink.Check{ID: "tds", Measure: "tds", Target: 9_500, Low: 9_000, High: 10_000, HardHigh: drink.NoHigh,
		Criticality: drink.Quality, Need: drink.Optional, Occurrences: 1, Resolution: 100})
	if got := cautions(b); !strings.Contains(got, "ratio of 1 to 2.00 at 1.29 g/s, an extraction of 19.0 ± 0.4 %") {
		t.Error(got)
	}
}
