package drink

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
)

// checkPair is a check as it stood and as it stands; nil where it did not.
type checkPair struct {
	id       string
	old, new *Check
}

func checkPairs(old, now []Check) []checkPair {
	var out []checkPair
	at := func(checks []Check, id string) *Check {
		i := slices.IndexFunc(checks, func(k Check) bool { return k.ID == id })
		if i < 0 {
			return nil
		}
		return &checks[i]
	}
	for i := range now {
		out = append(out, checkPair{now[i].ID, at(old, now[i].ID), &now[i]})
	}
	for i := range old {
		if at(now, old[i].ID) == nil {
			out = append(out, checkPair{old[i].ID, &old[i], nil})
		}
	}
	return out
}

// checkChange words how a check changed; false where it did not.
func checkChange(p checkPair) (Change, bool) {
	a, b := describe(p.old), describe(p.new)
	if a == b {
		return Change{}, false
	}
	k := p.new
	if k == nil {
		k = p.old
	}
	label := words(strings.ReplaceAll(k.ID, "_", "-"))
	if m := MeasureByCode(k.Measure); m != nil && k.ID == k.Measure {
		label = m.Label
	}
	c := Change{Field: label, Old: a, New: b, Safety: safetyOf(p.old) != safetyOf(p.new)}
	// These targets go into the derived facts; the others only bound readings.
	switch k.Measure {
	case "dose", "yield", "tds", "milk_temp", "water_temp", "brew_temp", "steep_time", "scoop", "garnish":
		if targetOf(p.old) != targetOf(p.new) {
			c.moves = movesFacts
		}
	}
	return c, true
}

func targetOf(k *Check) Milli {
	if k == nil {
		return NoLow
	}
	return k.Target
}

// safetyOf is what of a check guards safety; a change to it is a safety matter.
func safetyOf(k *Check) string {
	if k == nil {
		return ""
	}
	out := ""
	if k.HasHardHigh() {
		out = k.HardHigh.String()
	}
	if k.Criticality == Safety {
		out += fmt.Sprint("/", k.Low, "/", k.High, "/", k.Need)
	}
	return out
}

var needWords = map[Need]string{Optional: "if wanted", WhenSampled: "when sampled", Always: "always"}

// describe words a check: "10 mm (8 mm to 12 mm)", and what of it is not usual.
func describe(k *Check) string {
	if k == nil {
		return ""
	}
	m := MeasureByCode(k.Measure)
	if m == nil {
		return fmt.Sprintf("%s %s (%s to %s)", k.Measure, k.Target, k.Low, k.High)
	}
	limits := rangeText(k, m)
	if k.HasHardHigh() {
		limits += ", never above " + FormatQuantity(k.HardHigh, m.Unit)
	}
	if k.Criticality != m.Criticality {
		limits += ", " + k.Criticality.String()
	}
	if k.Need != WhenSampled {
		limits += ", needed " + needWords[k.Need]
	}
	if k.Resolution != m.Resolution {
		limits += ", read to " + FormatQuantity(k.Resolution, m.Unit)
	}
	if k.Occurrences > 1 && !m.PerPull {
		limits += fmt.Sprintf(", each of %d", k.Occurrences)
	}
	return FormatQuantity(k.Target, m.Unit) + " (" + limits + ")"
}

// fromPull is true when a serving's check is the house pull's on both sides, so
// that the house explains the change.
func (d *differ) fromPull(p servingPair, id string) bool {
	same := func(b *Book, s *Serving) bool {
		find := func(checks []Check) string {
			if i := slices.IndexFunc(checks, func(k Check) bool { return k.ID == id }); i >= 0 {
				return describe(&checks[i])
			}
			return ""
		}
		return find(b.House.Pull.Checks) == find(s.Checks)
	}
	return (p.old.Shots > 0 || p.new.Shots > 0) && same(d.old, p.old) && same(d.new, p.new)
}

// fromMilkMax is true when the house's hard maximum of milk is all that changed.
func (d *differ) fromMilkMax(p checkPair) bool {
	if p.old == nil || p.new == nil || p.new.Measure != "milk_temp" ||
		p.old.HardHigh != d.old.House.MilkMax || p.new.HardHigh != d.new.House.MilkMax {
		return false
	}
	was := *p.old
	was.HardHigh = p.new.HardHigh
	return describe(&was) == describe(p.new)
}

// fields names what changed in the servings themselves. A change that reads the
// same in several servings of a drink was made once and is named once.
func (d *differ) fields() {
	type key struct{ drink, field, old, new string }
	at := map[key]int{}
	for _, p := range d.pairs {
		for _, c := range d.servingChanges(p) {
			k := key{p.new.Drink, c.Field, c.Old, c.New}
			if i, ok := at[k]; ok {
				d.changes[i].Subject = p.new.Drink
				d.changes[i].Reaches = append(d.changes[i].Reaches, p.new.ID)
				continue
			}
			c.Kind, c.Subject, c.Reaches = FieldChange, p.new.ID, []string{p.new.ID}
			at[k] = len(d.changes)
			d.add(c)
		}
	}
}

func (d *differ) servingChanges(p servingPair) []Change {
	var out []Change
	a, b := p.old, p.new
	text := func(field, old, now string, m moves) {
		if old != now {
			out = append(out, Change{Field: field, Old: old, New: now, moves: m})
		}
	}
	const both = movesFacts | movesAllergens
	text("name", a.DrinkName, b.DrinkName, 0)
	text("milk", a.Milk, b.Milk, 0)
	text("vessel", a.Vessel, b.Vessel, movesFacts)
	text("shots", fmt.Sprint(a.Shots), fmt.Sprint(b.Shots), movesFacts)
	text("air", (a.Air*100).String()+" %", (b.Air*100).String()+" %", movesFacts)
	text("froth meant to stand above the rim", FormatQuantity(a.AboveRim, Millimetre), FormatQuantity(b.AboveRim, Millimetre), movesFacts)
	out = append(out, partChanges(a.Parts, b.Parts)...)
	for _, pair := range checkPairs(a.Checks, b.Checks) {
		if c, ok := checkChange(pair); ok && !d.fromPull(p, pair.id) && !d.fromMilkMax(pair) {
			out = append(out, c)
		}
	}
	for _, list := range []struct {
		field    string
		old, new []string
		moves    moves
		safety   bool
	}{
		{"on top", a.Garnish, b.Garnish, both, false},
		{"may replace", replaceTexts(a), replaceTexts(b), movesAllergens, true},
		{"caution", a.Cautions, b.Cautions, 0, false},
	} {
		for _, c := range listDiff(list.old, list.new) {
			c.Field, c.moves, c.Safety = list.field, list.moves, list.safety
			out = append(out, c)
		}
	}
	out = append(out, stepChanges(a.Steps, b.Steps)...)
	return append(out, otherChanges(a, b)...)
}

// knownServing are the fields that servingChanges words by hand.
var knownServing = []string{"ID", "Drink", "DrinkName", "Size", "Milk", "Vessel", "Shots", "Parts", "Air", "AboveRim", "Garnish", "Steps", "Checks", "MayReplace", "Cautions"}

// otherChanges shows fields that the model gained since.
func otherChanges(a, b *Serving) []Change {
	var out []Change
	old := shown(*a, knownServing...)
	for i, f := range shown(*b, knownServing...) {
		if old[i].text != f.text {
			out = append(out, Change{Field: f.label, Old: old[i].text, New: f.text, moves: movesFacts})
		}
	}
	return out
}

func replaceTexts(s *Serving) []string {
	out := make([]string, len(s.MayReplace))
	for i, r := range s.MayReplace {
		out[i] = r.From + " by " + r.To
	}
	return out
}

func partChanges(old, now []Part) []Change {
	var out []Change
	amounts := func(parts []Part) (map[string]string, []string) {
		texts, order := map[string]string{}, []string{}
		for _, p := range parts {
			if texts[p.Ingredient] != "" {
				texts[p.Ingredient] += " and " + partText(p)
				continue
			}
			texts[p.Ingredient] = partText(p)
			order = append(order, p.Ingredient)
		}
		return texts, order
	}
	was, wasOrder := amounts(old)
	is, isOrder := amounts(now)
	for _, id := range isOrder {
		if was[id] == "" {
			out = append(out, Change{Field: id, New: is[id], moves: movesFacts | movesAllergens})
		} else if was[id] != is[id] {
			out = append(out, Change{Field: id, Old: was[id], New: is[id], moves: movesFacts})
		}
	}
	for _, id := range wasOrder {
		if is[id] == "" {
			out = append(out, Change{Field: id, Old: was[id], moves: movesFacts | movesAllergens})
		}
	}
	return out
}

func stepChanges(old, now []Step) []Change {
	var out []Change
	at := func(steps []Step, id string) *Step {
		if i := slices.IndexFunc(steps, func(s Step) bool { return s.ID == id }); i >= 0 {
			return &steps[i]
		}
		return nil
	}
	add := func(was, is *Step, old, now string, id string) {
		guards := was != nil && was.Criticality == Safety || is != nil && is.Criticality == Safety
		c := Change{Field: "step " + id, Old: old, New: now, Safety: guards}
		// Steaming decides whether milk counts hot and frothed.
		if was != nil && was.Act == "steam" || is != nil && is.Act == "steam" {
			c.moves = movesFacts
		}
		out = append(out, c)
	}
	for i := range now {
		was := at(old, now[i].ID)
		switch {
		case was == nil:
			add(nil, &now[i], "", stepWords(&now[i]), now[i].ID)
		case !reflect.DeepEqual(normalStep(*was), normalStep(now[i])):
			add(was, &now[i], stepWords(was), stepWords(&now[i]), now[i].ID)
		}
	}
	for i := range old {
		if at(now, old[i].ID) == nil {
			add(&old[i], nil, stepWords(&old[i]), "", old[i].ID)
		}
	}
	if a, b := commonOrder(old, now), commonOrder(now, old); a != b {
		out = append(out, Change{Field: "order of steps", Old: a, New: b})
	}
	return out
}

func normalStep(s Step) Step {
	if len(s.After) == 0 {
		s.After = nil
	}
	return s
}

// commonOrder lists the steps that the other list has too.
func commonOrder(steps, other []Step) string {
	var ids []string
	for i := range steps {
		if slices.ContainsFunc(other, func(s Step) bool { return s.ID == steps[i].ID }) {
			ids = append(ids, steps[i].ID)
		}
	}
	return strings.Join(ids, ", ")
}

func stepWords(s *Step) string {
	text := s.Text
	if text == "" {
		if text = Acts[s.Act]; text == "" {
			text = s.Act
		}
		if s.Ingredient != "" {
			text += " " + s.Ingredient
		}
	}
	if len(s.After) > 0 {
		text += " after " + strings.Join(s.After, " and ")
	}
	if s.Criticality != Quality {
		text += ", " + s.Criticality.String()
	}
	if s.Optional {
		text += ", if wanted"
	}
	return text
}
