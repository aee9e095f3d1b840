package drink

import "slices"

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

// hot points out what scalds.
//
// It is true when something does.
func (c *checker) hot(s *Serving) (scalds bool) {
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
			scalds = true
			c.add(Caution, "checks."+k.ID, FormatQuantity(hottest, Celsius), "scalds: "+m.Label+" above "+FormatQuantity(hotDrink, Celsius), "", mend)
		}
		if k.High == NoHigh {
			c.add(Caution, "checks."+k.ID, "", "has no upper limit, so nothing stops a scalding "+m.Label, "", `add "high"`)
		}
	}
	return scalds
}

// sharedEquipment is said once a book.
func (c *checker) sharedEquipment() {
	dairy, other := false, false
	for i := range c.b.Drinks {
		for j := range c.b.Drinks[i].Servings {
			if c.containsMilk(&c.b.Drinks[i].Servings[j]) {
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

// containsMilk is true when an ingredient of the serving declares milk.
func (c *checker) containsMilk(s *Serving) bool {
	has := func(id string) bool {
		in, ok := c.d.ingredients[id]
		return ok && slices.Contains(in.Contains, "milk")
	}
	return has(s.Milk) || slices.ContainsFunc(s.Garnish, has) ||
		slices.ContainsFunc(s.Parts, func(p Part) bool { return has(p.Ingredient) }) ||
		slices.ContainsFunc(s.Steps, func(st Step) bool { return has(st.Ingredient) })
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
	return allergensOf(s, b.IngredientByID)
}

func (d *Deriver) allergens(s *Serving) AllergenStatement {
	return allergensOf(s, func(id string) (*Ingredient, bool) {
		in, ok := d.ingredients[id]
		return in, ok
	})
}

func allergensOf(s *Serving, find func(id string) (*Ingredient, bool)) AllergenStatement {
	ids := s.ingredients()
	slices.Sort(ids)
	var contains, may [32]bool // there are fourteen
	mark := func(set *[32]bool, codes []string) {
		for _, a := range codes {
			if i := slices.Index(Allergens, a); i >= 0 {
				set[i] = true
			}
		}
	}
	var out AllergenStatement
	for _, id := range slices.Compact(ids) {
		in, ok := find(id)
		if !ok {
			out.Unknown = append(out.Unknown, id)
			continue
		}
		if !in.AllergensKnown {
			out.Unknown = append(out.Unknown, in.Name)
		}
		mark(&contains, in.Contains)
		mark(&may, in.MayContain)
	}
	for i, a := range Allergens {
		switch {
		case contains[i]:
			out.Contains = append(out.Contains, a)
		case may[i]:
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
