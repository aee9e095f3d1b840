package drink_test

import (
	"slices"
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
)

func TestCards(t *testing.T) {
	for _, c := range []struct{ book, serving, file string }{
		{"harbour-finch", "latte/medium/oat-drink", "latte-medium-oat"},
		{"harbour-finch", "iced-latte/large/whole-milk", "iced-latte"},
		{"harbour-finch-counter", "cappuccino/cup", "cappuccino-cup"},
		{"harbour-finch-counter", "dirty-chai/glass", "dirty-chai-glass"},
		{"harbour-finch-counter", "hot-chocolate/mug", "hot-chocolate-mug"},
		{"harbour-finch-counter", "espresso/single", "espresso-single"},
	} {
		t.Run(c.file, func(t *testing.T) {
			b := loadBook(t, c.book)
			s, ok := b.ServingByID(c.serving)
			if !ok {
				t.Fatalf("no serving %s", c.serving)
			}
			golden(t, booksDir+"cards/"+c.file+".txt", drink.Card(b, s))
		})
	}
}

func TestEveryCardShowsEachCheckOnceAndPromisesNothing(t *testing.T) {
	for _, book := range []string{"harbour-finch", "harbour-finch-counter"} {
		b := loadBook(t, book)
		for _, s := range b.Servings() {
			card := drink.Card(b, &s)
			if n := strings.Count(card, "       - "); n != len(s.Checks) {
				t.Errorf("%s shows %d of %d checks", s.ID, n, len(s.Checks))
			}
			lower := strings.ToLower(card)
			for _, promise := range []string{"safe for", "free from", "-free"} {
				if strings.Contains(lower, promise) {
					t.Errorf("%s promises %q", s.ID, promise)
				}
			}
			containsMilk := slices.Contains(b.Allergens(&s).Contains, "milk")
			if milkless := "made without milk as an ingredient; shared equipment"; strings.Contains(card, milkless) == containsMilk {
				t.Errorf("%s: milk wording is wrong:\n%s", s.ID, card)
			}
		}
	}
}

func TestUnknownAllergensAreNeverNone(t *testing.T) {
	b := loadBook(t, "harbour-finch")
	for i := range b.Ingredients {
		if b.Ingredients[i].ID == "hot-water" {
			b.Ingredients[i].AllergensKnown = false
		}
	}
	s, _ := b.ServingByID("long-black/small")
	card := drink.Card(b, s)
	for _, want := range []string{"Contains    unknown", "May contain unknown", "no declaration for Hot water"} {
		if !strings.Contains(card, want) {
			t.Errorf("card lacks %q:\n%s", want, card)
		}
	}
	if strings.Contains(card, "none declared") || strings.Contains(card, "made without milk") {
		t.Errorf("card takes unknown for none:\n%s", card)
	}
	if !strings.Contains(drink.CheckBook(b).At(drink.Error)[0].Fault, "unknown, never none") {
		t.Error("no error about unknown allergens")
	}
}
