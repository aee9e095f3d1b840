package drink

import (
	"fmt"
	"slices"

	"samecup.example/samecup/internal/espresso"
)

// UsualCautions go with every book, whatever it says.
var UsualCautions = []string{
	"Steam and hot water scald at once: wand away from people, cloth in hand, purge before and after.",
	"Allergens: shared wands, jugs and counters carry traces; ask, and never promise that a drink is free of anything.",
	"Milk: keep it cold, do not hold it warm, do not steam it twice.",
	"Cleaning chemicals: never in or beside a drinking vessel; rinse through before the next drink.",
	"Caffeine: decaffeinated is not free of it; children, pregnant and sensitive people need less.",
	"The local food code and licensed professionals prevail over this book.",
}

// hotDrink is where a drink counts as very hot, °C. Source: IARC Monograph 116,
// 2016, very hot beverages above 65 °C (from news summaries).
const hotDrink Milli = 65_000

// singleDoseCaffeine is a single dose of caffeine, mg, that raises no concern
// for an adult. Source: EFSA 2015 (EFSA Journal 4102), abstract.
const singleDoseCaffeine = 200.0

// filterCaffeine is caffeine in filter coffee, mg/mL: 188 mg in 265 mL,
// derived from a content given from memory.
const filterCaffeine = 188.0 / 265.0

// hot points out what scalds.
func (c *checker) hot(s *Serving) {
	for i := range s.Checks {
		k := &s.Checks[i]
		m := MeasureByCode(k.Measure)
		if m == nil || m.Unit != Celsius || m.PerPull {
			continue
		}
		// A target says that the drink scalds; a high limit only that it may,
		// which a hard maximum answers for.
		hottest, mend := k.Target, "warn the guest, fit the lid, and let it cool before a child drinks it"
		if !k.HasHardHigh() {
			mend += `, or state "hard_high", above which it is not served`
			if k.High != NoHigh {
				hottest = max(hottest, k.High)
			}
		}
		if hottest > hotDrink {
			c.add(Caution, "checks."+k.ID, FormatQuantity(hottest, Celsius), "scalds: "+m.Label+" above "+FormatQuantity(hotDrink, Celsius), "", mend)
		}
		if k.High == NoHigh {
			c.add(Caution, "checks."+k.ID, "", "has no upper limit, so nothing stops a scalding "+m.Label, "", `add "high"`)
		}
	}
}

// caffeine points out servings beyond a single dose.
func (c *checker) caffeine(s *Serving) {
	low, mid, high := 0.0, 0.0, 0.0
	if s.Shots > 0 && c.b.House.Pull.SinglesPerPull > 0 {
		dose := s.target("dose") * float64(s.Shots) / float64(c.b.House.Pull.SinglesPerPull)
		if r, err := espresso.Caffeine(dose); err == nil {
			low, mid, high = r.Low, r.Mid, r.High
		}
	}
	for _, p := range s.Parts {
		if in, ok := c.b.IngredientByID(p.Ingredient); ok && in.Kind == "coffee" && p.Unit == Millilitre {
			mg := p.Amount.Float() * filterCaffeine
			low, mid, high = low+mg*0.75, mid+mg, high+mg*1.25
		}
	}
	if mid > singleDoseCaffeine {
		c.add(Caution, "shots", fmt.Sprint(s.Shots), fmt.Sprintf("gives some %.0f mg of caffeine (%.0f to %.0f)", mid, low, high),
			fmt.Sprintf("%.0f mg is the single dose of no concern for an adult", singleDoseCaffeine), "show it on the menu")
	}
}

// sharedEquipment is said once a book.
func (c *checker) sharedEquipment() {
	dairy, other := false, false
	for i := range c.b.Drinks {
		for j := range c.b.Drinks[i].Servings {
			a := c.b.Allergens(&c.b.Drinks[i].Servings[j])
			if slices.Contains(a.Contains, "milk") {
				dairy = true
			} else {
				other = true
			}
		}
	}
	if dairy && other {
		c.add(Caution, "", "", "shared equipment: drinks with and without milk as an ingredient are made at one counter", "",
			"keep a jug and a wand routine for each milk, and say so to guests who ask")
	}
}

// AllergenStatement is what a card may say about a serving: what its
// ingredients contain, may contain, and which of them nobody declared.
type AllergenStatement struct {
	// Contains and MayContain hold codes in the order of Allergens; a code in
	// Contains is not repeated in MayContain.
	Contains, MayContain []string
	// Unknown holds the names of ingredients without a declaration. While it
	// is not empty, the absence of a code says nothing.
	Unknown []string
}

// Allergens is the union over all of a serving's ingredients.
func (b *Book) Allergens(s *Serving) AllergenStatement {
	ids := s.ingredients()
	slices.Sort(ids)
	contains, may := map[string]bool{}, map[string]bool{}
	var out AllergenStatement
	for _, id := range slices.Compact(ids) {
		in, ok := b.IngredientByID(id)
		if !ok {
			out.Unknown = append(out.Unknown, id)
			continue
		}
		if !in.AllergensKnown {
			out.Unknown = append(out.Unknown, in.Name)
		}
		for _, a := range in.Contains {
			contains[a] = true
		}
		for _, a := range in.MayContain {
			may[a] = true
		}
	}
	for _, a := range Allergens {
		switch {
		case contains[a]:
			out.Contains = append(out.Contains, a)
		case may[a]:
			out.MayContain = append(out.MayContain, a)
		}
	}
	return out
}

// ingredients lists what goes into a serving as specified; some stand twice.
func (s *Serving) ingredients() []string {
	ids := make([]string, 0, 16)
	if s.Milk != "" {
		ids = append(ids, s.Milk)
	}
	for _, p := range s.Parts {
		ids = append(ids, p.Ingredient)
	}
	ids = append(ids, s.Garnish...)
	for i := range s.Steps {
		if s.Steps[i].Ingredient != "" {
			ids = append(ids, s.Steps[i].Ingredient)
		}
	}
	return ids
}

// used marks the ingredients that may get into a cup, replacements among them.
func (b *Book) used() map[string]bool {
	used := map[string]bool{}
	for i := range b.Drinks {
		for j := range b.Drinks[i].Servings {
			s := &b.Drinks[i].Servings[j]
			for _, id := range s.ingredients() {
				used[id] = true
			}
			for _, sub := range s.MayReplace {
				used[sub.To] = true
			}
		}
	}
	return used
}

// hardHigh checks a check's hard maximum by itself and against the house's.
func (c *checker) hardHigh(k *Check, m *Measure) {
	field := "checks." + k.ID + ".hard_high"
	if !k.HasHardHigh() {
		if k.Measure == "milk_temp" {
			c.fail(field, "", "is not set", "at most "+FormatQuantity(c.b.House.MilkMax, Celsius), "take the house's hard maximum for milk")
		}
		return
	}
	house := c.b.House.MilkMax
	switch {
	case k.Measure == "milk_temp" && k.HardHigh > house:
		c.fail(field, FormatQuantity(k.HardHigh, m.Unit), "is above the house's hard maximum for milk", "at most "+FormatQuantity(house, Celsius), "lower it, or leave it out to take the house's")
	case k.Measure == "milk_temp" && k.High > house:
		// Found as a high limit above the house's maximum.
	case k.High == NoHigh:
		c.fail(field, FormatQuantity(k.HardHigh, m.Unit), "stands without a high limit", "", `add "high", at most the hard maximum`)
	case k.HardHigh < k.High:
		c.fail(field, FormatQuantity(k.HardHigh, m.Unit), "lies below the high limit "+FormatQuantity(k.High, m.Unit), "at least the high limit", "lower the high limit, or raise hard_high")
	}
}
