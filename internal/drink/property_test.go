package drink_test

import (
	"fmt"
	"math"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
)

// anyMilli is sensible in a tame book, and sometimes not in a wild one.
func anyMilli(t *rapid.T, wild bool, label string, least, most int64) drink.Milli {
	if wild && rapid.IntRange(0, 19).Draw(t, label+" wild") == 0 {
		return drink.Milli(rapid.Int64().Draw(t, label))
	}
	return drink.Milli(rapid.Int64Range(least, most).Draw(t, label))
}

// id is the ingredient of a kind in a random book.
func id(kind string) string { return "x-" + strings.ReplaceAll(kind, "_", "-") }

// randomBook draws a small book: a tame one that may well check clean, or a wild
// one whose numbers run to the absurd.
func randomBook(t *rapid.T) *drink.Book {
	wild := rapid.Bool().Draw(t, "wild")
	m := func(label string, least, most int64) drink.Milli { return anyMilli(t, wild, label, least, most) }
	odd := 0
	if wild {
		odd = 1
	}
	b := &drink.Book{Chain: "Harbour & Finch", House: drink.House{
		MilkMax: 65_000, HeadspaceMin: m("headspace", 0, 10_000), StrengthBand: 10_000, MilkHotFactor: m("hot factor", 1000, 1200),
		FrothGasShare: m("gas share", 400, 700), Currency: "GBP",
		Pull: drink.Pull{Basket: 20_000, StartEvent: "pump_on", SinglesPerPull: rapid.IntRange(1-odd, 3).Draw(t, "singles"),
			Price: drink.Price{Amount: m("coffee price", 0, 30_000), Per: drink.Gram}},
	}}
	for i := range 3 {
		base := rapid.Int64Range(30_000, 70_000).Draw(t, "base")
		v := drink.Vessel{ID: fmt.Sprintf("v%d", i), Name: "Cup", Material: rapid.SampledFrom([]string{"ceramic", "glass", "paper"}).Draw(t, "material"),
			Base: m("base", base, base), Top: m("top", base, base+40_000), Height: m("height", 40_000, 110_000), Mass: m("mass", 0, 500_000)}
		if p, err := v.Shape(); err == nil {
			v.Brim, _ = drink.FromFloat(p.Brim())
		}
		b.Vessels = append(b.Vessels, v)
	}
	for _, kind := range drink.IngredientKinds {
		b.Ingredients = append(b.Ingredients, drink.Ingredient{ID: id(kind), Name: kind, Kind: kind, AllergensKnown: !wild || rapid.Bool().Draw(t, "known"), Contains: []string{"milk"},
			Density: m("density", 0, 1400), PumpVolume: m("pump", 1000, 12_000),
			Energy:   drink.Energy{Kcal: m("kcal", 0, 400_000), KJ: m("kJ", 0, 1_600_000), Per: rapid.SampledFrom([]drink.Unit{"", drink.Gram, drink.Millilitre}).Draw(t, "per")},
			Price:    drink.Price{Amount: m("price", 0, 20_000), Per: rapid.SampledFrom([]drink.Unit{"", drink.Gram, drink.Millilitre}).Draw(t, "price per")},
			Caffeine: drink.Content{Amount: m("caffeine", 0, 90_000), Per: rapid.SampledFrom([]drink.Unit{"", drink.Millilitre}).Draw(t, "caffeine per")}})
	}
	check := func(id string, target drink.Milli) drink.Check {
		return drink.Check{ID: id, Measure: id, Target: target, Low: target - 2000, High: target + 2000, HardHigh: drink.NoHigh,
			Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 1000}
	}
	d := drink.Drink{ID: "drink", Name: "Drink"}
	for i := range rapid.IntRange(1, 3).Draw(t, "servings") {
		s := drink.Serving{ID: fmt.Sprintf("drink/s%d", i), Drink: "drink", DrinkName: "Drink", Size: fmt.Sprintf("s%d", i),
			Vessel: fmt.Sprintf("v%d", rapid.IntRange(0, 2+odd).Draw(t, "vessel")), Shots: rapid.IntRange(-odd, 3).Draw(t, "shots")}
		if s.Shots > 0 {
			s.Checks = append(s.Checks, check("dose", m("dose", 14_000, 20_000)), check("yield", m("yield", 25_000, 45_000)))
			s.Steps = append(s.Steps, drink.Step{ID: "dose", Act: "dose", Criticality: drink.Quality}, drink.Step{ID: "pull", Act: "pull", After: []string{"dose"}, Criticality: drink.Quality})
		}
		steams := false
		for j := range rapid.IntRange(0, 3).Draw(t, "parts") {
			in := rapid.SampledFrom(drink.IngredientKinds).Draw(t, "kind")
			s.Parts = append(s.Parts, drink.Part{Ingredient: id(in), Amount: m("amount", 1000, 90_000),
				Unit: rapid.SampledFrom([]drink.Unit{drink.Millilitre, drink.Millilitre, drink.Gram, drink.Count}[:3+odd]).Draw(t, "unit")})
			act := "add"
			if in == "milk" || in == "plant_milk" {
				s.Milk, act = id(in), rapid.SampledFrom([]string{"steam", "add_milk"}).Draw(t, "act")
				steams = act == "steam"
				if steams || wild {
					s.Air = m("air", 0, 500)
				}
			}
			s.Steps = append(s.Steps, drink.Step{ID: fmt.Sprintf("s%d", j), Act: act, Ingredient: id(in), Criticality: drink.Quality})
		}
		s.Steps = append(s.Steps, drink.Step{ID: "pour", Act: "pour", Criticality: drink.Quality})
		if steams || wild {
			k := check("milk_temp", m("milk temp", 40_000, 63_000))
			k.HardHigh = 65_000
			s.Checks = append(s.Checks, k)
		}
		if rapid.Bool().Draw(t, "water temp") {
			s.Checks = append(s.Checks, check("water_temp", m("water temp", 60_000, 95_000)))
		}
		d.Servings = append(d.Servings, s)
	}
	b.Drinks = []drink.Drink{d}
	return b
}

// finite fails on any NaN or infinity in a struct of floats.
func finite(t *rapid.T, v reflect.Value, at string) {
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			finite(t, v.Field(i), at+"."+v.Type().Field(i).Name)
		}
	case reflect.Float64:
		if f := v.Float(); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Fatalf("%s = %v", at, f)
		}
	}
}

// A thousand random books, ten times the library's usual hundred, each with up
// to three servings: parts sum to the fill, the fill of what checks
// clean stays below the brim, nothing is NaN or infinite, nothing panics.
func TestThousandRandomBooks(t *testing.T) {
	checked, clean := 0, 0
	property := func(t *rapid.T) {
		checked++
		b := randomBook(t)
		problems := drink.CheckBook(b)
		ok := !problems.HasErrors()
		if ok {
			clean++
		}
		for _, s := range b.Servings() {
			if v, err := b.Volumes(&s); err == nil {
				if sum := v.Espresso + v.Milk + v.Air + v.Other; math.Abs(sum-v.Filled) > 1e-9*math.Max(1, math.Abs(sum)) {
					t.Fatalf("%s: parts sum to %v, fill is %v", s.ID, sum, v.Filled)
				}
			}
			f, err := b.Facts(&s)
			finite(t, reflect.ValueOf(f), s.ID)
			if !ok {
				continue
			}
			if err != nil {
				t.Fatalf("%s checks clean, but %v", s.ID, err)
			}
			if f.FillML > f.BrimML*(1+1e-9) {
				t.Fatalf("%s checks clean, but %v ml stand in a vessel of %v", s.ID, f.FillML, f.BrimML)
			}
			if f.FrothDepthMM < 0 || f.RimGapMM < 0 || f.MassGrams < 0 || f.StrengthPercent < 0 || f.StrengthPercent > 30 || f.CostMilli < 0 ||
				f.HandoverC.Low > f.HandoverC.Mid || f.HandoverC.Mid > f.HandoverC.High {
				t.Fatalf("%s: %+v", s.ID, f)
			}
			_ = drink.Card(b, &s)
		}
	}
	for range 10 {
		rapid.Check(t, property)
	}
	t.Logf("%d books, %d clean", checked, clean)
	least := 1000
	if testing.Short() { // rapid draws a fifth then
		least /= 5
	}
	if checked < least || clean < least/20 {
		t.Errorf("only %d books, %d of them clean", checked, clean)
	}
}
