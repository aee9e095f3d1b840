package drink

import (
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/cup"
)

// checker walks a book and collects what it finds. It trusts nothing: a book
// may also come over the wire.
type checker struct {
	b        *Book
	d        *Deriver
	problems Problems
	file     string
	// place is the path of the serving under check, unknown the ingredients
	// already named there: one slip gets one error.
	place   string
	unknown map[string]bool
	// errors and others count what was reported.
	errors, others int
	// badPull holds the house's checks that have an error; it is not repeated in
	// every serving that takes them over.
	badPull map[string]bool
	// strengths are the facts of the drink's servings, zero where not known.
	strengths []Facts
}

// maxCheckProblems bounds the report on one book: so many errors and so many
// others, that notes never crowd out an error.
const maxCheckProblems = 5000

func (c *checker) add(level Level, field, value, fault, allowed, mend string) {
	if c.place != "" {
		field = strings.TrimSuffix(c.place+"."+field, ".")
	}
	count := &c.others
	if level == Error {
		count = &c.errors
	}
	if *count++; *count <= maxCheckProblems {
		c.problems = append(c.problems, Problem{Level: level, File: c.file, Field: field, Value: clip(value), Fault: fault, Allowed: allowed, Mend: mend})
	}
}

func (c *checker) fail(field, value, fault, allowed, mend string) {
	c.add(Error, field, value, fault, allowed, mend)
}

// CheckBook proves of each serving what a person would otherwise find out at
// the counter: the vocabulary is known, tolerances hold their targets, the
// steps have an order, the volumes fit, the froth is reachable, strength holds
// across sizes, hot and allergenic things are pointed out.
func CheckBook(b *Book) Problems {
	c := &checker{b: b, d: NewDeriver(b)}
	c.house()
	c.vessels()
	c.ingredients()
	drinkIDs, servingIDs := map[string]bool{}, map[string]bool{}
	for i := range b.Drinks {
		d := &b.Drinks[i]
		c.file, c.place = drinkFile(d.ID), ""
		if !isSlug(d.ID, false) {
			c.fail("id", d.ID, "is not an id", "a-z, 0-9 and -", `write it like "flat-white"`)
		}
		if drinkIDs[d.ID] {
			c.fail("id", d.ID, "stands twice", "", "give one of the two drinks another id")
		}
		drinkIDs[d.ID] = true
		c.strengths = make([]Facts, len(d.Servings))
		if len(d.Servings) == 0 {
			c.fail("servings", "", "is empty", "", "add a serving or remove the drink")
		}
		for j := range d.Servings {
			s := &d.Servings[j]
			c.place, c.unknown = "servings["+s.ID+"]", nil
			if servingIDs[s.ID] {
				c.fail("", s.ID, "stands twice", "", "give one of the two servings another size or milk")
			}
			servingIDs[s.ID] = true
			c.strengths[j] = c.serving(d, s)
		}
		c.place = ""
		c.strengthAcrossSizes(d)
	}
	c.file, c.place = "", ""
	c.sharedEquipment()
	c.missingValues()
	return c.problems
}

func (c *checker) house() {
	c.file, c.place = houseFile, ""
	h := &c.b.House
	between := func(field string, v, least, most Milli, unit Unit) {
		if v < least || v > most {
			c.fail(field, FormatQuantity(v, unit), "is out of range", FormatQuantity(least, unit)+" to "+FormatQuantity(most, unit), "correct it")
		}
	}
	between("milk_max", h.MilkMax, 40_000, 80_000, Celsius)
	between("headspace_min", h.HeadspaceMin, 0, 500_000, Millilitre)
	between("strength_band", h.StrengthBand, 0, 100_000, Percent)
	between("milk_hot_factor", h.MilkHotFactor, 1000, 1500, Count)
	between("froth_gas_share", h.FrothGasShare, 100, 950, Count)
	between("pull.basket", h.Pull.Basket, 1_000, 40_000, Gram)
	if h.Pull.SinglesPerPull < 1 || h.Pull.SinglesPerPull > 4 {
		c.fail("pull.singles", fmt.Sprint(h.Pull.SinglesPerPull), "is out of range", "1 to 4", "a double basket gives 2, one a spout")
	}
	if h.Pull.StartEvent != "pump_on" && h.Pull.StartEvent != "first_drop" {
		c.fail("pull.start_event", h.Pull.StartEvent, "is unknown", "pump_on, first_drop", "say when the shot timer starts")
	}
	c.place = "pull"
	c.badPull = map[string]bool{}
	for i := range h.Pull.Checks {
		before := c.errors
		c.tolerance(&h.Pull.Checks[i])
		if c.errors > before {
			c.badPull[h.Pull.Checks[i].ID] = true
		}
	}
	c.place = ""
	if len(c.badPull) == 0 {
		c.pullRules()
	}
}

func (c *checker) vessels() {
	c.file, c.place = vesselsFile, ""
	seen := map[string]bool{}
	for i := range c.b.Vessels {
		v := &c.b.Vessels[i]
		field := "vessels[" + v.ID + "]"
		if !isSlug(v.ID, false) {
			c.fail(field, v.ID, "is not an id", "a-z, 0-9 and -", `write it like "c240"`)
		}
		if seen[v.ID] {
			c.fail(field, v.ID, "stands twice", "", "give one of the two vessels another id")
		}
		seen[v.ID] = true
		if v.Mass < 0 || v.Mass > mostPart {
			c.fail(field+".mass", FormatQuantity(v.Mass, Gram), "is out of range", "0 to "+FormatQuantity(mostPart, Gram), "weigh the empty vessel, or leave it out")
		}
		if !c.dimensions(field, v) {
			c.d.vessels[v.ID].err = cup.ErrShape // nothing can be computed in it
			continue
		}
		p, err := v.Shape()
		if err != nil {
			c.fail(field, "", err.Error(), "", "measure the inside again")
			continue
		}
		// Goods-in tolerance on the brim is 3 % (common practice, no source).
		if brim := v.Brim.Float(); !(brim > 0) || p.Brim() < brim*0.97 || p.Brim() > brim*1.03 {
			c.fail(field+".brim", FormatQuantity(v.Brim, Millilitre), "does not agree with the vessel's shape",
				fmt.Sprintf("within 3 %% of the %.0f ml that its shape holds", p.Brim()), "weigh a fill of water to the lip and measure the inside again")
		}
		c.rimOfFills(field, v, p)
	}
}

func (c *checker) ingredients() {
	c.file, c.place = ingredientsFile, ""
	seen, used := map[string]bool{}, c.b.used()
	for i := range c.b.Ingredients {
		v := &c.b.Ingredients[i]
		field := "ingredients[" + v.ID + "]"
		if !isSlug(v.ID, false) || v.ID == milkWord {
			c.fail(field, v.ID, "is not an id for an ingredient", `a-z, 0-9 and -, and not "milk"`, `write it like "whole-milk"`)
		}
		if seen[v.ID] {
			c.fail(field, v.ID, "stands twice", "", "give one of the two ingredients another id")
		}
		seen[v.ID] = true
		if !slices.Contains(IngredientKinds, v.Kind) {
			c.fail(field+".kind", v.Kind, "is unknown", strings.Join(IngredientKinds, ", "), "write one of these")
		}
		for _, a := range slices.Concat(v.Contains, v.MayContain) {
			if !slices.Contains(Allergens, a) {
				c.fail(field+".contains", a, "is not an allergen code", strings.Join(Allergens, ", "), "write one of these")
			}
		}
		if v.Kind == "milk" && v.AllergensKnown && !slices.Contains(v.Contains, "milk") {
			c.fail(field+".contains", "", "does not declare milk", "", `add "milk": animal milk contains it`)
		}
		if !v.AllergensKnown {
			level, fault := Caution, "allergens of "+v.Name+" are unknown; cards say unknown, never none"
			if used[v.ID] {
				// Nobody may be served what nobody can answer for.
				level, fault = Error, fault+", and a serving uses it"
			}
			c.add(level, field+".contains", "", fault, "",
				"declare them from the supplier's statement; [] declares that there are none")
		}
		if v.HotFactor != 0 && (v.HotFactor < 1000 || v.HotFactor > 1500) {
			c.fail(field+".hot_factor", v.HotFactor.String(), "is out of range", "1 to 1.5", "leave it out to take the house's")
		}
		c.values(field, v)
		if v.Density < 0 || v.Density > 3000 {
			c.fail(field+".density", v.Density.String(), "is out of range", "0.001 to 3 g/ml", "correct it")
		}
		if v.PumpVolume < 0 || v.PumpVolume > 100_000 {
			c.fail(field+".pump", FormatQuantity(v.PumpVolume, Millilitre), "is out of range", "up to 100 ml", "correct it")
		}
	}
}

// tolerance checks one check by itself.
func (c *checker) tolerance(k *Check) {
	field := "checks." + k.ID
	m := MeasureByCode(k.Measure)
	if m == nil {
		c.fail(field, k.Measure, "is not a measure", measureCodesText, "write one of these")
		return
	}
	if !isSlug(k.ID, true) {
		c.fail(field, k.ID, "is not an id for a check", "a-z, 0-9, - and _", `write it like "froth_depth"`)
	}
	say := func(v Milli) string { return FormatQuantity(v, m.Unit) }
	if k.Low == NoLow && k.High == NoHigh {
		c.fail(field, "", "has no tolerance", "", `add "within", "low" or "high"`)
	}
	if k.Low != NoLow && k.High != NoHigh && k.Low > k.High {
		c.fail(field, say(k.Low), "is a low limit above the high limit "+say(k.High), "", "swap the two")
		return
	}
	if k.Low != NoLow && k.Target < k.Low || k.High != NoHigh && k.Target > k.High {
		c.fail(field+".target", say(k.Target), "lies outside its own tolerance", rangeText(k, m), "move the target or the limits")
	}
	for _, v := range []Milli{k.Target, k.Low, k.High, k.HardHigh} {
		if v != NoLow && v != NoHigh && (v < m.Least || v > m.Most) {
			c.fail(field, say(v), "is not possible for "+m.Label, say(m.Least)+" to "+say(m.Most), "check the number and its unit")
			break
		}
	}
	c.hardHigh(k, m)
	if k.Resolution <= 0 || k.Resolution > m.Most {
		c.fail(field+".resolution", say(k.Resolution), "is no instrument's step", "above 0", "leave it out to take "+say(m.Resolution))
	} else if m.Unit != Count && k.Low != NoLow && k.High != NoHigh && k.High >= k.Low && (k.High-k.Low)/k.Resolution < 1 {
		c.fail(field, say(k.High-k.Low), "is a tolerance narrower than the instrument resolves", "at least "+say(k.Resolution)+" from low to high",
			"widen the tolerance, or state the finer instrument as \"resolution\"")
	}
	if k.Criticality < Appearance || k.Criticality > Safety {
		c.fail(field+".criticality", "", "is not set", "appearance, quality, safety", "write one of these")
	}
	if k.Need < Optional || k.Need > Always {
		c.fail(field+".need", "", "is not set", "always, sampled, optional", "write one of these")
	}
	if k.Occurrences < 1 {
		c.fail(field+".occurrences", fmt.Sprint(k.Occurrences), "is out of range", "1 or more", "leave it out")
	}
}

// rangeText words a tolerance: "17.7 g to 18.3 g", "at most 7 mm".
func rangeText(k *Check, m *Measure) string {
	low, high := FormatQuantity(k.Low, m.Unit), FormatQuantity(k.High, m.Unit)
	switch {
	case k.Low == NoLow && k.High == NoHigh:
		return "any"
	case k.Low == NoLow:
		return "at most " + high
	case k.High == NoHigh:
		return "at least " + low
	case k.Low == k.High:
		return "exactly " + low
	}
	return low + " to " + high
}
