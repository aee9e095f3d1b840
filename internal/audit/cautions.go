package audit

import (
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// cautions stand at the top of every form; the house's own follow. Scald: deep
// burns of adult skin come in about 5 s at 60 °C and 1 s at 70 °C (Moritz and
// Henriques 1947, from memory).
func cautions(b *drink.Book) []string {
	out := []string{
		"Scald: milk and water at the bar burn skin within seconds, the wand and its purge at once. Keep hands clear, let the barista steam, and let a cup cool before you taste.",
		"Allergens: do not taste what you cannot have. Wand, jugs and cloths are shared, so no drink here is free of milk.",
		"Clean and dry the probe before each drink, and again after plant milk and milk.",
		"Caffeine: take a small sip and spit; ten tasted shots are more than a day's 400 mg if swallowed.",
		"A drink that is unsafe is not served: say so at once, then write it down.",
		"The local food code and licensed professionals prevail.",
	}
	return append(out, b.House.Cautions...)
}

// allergens is the union over everything that may be tasted, so that the line
// does not tell which cup is which.
func (d *draw) allergens(p *Plan) string {
	contains, may, unknown := map[string]bool{}, map[string]bool{}, map[string]bool{}
	add := func(into map[string]bool, codes []string) {
		for _, c := range codes {
			into[c] = true
		}
	}
	for i := range p.Picks {
		s, ok := d.book.ServingByID(p.Picks[i].Serving)
		if !ok {
			continue
		}
		a := d.book.Allergens(s)
		add(contains, a.Contains)
		add(may, a.MayContain)
		add(unknown, a.Unknown)
	}
	list := func(set map[string]bool, without map[string]bool) string {
		var out []string
		for c := range set {
			if !without[c] {
				out = append(out, c)
			}
		}
		slices.Sort(out)
		return strings.Join(out, ", ")
	}
	text := "Among these drinks are some with: " + orNone(list(contains, nil)) + "; that may contain: " + orNone(list(may, contains)) + "."
	if len(unknown) > 0 {
		text += " Not declared, so take them to contain any: " + list(unknown, nil) + "."
	}
	return text
}

func orNone(s string) string {
	if s == "" {
		return "none declared"
	}
	return s
}
