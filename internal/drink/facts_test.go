package drink_test

import (
	"math"
	"testing"

	"samecup.example/samecup/internal/drink"
)

func factsOf(t *testing.T, b *drink.Book, id string) drink.Facts {
	t.Helper()
	s, ok := b.ServingByID(id)
	if !ok {
		t.Fatalf("no serving %s", id)
	}
	f, err := b.Facts(s)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func TestFactsAgreeWithPublishedAndHandDerivedFigures(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	for _, c := range []struct {
		what, id  string
		got       func(f drink.Facts) float64
		want, tol float64
		source    string
	}{
		{"strength, %", "long-black/small", func(f drink.Facts) float64 { return f.StrengthPercent }, 2.5, 0.02, "9.5 x 36 / 136, derived"},
		{"strength, %", "americano/small", func(f drink.Facts) float64 { return f.StrengthPercent }, 1.74, 0.01, "9.5 x 36 / 196, derived"},
		{"strength, %", "americano/medium", func(f drink.Facts) float64 { return f.StrengthPercent }, 1.74, 0.01, "9.5 x 54 / 294, derived"},
		{"strength after melt, %", "iced-latte/large/whole-milk", func(f drink.Facts) float64 { return f.StrengthPercent }, 9.5 * 54 / 305.7, 0.02, "54 g from 70 to 4 °C melts 45 g, derived"},
		{"strength, %", "batch-filter/mug", func(f drink.Facts) float64 { return f.StrengthPercent }, 1.31, 0.001, "20 % of 23.2 g in 1768 g, derived"},
		{"unheated cup, °C", "americano/small", func(f drink.Facts) float64 { return f.HandoverC.Low }, 65, 0.5, "mixing rule, 250 g cup"},
		{"warm cup, °C", "americano/small", func(f drink.Facts) float64 { return f.HandoverC.High }, 76.5, 0.2, "mixing rule"},
		{"unheated cup, °C", "long-black/small", func(f drink.Facts) float64 { return f.HandoverC.Low }, 62, 0.5, "mixing rule, 200 g cup"},
		{"warm cup, °C", "long-black/small", func(f drink.Facts) float64 { return f.HandoverC.High }, 73.7, 0.2, "mixing rule"},
		{"warm cup, °C", "latte/medium/whole-milk", func(f drink.Facts) float64 { return f.HandoverC.High }, 62, 0.2, "54 g at 70 and 226 g at 60 °C"},
		{"mass, g", "latte/medium/whole-milk", func(f drink.Facts) float64 { return f.MassGrams }, 280.3, 0.5, "54 + 201 x 1.033 x 1.09, derived"},
		{"steam water, %", "latte/medium/whole-milk", func(f drink.Facts) float64 { return f.SteamWaterGrams / (201 * 1.033) * 100 }, 9.0, 0.1, "4 to 60 °C, dry steam"},
		{"caffeine, mg", "latte/large/whole-milk", func(f drink.Facts) float64 { return f.CaffeineMg.Mid }, 324, 0.5, "36 g x 1.2 % x 0.75"},
		{"caffeine, mg", "espresso/double", func(f drink.Facts) float64 { return f.CaffeineMg.High }, 243, 0.5, "18 g x 1.5 % x 0.9"},
		{"caffeine, mg", "batch-filter/mug", func(f drink.Facts) float64 { return f.CaffeineMg.Mid }, 188, 0.5, "17.4 g x 1.2 % x 0.9"},
		{"energy, kcal", "latte/medium/whole-milk", func(f drink.Facts) float64 { return f.EnergyKcal }, 131, 3, "201 ml of 64 kcal, 54 g of 5; from memory"},
		{"energy, kcal", "latte/medium/oat-drink", func(f drink.Facts) float64 { return f.EnergyKcal }, 124.2, 0.2, "206 ml of 59 kcal, 54 g of 5; from memory"},
		{"cost, thousandths", "latte/small/whole-milk", func(f drink.Facts) float64 { return float64(f.CostMilli) }, 473, 1, "18 g at 18/kg and 135 ml at 1.10/l"},
		{"froth depth, mm", "cappuccino/small", func(f drink.Facts) float64 { return f.FrothDepthMM }, 18, 1, "derived by hand beside the book"},
		{"headspace, ml", "batch-filter/mug", func(f drink.Facts) float64 { return f.HeadspaceML }, 35, 0.5, "300 less 265"},
	} {
		if got := c.got(factsOf(t, b, c.id)); math.Abs(got-c.want) > c.tol {
			t.Errorf("%s of %s = %.3f, want %v ± %v (%s)", c.what, c.id, got, c.want, c.tol, c.source)
		}
	}
}

// Source: Regulation (EU) No 1169/2011, Annex XIV; kilojoules by their own
// factors, since 130.4 kcal x 4.184 would be 545.6.
func TestEnergyByAnnexXIV(t *testing.T) {
	kcal, kj := drink.EnergyOf(map[string]float64{"protein": 6.8, "carbohydrate": 9.6, "fat": 7.2})
	if math.Abs(kcal-130.4) > 1e-9 || math.Abs(kj-545.2) > 1e-9 {
		t.Errorf("%v kcal, %v kJ", kcal, kj)
	}
}

func TestWhatIsNotKnownIsNotNought(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	for i := range b.Ingredients {
		if b.Ingredients[i].ID == "whole-milk" {
			b.Ingredients[i].Energy, b.Ingredients[i].Price, b.Ingredients[i].AllergensKnown = drink.Energy{}, drink.Price{}, false
		}
	}
	f := factsOf(t, b, "cappuccino/small")
	if f.EnergyKnown || f.CostKnown || len(f.Allergens.Unknown) != 1 || !f.HandoverKnown {
		t.Errorf("%+v", f)
	}
	if f := factsOf(t, b, "iced-latte/large/oat-drink"); f.HandoverKnown || !f.EnergyKnown || !f.SharedEquipment {
		t.Errorf("%+v", f)
	}
}
