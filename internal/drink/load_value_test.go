package drink_test

import (
	"fmt"
	"maps"
	"os"
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
)

// bookWith is the smallest broken book, mended, with one ingredient's values.
func bookWith(t testing.TB, value string) map[string][]byte {
	t.Helper()
	files, problems := drink.ReadFiles(os.DirFS(booksDir + "broken-books/price-without-a-currency"))
	if problems.HasErrors() {
		t.Fatal(problems.Err())
	}
	out := maps.Clone(files)
	out["ingredients.yaml"] = []byte(strings.Replace(string(files["ingredients.yaml"]), "price: 1.10 GBP/l", value, 1))
	out["house.yaml"] = append([]byte("currency: GBP\n"), files["house.yaml"]...)
	return out
}

func TestValuesAsWritten(t *testing.T) {
	for _, c := range []struct {
		value string
		want  drink.Ingredient
	}{
		{"price: 1.10 GBP/l", drink.Ingredient{Price: drink.Price{Amount: 1100, Per: drink.Millilitre}}},
		{"price: 9.505 GBP / kg", drink.Ingredient{Price: drink.Price{Amount: 9505, Per: drink.Gram}}},
		{"caffeine: 71 mg/100ml", drink.Ingredient{Caffeine: drink.Content{Amount: 71_000, Per: drink.Millilitre}}},
		// Only kcal on the label: 1 kcal is 4.184 kJ.
		{"energy: 64 kcal/100ml", drink.Ingredient{Energy: drink.Energy{Kcal: 64_000, KJ: 267_776, Per: drink.Millilitre}}},
		{"energy: 0 kcal/100 g", drink.Ingredient{Energy: drink.Energy{Per: drink.Gram}}},
		// Source: Regulation (EU) No 1169/2011, Annex XIV: 130.4 kcal, 545.2 kJ.
		{"energy: {protein: 6.8 g, carbohydrate: 9.6 g, fat: 7.2 g, per: 100 g}", drink.Ingredient{Energy: drink.Energy{Kcal: 130_400, KJ: 545_200, Per: drink.Gram}}},
	} {
		b, problems := drink.LoadAndCheckFiles(bookWith(t, c.value))
		if problems.HasErrors() {
			t.Errorf("%s: %v", c.value, problems.Err())
			continue
		}
		in, _ := b.IngredientByID("whole-milk")
		if in.Energy != c.want.Energy || in.Price != c.want.Price || in.Caffeine != c.want.Caffeine {
			t.Errorf("%s: %+v %+v %+v", c.value, in.Energy, in.Price, in.Caffeine)
		}
	}
}

func TestValuesThatAreNone(t *testing.T) {
	for _, c := range []struct{ value, want string }{
		{"price: 1.10 EUR/l", "write the price in GBP"},
		{"price: 1.10 GBP", "is not a price"},
		{"price: -1 GBP/l", "is out of range"},
		{"price: 1e300 GBP/l", "is not a price"},
		{"price: 1.1005 GBP/l", "is not a price"},
		{"price: [1]", "is not a price"},
		{"energy: 64 kcal", "is not kcal in 100 ml or 100 g"},
		{"energy: 268 kJ/100ml", "is not kcal"},
		{"energy: {fat: 3 g}", "is missing"},
		{"energy: {fat: -3 g, per: 100 g}", "is negative"},
		{"energy: {fat: 3 g, per: 1 l}", "is not an amount for nutrients"},
		{"energy: {grease: 3 g, per: 100 g}", "is not a field here"},
		{"energy: -5 kcal/100g", "is out of range"},
		{"caffeine: 71/100ml", "is not mg"},
		{"caffeine: 9000 mg/100ml", "is out of range"},
	} {
		if _, problems := drink.LoadAndCheckFiles(bookWith(t, c.value)); len(problems.At(drink.Error)) != 1 || !strings.Contains(problems.Err().Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.value, problems.At(drink.Error), c.want)
		}
	}
}

func FuzzIngredientValues(f *testing.F) {
	for _, s := range []string{"price: 1.10 GBP/l", "energy: 64 kcal/100ml", "energy: {fat: 3 g, per: 100 g}", "caffeine: 71 mg/100ml", "price: /", "energy: 1e300 kcal/100g"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, value string) {
		b, problems := drink.LoadAndCheckFiles(bookWith(t, value))
		if problems.HasErrors() {
			return
		}
		for _, s := range b.Servings() {
			if _, err := b.Facts(&s); err != nil {
				t.Errorf("checks clean, but %v", err)
			}
		}
	})
}

// Notes and cautions of a large book must not push its errors out of the
// report.
func TestNotesNeverCrowdOutAnError(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	last := b.Drinks[len(b.Drinks)-1]
	espresso, _ := b.ServingByID("espresso/double")
	many := drink.Drink{ID: "espresso", Name: "Espresso"}
	for range 6000 {
		many.Servings = append(many.Servings, *espresso)
	}
	for i := range many.Servings {
		many.Servings[i].Size = fmt.Sprintf("s%d", i)
		many.Servings[i].ID = "espresso/" + many.Servings[i].Size
	}
	last.Servings = append([]drink.Serving(nil), last.Servings...)
	last.Servings[0].Vessel = "nowhere"
	b.Drinks = []drink.Drink{many, last}
	for _, p := range drink.CheckBook(b) {
		if p.Value == "nowhere" {
			return
		}
	}
	t.Error("the unknown vessel was not reported")
}
