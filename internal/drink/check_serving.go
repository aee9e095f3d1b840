package drink

import (
	"fmt"
	"slices"
	"strings"
)

// serving checks everything within one serving and returns its facts, which
// are zero where they cannot be known.
func (c *checker) serving(d *Drink, s *Serving) Facts {
	if !isSlug(s.Size, false) || s.Drink != d.ID || s.ID != s.Drink+"/"+s.Size && s.ID != s.Drink+"/"+s.Size+"/"+s.Milk {
		c.fail("", s.ID, "is not this serving's id", "drink/size or drink/size/milk", "make the id of the drink, the size and the milk")
	}
	if s.Shots < 0 || s.Shots > MaxSingles {
		c.fail("shots", fmt.Sprint(s.Shots), "is out of range", fmt.Sprintf("0 to %d", MaxSingles), "correct it")
		return Facts{}
	}
	before := c.errors
	c.references(s)
	c.servingChecks(s)
	c.steps(s)
	c.amountsAgree(s)
	fits := false
	if len(c.unknown) == 0 {
		fits = c.fit(s) // volumes of what is not known mean nothing
	}
	c.milkRules(s)
	scalds := c.hot(s)
	if len(c.unknown) > 0 {
		return Facts{}
	}
	f, err := c.d.facts(s)
	if err != nil {
		if fits && c.errors == before {
			c.fail("", "", "cannot be computed: "+err.Error(), "", "correct the amounts")
		}
		return Facts{}
	}
	c.derived(s, &f, scalds || c.errors > before)
	return f
}

// known reports an ingredient that the book does not have.
func (c *checker) known(field, id string) (*Ingredient, bool) {
	in, ok := c.d.ingredients[id]
	if !ok && !c.unknown[id] {
		if c.unknown == nil {
			c.unknown = map[string]bool{}
		}
		c.unknown[id] = true
		ids := make([]string, 0, len(c.b.Ingredients))
		for i := range c.b.Ingredients {
			ids = append(ids, c.b.Ingredients[i].ID)
		}
		c.fail(field, id, "is not an ingredient of this book", "", meant(id, ids, "add it to "+ingredientsFile))
	}
	return in, ok
}

func meant(id string, ids []string, otherwise string) string {
	if near := nearest(id, ids); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	return otherwise
}

func (c *checker) references(s *Serving) {
	if _, ok := c.d.vessels[s.Vessel]; !ok {
		ids := make([]string, 0, len(c.b.Vessels))
		for i := range c.b.Vessels {
			ids = append(ids, c.b.Vessels[i].ID)
		}
		c.fail("vessel", s.Vessel, "is not a vessel of this book", "", meant(s.Vessel, ids, "add it to "+vesselsFile))
	}
	if s.Milk != "" {
		if in, ok := c.known("milk", s.Milk); ok && in.Kind != "milk" && in.Kind != "plant_milk" {
			c.fail("milk", s.Milk, "is "+in.Kind+", not a milk", "kinds milk and plant_milk", "choose a milk")
		}
	}
	for i, p := range s.Parts {
		field := fmt.Sprintf("parts[%d]", i)
		in, ok := c.known(field, p.Ingredient)
		if p.Amount <= 0 || p.Amount > mostPart {
			c.fail(field+".amount", FormatQuantity(p.Amount, p.Unit), "is out of range", "above 0 and at most "+FormatQuantity(mostPart, p.Unit), "check the number and its unit")
		}
		switch p.Unit {
		case Gram, Millilitre:
		case Count:
			if ok && in.PumpVolume == 0 {
				c.fail(field+".pumps", p.Ingredient, "is counted in pumps, but its pump is not stated", "", `add "pump: 10 ml" to the ingredient`)
			}
		default:
			c.fail(field+".amount", string(p.Unit), "is not a unit for a part", "g, mL or {count}", "correct it")
		}
		if ok && (in.Kind == "milk" || in.Kind == "plant_milk") && p.Ingredient != s.Milk {
			c.fail(field, p.Ingredient, "is a milk that the serving does not name", "", `name it as "milk", so that allergens follow it`)
		}
	}
	for _, sub := range s.MayReplace {
		c.known("may_replace", sub.From)
		c.known("may_replace", sub.To)
	}
	for i, g := range s.Garnish {
		c.known("garnish", g)
		if slices.Index(s.Garnish, g) < i {
			c.fail("garnish", g, "is garnished twice", "", "list it once")
		}
	}
}

func (c *checker) servingChecks(s *Serving) {
	slots := 0
	seen := map[string]bool{}
	for i := range s.Checks {
		k := &s.Checks[i]
		if !c.inheritedBad(k) {
			c.tolerance(k)
		}
		if seen[k.ID] {
			c.fail("checks."+k.ID, "", "stands twice", "", "give one of the two another id")
		}
		seen[k.ID] = true
		slots += max(0, min(k.Occurrences, MaxChecks+1))
		m := MeasureByCode(k.Measure)
		if m == nil {
			continue
		}
		if m.PerPull && s.Shots == 0 {
			c.fail("checks."+k.ID, "", "checks a pull, but the serving has no shots", "", `state "shots", or remove the check`)
		} else if m.PerPull && k.Occurrences > c.b.Pulls(s) {
			c.fail("checks."+k.ID+".occurrences", fmt.Sprint(k.Occurrences), "is more than the serving's pulls", fmt.Sprint(c.b.Pulls(s)), "leave it out")
		}
		if k.Measure == "milk_temp" && k.High > c.b.House.MilkMax {
			value := "no high limit"
			if k.High != NoHigh {
				value = FormatQuantity(k.High, Celsius)
			}
			c.fail("checks."+k.ID+".high", value, "is above the house's hard maximum for milk", "at most "+FormatQuantity(c.b.House.MilkMax, Celsius), "lower the high limit")
		}
		if (k.Measure == "milk_temp" || k.Measure == "froth_depth" || k.Measure == "froth_above_rim") && s.Milk == "" {
			c.fail("checks."+k.ID, "", "checks milk, but the serving has none", "", `name the "milk", or remove the check`)
		}
	}
	if slots > MaxChecks {
		c.fail("checks", fmt.Sprint(slots), "readings are too many for one serving", fmt.Sprintf("at most %d", MaxChecks), "remove some checks")
	}
}

// inheritedBad is true for a check that the serving took over from the house
// with its error.
func (c *checker) inheritedBad(k *Check) bool {
	return c.badPull[k.ID] && slices.ContainsFunc(c.b.House.Pull.Checks, func(h Check) bool {
		h.Occurrences = k.Occurrences
		return h == *k && k.Occurrences > 0
	})
}

func (c *checker) steps(s *Serving) {
	if len(s.Steps) > MaxSteps {
		c.fail("steps", fmt.Sprint(len(s.Steps)), "steps are too many", fmt.Sprintf("at most %d", MaxSteps), "join some")
		return
	}
	index := make(map[string]int, len(s.Steps))
	acts := map[string]int{}
	var topped []string
	for i := range s.Steps {
		step := &s.Steps[i]
		field := "steps." + step.ID
		if _, twice := index[step.ID]; twice {
			c.fail(field, step.ID, "stands twice", "", `give one of the two an "id" of its own`)
		}
		index[step.ID] = i
		acts[step.Act]++
		if _, ok := Acts[step.Act]; !ok {
			c.fail(field+".act", step.Act, "is not an act", "", "write an act such as pour, steam or garnish")
		}
		if step.Criticality < Appearance || step.Criticality > Safety {
			c.fail(field+".criticality", "", "is not set", "appearance, quality, safety", "write one of these")
		}
		if step.Ingredient != "" {
			c.known(field+".ingredient", step.Ingredient)
		}
		if step.Act == "garnish" {
			if slices.Contains(topped, step.Ingredient) {
				c.fail(field, step.Ingredient, "is garnished twice", "", "keep one of the two steps")
			}
			topped = append(topped, step.Ingredient)
			if step.Ingredient == "" || !slices.Contains(s.Garnish, step.Ingredient) {
				c.fail(field+".ingredient", step.Ingredient, "is not in the serving's garnish", strings.Join(s.Garnish, ", "), "list it under garnish, or remove the step")
			}
		}
	}
	for _, g := range s.Garnish {
		if !slices.Contains(topped, g) {
			c.fail("garnish", g, "has no step that puts it on", "", "add a garnish step that names it")
		}
	}
	if !c.order(s, index) {
		return // what follows asks about the order
	}
	for i := range s.Steps {
		if s.Steps[i].Act == "steep" && !followed(s, index, i, "strain") {
			c.fail("steps."+s.Steps[i].ID, "", "steeps what no later step strains", "", "add a strain step after it")
		}
		if s.Steps[i].Act == "steam" && !followed(s, index, i, "wipe") {
			c.add(Caution, "steps."+s.Steps[i].ID, "", "steams milk, but no later step wipes and purges the wand", "", "add a wipe step after it")
		}
	}
	c.stepRules(s, index, acts)
	if s.Shots > 0 && acts["pull"] == 0 {
		c.fail("steps", "", "pull no shot, but the serving has shots", "", "add a pull step")
	}
	if s.Shots == 0 && acts["pull"] > 0 {
		c.fail("steps", "", "pull a shot, but the serving has none", "", `state "shots", or remove the step`)
	}
}

// order proves that every "after" names a step and that none waits for itself.
func (c *checker) order(s *Serving, index map[string]int) bool {
	ok := true
	for i := range s.Steps {
		for _, a := range s.Steps[i].After {
			if _, found := index[a]; !found {
				c.fail("steps."+s.Steps[i].ID+".after", a, "is not a step of this serving", "", meant(a, stepIDs(s), "name a step's id"))
				ok = false
			}
		}
	}
	if !ok {
		return false
	}
	for i := range s.Steps {
		if slices.Contains(before(s, index, i), i) {
			c.fail("steps."+s.Steps[i].ID+".after", strings.Join(s.Steps[i].After, ", "), "makes the step wait for itself", "", "break the circle")
			return false
		}
	}
	return true
}

func stepIDs(s *Serving) []string {
	out := make([]string, len(s.Steps))
	for i := range s.Steps {
		out[i] = s.Steps[i].ID
	}
	return out
}

// before lists the steps that must come before step i; i itself is among them
// only when the order has a circle.
func before(s *Serving, index map[string]int, i int) []int {
	var marks [MaxSteps]bool
	seen := marks[:]
	if len(s.Steps) > MaxSteps {
		seen = make([]bool, len(s.Steps))
	}
	out := make([]int, 0, 8)
	// What was found is what is left to follow.
	for at, next := i, 0; ; next++ {
		for _, a := range s.Steps[at].After {
			if j, ok := index[a]; ok && !seen[j] {
				seen[j] = true
				out = append(out, j)
			}
		}
		if next == len(out) {
			return out
		}
		at = out[next]
	}
}

// followed is true when some step of that act must come after step i.
func followed(s *Serving, index map[string]int, i int, act string) bool {
	for j := range s.Steps {
		if s.Steps[j].Act == act && slices.Contains(before(s, index, j), i) {
			return true
		}
	}
	return false
}
