package drink

import (
	"fmt"
	"slices"
	"strings"
)

// mostLength bounds a vessel's dimensions, mm: a metre is no cup.
const mostLength Milli = 1_000_000

// Limits of labelled figures: pure fat has 900 kcal in 100 g (Regulation (EU)
// No 1169/2011, Annex XIV), and caffeine powder is no ingredient of a drink.
const (
	mostKcal     Milli = 900_000
	mostKJ       Milli = 3_800_000
	mostCaffeine Milli = 5_000_000 // mg in 100 mL or 100 g
	mostPrice    Milli = 10_000_000
)

// values checks energy, price and caffeine of an ingredient, and what its name
// says about allergens.
func (c *checker) values(field string, in *Ingredient) {
	per := func(u Unit) bool { return u == "" || u == Millilitre || u == Gram }
	if e := in.Energy; !per(e.Per) || e.Kcal < 0 || e.Kcal > mostKcal || e.KJ < 0 || e.KJ > mostKJ {
		c.fail(field+".energy", e.Kcal.String()+" kcal", "is out of range", "0 to 900 kcal in 100 ml or 100 g", "copy it from the label")
	}
	if p := in.Price; !per(p.Per) || p.Amount < 0 || p.Amount > mostPrice {
		c.fail(field+".price", p.Amount.String(), "is out of range", "0 to 10,000 a litre or kilogram", "correct it")
	} else if p.Per != "" && c.b.House.Currency == "" {
		c.fail(field+".price", p.Amount.String(), "is a price, but the house states no currency", "", `add "currency: GBP" to `+houseFile)
	}
	if n := in.Caffeine; !per(n.Per) || n.Amount < 0 || n.Amount > mostCaffeine {
		c.fail(field+".caffeine", n.Amount.String()+" mg", "is out of range", "0 to 5,000 mg in 100 ml or 100 g", "correct it")
	}
	for _, a := range in.Contains {
		if slices.Contains(in.MayContain, a) {
			c.add(Caution, field+".may_contain", a, "stands under contains as well", "", "remove it here; contains is the stronger word")
		}
	}
	c.allergenHints(field, in)
}

// hints are words in a name that point to an allergen; common practice, no
// source. "soy" also finds soya.
var hints = []struct{ word, allergen string }{
	{"oat", "gluten"}, {"barley", "gluten"}, {"wheat", "gluten"}, {"soy", "soya"}, {"almond", "nuts"}, {"hazelnut", "nuts"},
	{"cashew", "nuts"}, {"pistachio", "nuts"}, {"walnut", "nuts"}, {"macadamia", "nuts"}, {"peanut", "peanut"}, {"sesame", "sesame"},
	{"egg", "egg"}, {"lupin", "lupin"}, {"whipped cream", "milk"},
}

// allergenHints holds an ingredient's name against its declaration.
func (c *checker) allergenHints(field string, in *Ingredient) {
	if !in.AllergensKnown {
		return
	}
	name := strings.ToLower(in.Name)
	for _, h := range hints {
		at := strings.Index(name, h.word)
		if at < 0 || at > 0 && name[at-1] >= 'a' && name[at-1] <= 'z' { // "goat" is no oat
			continue
		}
		if !slices.Contains(in.Contains, h.allergen) && !slices.Contains(in.MayContain, h.allergen) {
			c.add(Caution, field+".contains", in.Name, fmt.Sprintf("does not declare %s, which its name suggests", h.allergen), "",
				fmt.Sprintf("add %q, or see the supplier's statement that it holds none", h.allergen))
		}
	}
}

// missingValues says once what keeps energy and cost of drinks unknown, in a
// book that states some.
func (c *checker) missingValues() {
	var noEnergy, noPrice []string
	anyEnergy := false
	used := c.b.used()
	for i := range c.b.Ingredients {
		in := &c.b.Ingredients[i]
		free := in.Kind == "water" || in.Kind == "ice"
		anyEnergy = anyEnergy || in.Energy.Per != ""
		if used[in.ID] && !free && in.Kind != "tea" && in.Energy.Per == "" {
			noEnergy = append(noEnergy, in.ID)
		}
		if used[in.ID] && !free && in.Price.Per == "" {
			noPrice = append(noPrice, in.ID)
		}
	}
	c.file, c.place = ingredientsFile, ""
	if anyEnergy && len(noEnergy) > 0 {
		c.add(Note, "", strings.Join(noEnergy, ", "), "states no energy, so drinks with it have none to show", "", `add "energy: 64 kcal/100ml" from the label`)
	}
	if c.b.House.Currency != "" && len(noPrice) > 0 {
		c.add(Note, "", strings.Join(noPrice, ", "), "states no price, so drinks with it have no cost to show", "", `add "price: 1.10 `+c.b.House.Currency+`/l" from the invoice`)
	}
}
