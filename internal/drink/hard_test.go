package drink_test

import (
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
)

// The upper end of a temperature is a safety matter, its tolerance one of
// quality: common practice, no source.
func TestHardMaximum(t *testing.T) {
	const within = "milk_temp: {target: 60 °C, within: 3 °C"
	for _, c := range []struct {
		name, file, from, to string
		want                 string // in an error or caution; empty for none about hard_high
	}{
		{"the house's", "latte", "", "", ""},
		{"a stricter one", "latte", within, within + ", hard_high: 63 °C", ""},
		{"below the high limit", "latte", within, within + ", hard_high: 62.9 °C", `hard_high: "62.9 °C" lies below the high limit 63 °C`},
		{"above the house's", "latte", within, within + ", hard_high: 65.1 °C", `hard_high: "65.1 °C" is above the house's hard maximum for milk`},
		{"impossible", "batch-filter", "hard_high: 71 °C", "hard_high: 300 °C", "is not possible"},
		{"nought", "batch-filter", "hard_high: 71 °C", "hard_high: 0 °C", "is nought"},
		{"in grams", "batch-filter", "hard_high: 71 °C", "hard_high: 71 g", "hard_high"},
		{"without a high limit", "batch-filter", "high: 71 °C, ", "", "stands without a high limit"},
		{"none, and it may scald", "batch-filter", "target: 68 °C, low: 60 °C, high: 71 °C, hard_high: 71 °C", "target: 64 °C, low: 60 °C, high: 66 °C", `or state "hard_high"`},
		{"one, and the target does not scald", "batch-filter", "target: 68 °C, low: 60 °C, high: 71 °C", "target: 64 °C, low: 60 °C, high: 66 °C", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			files := sources(t, "harbour-finch")
			name := "drinks/" + c.file + ".yaml"
			text := strings.Replace(string(files[name]), c.from, c.to, 1)
			if c.from != "" && text == string(files[name]) {
				t.Fatalf("%s has no %q", name, c.from)
			}
			files[name] = []byte(text)
			b, problems := drink.LoadFiles(files)
			problems = append(problems, drink.CheckBook(b)...)
			var about []string
			for _, p := range problems {
				if p.File == name && (p.Level == drink.Error || strings.Contains(p.Field, "_temp") && strings.Contains(p.Fault, "scalds")) {
					about = append(about, p.String())
				}
			}
			got := strings.Join(about, "\n")
			if c.want == "" && got != "" || !strings.Contains(got, c.want) {
				t.Errorf("got %q, want %q", got, c.want)
			}
		})
	}
}

func TestEveryMilkTemperatureHasTheHousesHardMaximum(t *testing.T) {
	for _, name := range []string{"harbour-finch", "harbour-finch-counter"} {
		b := loadBook(t, name)
		for _, s := range b.Servings() {
			for _, k := range s.Checks {
				if k.Measure == "milk_temp" && (k.HardHigh != b.House.MilkMax || k.Criticality != drink.Quality) {
					t.Errorf("%s: %+v", s.ID, k)
				}
			}
		}
		s, ok := b.ServingByID("latte/medium/oat-drink")
		if !ok {
			continue
		}
		for i := range s.Checks {
			if s.Checks[i].Measure == "milk_temp" {
				s.Checks[i].HardHigh = drink.NoHigh
			}
		}
		if !drink.CheckBook(b).HasErrors() {
			t.Error("a book whose milk has no hard maximum passes")
		}
	}
}

func TestUnknownAllergensOfWhatNobodyUsesAreACaution(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	b.Ingredients = append(b.Ingredients, drink.Ingredient{ID: "new-syrup", Name: "New syrup", Kind: "syrup"})
	if p := drink.CheckBook(b); p.HasErrors() {
		t.Error(p.Err())
	}
	b.Drinks[0].Servings[0].MayReplace = append(b.Drinks[0].Servings[0].MayReplace, drink.Substitution{From: "hot-water", To: "new-syrup"})
	if p := drink.CheckBook(b).At(drink.Error); len(p) != 1 || !strings.Contains(p[0].Fault, "a serving uses it") {
		t.Errorf("got %v", p)
	}
}
