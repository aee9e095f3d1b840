package bar

import (
	"slices"
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/station/stationtest"
)

func TestAFindingIsSaidForWetHands(t *testing.T) {
	two := &drink.Serving{Checks: []drink.Check{{ID: "shot_time", Measure: "shot_time", Occurrences: 2}}}
	for _, c := range []struct {
		f    verdict.Finding
		s    *drink.Serving
		want string
		mend string
	}{
		{verdict.Finding{Kind: verdict.BelowTolerance, Criticality: drink.Quality, Measure: "shot_time", Check: "shot_time", Occurrence: 1, Actual: 22_000, By: 4_000}, nil,
			"4 s fast: grind finer", "shot_time.below"},
		{verdict.Finding{Kind: verdict.AboveTolerance, Criticality: drink.Quality, Measure: "shot_time", Check: "shot_time", Occurrence: 2, Actual: 35_500, By: 3_500}, two,
			"pull 2: 3.5 s slow: grind coarser", "shot_time.above"},
		{verdict.Finding{Kind: verdict.BelowTolerance, Criticality: drink.Quality, Measure: "dose", Check: "dose", Occurrence: 1, By: 300}, nil,
			"dose 0.3 g light: dose more", "dose.below"},
		{verdict.Finding{Kind: verdict.AboveTolerance, Criticality: drink.Safety, Measure: "milk_temp", Check: "milk_temp", Occurrence: 1, By: 4_000}, nil,
			"Do not serve: milk temperature 4 °C hot: steam fresh milk and stop sooner", "milk_temp.hard"},
		{verdict.Finding{Kind: verdict.AboveTolerance, Criticality: drink.Quality, Measure: "milk_temp", Check: "milk_temp", Occurrence: 1, By: 1_000}, nil,
			"milk temperature 1 °C hot: stop the steam sooner", "milk_temp.above"},
		{verdict.Finding{Kind: verdict.AboveTolerance, Criticality: drink.Quality, Measure: "syrup_pumps", Check: "syrup_pumps", Occurrence: 1, By: 1_000}, nil,
			"pumps 1 too many: count the pumps", "syrup_pumps.above"},
		{verdict.Finding{Kind: verdict.MissingReading, Criticality: drink.Quality, Measure: "yield", Check: "yield", Occurrence: 1}, nil,
			"yield not measured", ""},
		{verdict.Finding{Kind: verdict.StepMissing, Criticality: drink.Safety, Step: "wipe", Expected: "wipe"}, nil,
			`Do not serve: step "wipe" was left out`, ""},
		{verdict.Finding{Kind: verdict.WrongMilk, Criticality: drink.Safety, Expected: "oat", Got: "whole"}, nil,
			"Do not serve: milk whole: should be oat", ""},
	} {
		got := speak(c.f, c.s)
		if got.English != c.want || got.Mend != c.mend {
			t.Errorf("%q %q, want %q %q", got.English, got.Mend, c.want, c.mend)
		}
	}
}

// Every measure in the table has a sentence for both sides, with the amount.
func TestEveryMeasureHasItsWords(t *testing.T) {
	var said []string
	for _, m := range drink.Measures {
		for _, k := range []verdict.Kind{verdict.BelowTolerance, verdict.AboveTolerance} {
			s := speak(verdict.Finding{Kind: k, Criticality: drink.Quality, Measure: m.Code, Check: m.Code, Occurrence: 1, By: 2_000}, nil)
			if !strings.Contains(s.English, "2") || s.Unit != m.Unit || s.Amount != 2_000 {
				t.Errorf("%s: %q", m.Code, s.English)
			}
			// Without its remedy a sentence must still tell measure and side.
			head, _, _ := strings.Cut(s.English, ":")
			if slices.Contains(said, head) {
				t.Errorf("%s: %q says the same as another", m.Code, head)
			}
			said = append(said, head)
		}
	}
}

func TestTheNewsReadsLikeASentence(t *testing.T) {
	r := setUp(t)
	r.tick()
	b := stationtest.Book(t)
	for i := range b.Drinks {
		for k := range b.Drinks[i].Servings {
			s := &b.Drinks[i].Servings[k]
			for c := range s.Checks {
				if s.Drink == "latte" && s.Checks[c].Measure == "froth_depth" {
					s.Checks[c].Low, s.Checks[c].Target, s.Checks[c].High = 10_000, 12_000, 14_000
				}
			}
			if s.Drink == "affogato" {
				s.Cautions = append(s.Cautions, "Hold the saucer.")
			}
		}
	}
	b.House.MilkMax = 64_000
	gone := b.Drinks[len(b.Drinks)-1].Servings[0]
	b.Drinks = b.Drinks[:len(b.Drinks)-1]
	r.Give(2, b)
	r.tick()
	var got []string
	for _, c := range r.state().News.Changes {
		got = append(got, c.Words)
	}
	for _, want := range []string{
		"house: hard maximum of milk is now 64 °C, was 65 °C",
		"Latte: froth depth is now 12 mm (10 mm to 14 mm), was 10 mm (8 mm to 12 mm)",
		"Affogato, glass: new caution: Hold the saucer.",
		gone.DrinkName + ", " + gone.Size + ", Whole milk is no longer made",
	} {
		if !slices.Contains(got, want) {
			t.Errorf("%q is not among\n%s", want, strings.Join(got, "\n"))
		}
	}
}
