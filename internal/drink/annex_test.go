package drink_test

import (
	"slices"
	"testing"

	"samecup.example/samecup/internal/drink"
)

// Regulation (EU) No 1169/2011, Annex II, has fourteen groups; read in copies of
// the text in two languages and lists in English. Each stands once, in its order.
func TestAllergensAreThoseOfAnnexII(t *testing.T) {
	annex := []string{
		"cereals containing gluten", "crustaceans", "eggs", "fish", "peanuts", "soybeans", "milk", "nuts",
		"celery", "mustard", "sesame seeds", "sulphur dioxide and sulphites", "lupin", "molluscs",
	}
	ours := map[string]string{
		"cereals containing gluten": "gluten", "eggs": "egg", "peanuts": "peanut", "soybeans": "soya",
		"sesame seeds": "sesame", "sulphur dioxide and sulphites": "sulphites",
	}
	var want []string
	for _, group := range annex {
		code, ok := ours[group]
		if !ok {
			code = group
		}
		want = append(want, code)
	}
	if !slices.Equal(drink.Allergens, want) {
		t.Errorf("codes are %v, want one a group of the annex: %v", drink.Allergens, want)
	}
}
