package drink

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/internal/espresso"
)

// Servings returns all servings in the book's order. They share the book's
// memory and must not be changed.
func (b *Book) Servings() []Serving {
	var out []Serving
	for i := range b.Drinks {
		out = append(out, b.Drinks[i].Servings...)
	}
	return out
}

// ServingByID finds a serving; the result points into the book.
func (b *Book) ServingByID(id string) (*Serving, bool) {
	for i := range b.Drinks {
		for j := range b.Drinks[i].Servings {
			if s := &b.Drinks[i].Servings[j]; s.ID == id {
				return s, true
			}
		}
	}
	return nil, false
}

// VesselByID finds a vessel; the result points into the book.
func (b *Book) VesselByID(id string) (*Vessel, bool) {
	for i := range b.Vessels {
		if b.Vessels[i].ID == id {
			return &b.Vessels[i], true
		}
	}
	return nil, false
}

// IngredientByID finds an ingredient; the result points into the book.
func (b *Book) IngredientByID(id string) (*Ingredient, bool) {
	for i := range b.Ingredients {
		if b.Ingredients[i].ID == id {
			return &b.Ingredients[i], true
		}
	}
	return nil, false
}

// Pulls is how many baskets a serving takes: a single is one spout of a full
// basket, so it takes a whole pull.
func (b *Book) Pulls(s *Serving) int {
	return espresso.Pulls(s.Shots, b.House.Pull.SinglesPerPull)
}

// resolve turns one serving as written into one serving a milk.
func (r *reader) resolve(d *Drink, b *Book, raw rawServing, shared rawDefaults) {
	if len(raw.milks) == 0 {
		d.Servings = append(d.Servings, r.resolveOne(d, b, raw, shared, rawMilk{at: raw.at, milk: raw.milk}, false))
		return
	}
	for _, m := range raw.milks {
		d.Servings = append(d.Servings, r.resolveOne(d, b, raw, shared, m, true))
	}
}

func (r *reader) resolveOne(d *Drink, b *Book, raw rawServing, shared rawDefaults, m rawMilk, milkInID bool) Serving {
	s := Serving{ID: d.ID + "/" + raw.size, Drink: d.ID, DrinkName: d.Name, Size: raw.size, Milk: m.milk,
		Vessel: raw.vessel, Shots: raw.shots, Air: raw.air, AboveRim: raw.above}
	if milkInID {
		s.ID += "/" + m.milk
	}
	if m.hasAir {
		s.Air = m.air
	}
	place := "servings[" + s.ID + "]"
	file := raw.at.file
	r.mark(file, place, m.at.n.line)
	s.Parts = r.milkParts(raw, m)

	steps, stepLines := shared.steps, shared.stepLines
	if raw.hasSteps {
		steps, stepLines = raw.steps, raw.stepLines
	}
	for _, step := range steps {
		step.After = slices.Clone(step.After)
		if step.Ingredient == milkWord {
			step.Ingredient = m.milk
		}
		s.Steps = append(s.Steps, step)
		r.mark(file, place+".steps."+step.ID, stepLines[step.ID])
	}

	garnish, cautions, mayReplace := shared.garnish, shared.cautions, shared.mayReplace
	if raw.hasGarnish {
		garnish = raw.garnish
	}
	if raw.hasCautions {
		cautions = raw.cautions
	}
	if raw.hasMay {
		mayReplace = raw.mayReplace
	}
	s.Garnish, s.MayReplace = slices.Clone(garnish), slices.Clone(mayReplace)
	s.Cautions = append(slices.Clone(cautions), m.cautions...)

	var checks []Check
	if s.Shots > 0 {
		checks = slices.Clone(b.House.Pull.Checks)
		for i := range checks {
			if measure := MeasureByCode(checks[i].Measure); measure != nil && measure.PerPull {
				checks[i].Occurrences = 0
			}
		}
	}
	for _, layer := range [][]rawCheck{shared.checks, raw.checks, m.checks} {
		checks = r.overlay(file, place, checks, layer)
	}
	for i := range checks {
		// The house's hard maximum of milk holds unless a check is stricter.
		if checks[i].Measure == "milk_temp" && !checks[i].HasHardHigh() {
			checks[i].HardHigh = b.House.MilkMax
		}
		if checks[i].Occurrences > 0 {
			continue
		}
		checks[i].Occurrences = 1
		if measure := MeasureByCode(checks[i].Measure); measure != nil && measure.PerPull {
			checks[i].Occurrences = max(1, b.Pulls(&s))
		}
	}
	s.Checks = checks
	return s
}

// overlay lays checks over inherited ones: same ID replaces, "none" removes.
func (r *reader) overlay(file, place string, base []Check, layer []rawCheck) []Check {
	for _, raw := range layer {
		r.mark(file, place+".checks."+raw.check.ID, raw.at.n.line)
		i := slices.IndexFunc(base, func(k Check) bool { return k.ID == raw.check.ID })
		switch {
		case raw.removed && i < 0:
			raw.at.fail("removes a check that is not there", "", "remove this line")
		case raw.removed:
			base = slices.Delete(base, i, i+1)
		case i >= 0:
			base[i] = raw.check
		default:
			base = append(base, raw.check)
		}
	}
	return base
}

// milkParts puts the serving's milk in the place of the word "milk".
func (r *reader) milkParts(raw rawServing, m rawMilk) []Part {
	parts := slices.Clone(raw.parts)
	placed := false
	for i := range parts {
		if parts[i].Ingredient != milkWord {
			continue
		}
		if m.milk == "" {
			raw.at.fail("parts["+strconv.Itoa(i)+"] names milk, but the serving has none", "", `add "milk: whole-milk" or "milks: […]"`)
			continue
		}
		parts[i].Ingredient = m.milk
		if m.hasAmount {
			parts[i].Amount, parts[i].Unit = m.amount, Millilitre
		}
		placed = true
	}
	if m.milk != "" && !placed {
		m.at.fail("milk is chosen but no part names it", "", `add "- {ingredient: milk, amount: 135 ml}" to parts`)
	}
	return parts
}

// FindServing finds a serving by drink, size and milk; an empty milk finds the
// only one there is, and else the first in the book's order. The error names
// what there is.
func (b *Book) FindServing(drinkID, size, milk string) (*Serving, error) {
	var drinks, sizes, milks []string
	for i := range b.Drinks {
		d := &b.Drinks[i]
		drinks = append(drinks, d.ID)
		if d.ID != drinkID {
			continue
		}
		for j := range d.Servings {
			s := &d.Servings[j]
			if s.Size != size {
				sizes = append(sizes, s.Size)
				continue
			}
			if milk == "" || s.Milk == milk {
				return s, nil
			}
			milks = append(milks, s.Milk)
		}
		if len(milks) > 0 {
			return nil, fmt.Errorf("milk %q: %s %s comes with %s", milk, drinkID, size, strings.Join(milks, ", "))
		}
		return nil, fmt.Errorf("size %q: %s comes in %s", size, drinkID, strings.Join(slices.Compact(sizes), ", "))
	}
	return nil, fmt.Errorf("drink %q: the book has %s", drinkID, strings.Join(drinks, ", "))
}
