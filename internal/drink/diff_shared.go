package drink

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode"
)

// fieldUnits are the units of the quantities in shared things, by field name;
// what is not listed is a bare number, as the thousandths of a factor are.
var fieldUnits = map[string]Unit{
	"MilkMax": Celsius, "HeadspaceMin": Millilitre, "StrengthBand": Percent, "Basket": Gram,
	"Base": Millimetre, "Top": Millimetre, "Height": Millimetre, "Brim": Millilitre, "PumpVolume": Millilitre,
}

// fieldNames are the labels that differ from the field's own name in words.
var fieldNames = map[string]string{
	"MilkMax": "hard maximum of milk", "HeadspaceMin": "least headspace", "AllergensKnown": "allergens declared",
	"SinglesPerPull": "shots a pull", "MayContain": "may contain", "TakeAway": "take-away",
}

// shownField is a field of a struct as a person reads it.
type shownField struct{ name, label, text string }

// shown lists the exported fields of a struct but those named, in order. It goes
// by reflection so that a field added to the model cannot be forgotten here.
func shown(v any, skip ...string) []shownField {
	rv := reflect.ValueOf(v)
	var out []shownField
	for i := range rv.NumField() {
		f := rv.Type().Field(i)
		if !f.IsExported() || slices.Contains(skip, f.Name) {
			continue
		}
		label := fieldNames[f.Name]
		if label == "" {
			label = spaced(f.Name)
		}
		out = append(out, shownField{f.Name, label, shownValue(f.Name, rv.Field(i))})
	}
	return out
}

func shownValue(name string, v reflect.Value) string {
	switch x := v.Interface().(type) {
	case Milli:
		unit, ok := fieldUnits[name]
		if !ok {
			unit = Count
		}
		return FormatQuantity(x, unit)
	case string:
		return x
	case bool:
		if x {
			return "yes"
		}
		return "no"
	case []string:
		return orNothing(x)
	}
	if v.Kind() == reflect.Pointer && v.IsNil() {
		return "not stated"
	}
	for v.Kind() == reflect.Pointer {
		v = v.Elem()
	}
	if v.Kind() == reflect.Struct {
		var parts []string
		for _, f := range shown(v.Interface()) {
			parts = append(parts, f.label+" "+f.text)
		}
		return strings.Join(parts, ", ")
	}
	return fmt.Sprint(v.Interface())
}

func orNothing(items []string) string {
	if len(items) == 0 {
		return "none"
	}
	return strings.Join(items, ", ")
}

// spaced turns "PumpVolume" into "pump volume".
func spaced(name string) string {
	var w strings.Builder
	for i, r := range name {
		if unicode.IsUpper(r) && i > 0 && !unicode.IsUpper(rune(name[i-1])) {
			w.WriteByte(' ')
		}
		w.WriteRune(unicode.ToLower(r))
	}
	return w.String()
}

// reached lists the paired servings that a condition holds for in either book.
func (d *differ) reached(holds func(b *Book, s *Serving) bool) []string {
	var out []string
	for _, p := range d.pairs {
		if holds(d.old, p.old) || holds(d.new, p.new) {
			out = append(out, p.new.ID)
		}
	}
	return out
}

func (d *differ) house() {
	if d.old.Chain != d.new.Chain {
		d.add(Change{Kind: Shared, Subject: "chain", Field: "name", Old: d.old.Chain, New: d.new.Chain, Reaches: d.reached(anyServing)})
	}
	if !bytes.Equal(d.old.Sampling, d.new.Sampling) {
		d.add(Change{Kind: Shared, Subject: "house", Field: "sampling plan", Old: stated(d.old.Sampling), New: stated(d.new.Sampling), Reaches: d.reached(anyServing)})
	}
	shots := func(_ *Book, s *Serving) bool { return s.Shots > 0 }
	reach := map[string]func(*Book, *Serving) bool{
		"MilkMax":       func(_ *Book, s *Serving) bool { return hasMeasure(s, "milk_temp") },
		"StrengthBand":  shots,
		"MilkHotFactor": func(_ *Book, s *Serving) bool { return s.Milk != "" && s.steams() },
		"FrothGasShare": func(_ *Book, s *Serving) bool { return s.Air > 0 },
	}
	d.compare("house", "", shown(d.old.House, "Pull", "Cautions"), shown(d.new.House, "Pull", "Cautions"), func(f string) func(*Book, *Serving) bool {
		if r, ok := reach[f]; ok {
			return r
		}
		return anyServing
	})
	for _, c := range listDiff(d.old.House.Cautions, d.new.House.Cautions) {
		c.Kind, c.Subject, c.Field, c.Reaches = Shared, "house", "caution", d.reached(anyServing)
		d.add(c)
	}
	d.compare("house pull", "", shown(d.old.House.Pull, "Checks"), shown(d.new.House.Pull, "Checks"), func(string) func(*Book, *Serving) bool { return shots })
	for _, pair := range checkPairs(d.old.House.Pull.Checks, d.new.House.Pull.Checks) {
		c, ok := checkChange(pair)
		if !ok {
			continue
		}
		c.Kind, c.Subject = Shared, "house pull"
		for _, p := range d.pairs {
			if d.fromPull(p, pair.id) {
				c.Reaches = append(c.Reaches, p.new.ID)
			}
		}
		d.add(c)
	}
}

// stated names a plan, whose lines the source's own difference shows.
func stated(plan []byte) string {
	if len(plan) == 0 {
		return "the default"
	}
	sum := sha256.Sum256(plan)
	return fmt.Sprintf("a plan of its own, %x", sum[:4])
}

func anyServing(*Book, *Serving) bool { return true }

func hasMeasure(s *Serving, measure string) bool {
	return slices.ContainsFunc(s.Checks, func(k Check) bool { return k.Measure == measure })
}

// compare adds a change for each field that reads differently.
func (d *differ) compare(subject, join string, old, now []shownField, reach func(field string) func(*Book, *Serving) bool) {
	for i := range now {
		if old[i].text == now[i].text {
			continue
		}
		c := Change{Kind: Shared, Subject: subject, Field: join + now[i].label, Old: old[i].text, New: now[i].text,
			Reaches: d.reached(reach(now[i].name)), moves: movesFacts}
		switch now[i].name {
		case "Name", "Material", "StartEvent", "StrengthBand", "HeadspaceMin":
			c.moves = 0
		case "MilkMax":
			c.moves, c.Safety = 0, true
		case "Contains", "MayContain", "AllergensKnown":
			c.moves, c.Safety = movesAllergens, true
		}
		d.add(c)
	}
}

func (d *differ) vessels() {
	for i := range d.new.Vessels {
		now := &d.new.Vessels[i]
		was, ok := d.old.VesselByID(now.ID)
		if !ok {
			d.add(Change{Kind: Shared, Subject: "vessel " + now.ID, New: d.new.vesselText(now.ID), Reaches: d.usersOf(now.ID)})
			continue
		}
		uses := func(_ *Book, s *Serving) bool { return s.Vessel == now.ID }
		// Diameters, height and brim are one shape, measured anew together.
		if a, b := shapeText(was), shapeText(now); a != b {
			d.add(Change{Kind: Shared, Subject: "vessel " + now.ID, Field: "shape", Old: a, New: b, Reaches: d.reached(uses), moves: movesFacts})
		}
		skip := []string{"ID", "Base", "Top", "Height", "Sections", "Fills", "Brim"}
		d.compare("vessel "+now.ID, "", shown(*was, skip...), shown(*now, skip...), func(string) func(*Book, *Serving) bool { return uses })
	}
	for i := range d.old.Vessels {
		was := &d.old.Vessels[i]
		if _, ok := d.new.VesselByID(was.ID); !ok {
			d.add(Change{Kind: Shared, Subject: "vessel " + was.ID, Old: d.old.vesselText(was.ID), Reaches: d.usersOf(was.ID)})
		}
	}
}

func (d *differ) usersOf(vessel string) []string {
	return d.reached(func(_ *Book, s *Serving) bool { return s.Vessel == vessel })
}

// shapeText shows all that a vessel's shape is made of, a frustum's sizes even
// where another form should exclude them, so that no change hides.
func shapeText(v *Vessel) string {
	var parts []string
	frustum := len(v.Sections) == 0 && len(v.Fills) == 0
	for _, m := range []struct {
		name  string
		value Milli
	}{{"base", v.Base}, {"top", v.Top}, {"height", v.Height}} {
		if frustum || m.value != 0 {
			parts = append(parts, fmt.Sprintf("%s %s mm", m.name, m.value))
		}
	}
	if n := len(v.Sections); n > 0 {
		rings := make([]string, n)
		for i, s := range v.Sections {
			rings[i] = fmt.Sprintf("%s to %s mm over %s mm", s.Base, s.Top, s.Height)
		}
		parts = append(parts, "sections "+strings.Join(rings, " + "))
	}
	if n := len(v.Fills); n > 0 {
		fills := make([]string, n)
		for i, f := range v.Fills {
			fills[i] = fmt.Sprintf("%s ml at %s mm", f.Volume, f.Depth)
		}
		parts = append(parts, "fills "+strings.Join(fills, " + "))
	}
	return strings.Join(append(parts, fmt.Sprintf("brim %s ml", v.Brim)), ", ")
}

func (d *differ) ingredients() {
	for i := range d.new.Ingredients {
		now := &d.new.Ingredients[i]
		uses := func(_ *Book, s *Serving) bool { return s.uses(now.ID) }
		was, ok := d.old.IngredientByID(now.ID)
		if !ok {
			d.add(Change{Kind: Shared, Subject: "ingredient " + now.ID, New: now.Name, Reaches: d.reached(uses)})
			continue
		}
		// An empty list with no declaration is unknown, never none.
		d.compare("ingredient "+now.ID, "", ingredientFields(was), ingredientFields(now), func(string) func(*Book, *Serving) bool { return uses })
	}
	for i := range d.old.Ingredients {
		was := &d.old.Ingredients[i]
		if _, ok := d.new.IngredientByID(was.ID); !ok {
			d.add(Change{Kind: Shared, Subject: "ingredient " + was.ID, Old: was.Name,
				Reaches: d.reached(func(_ *Book, s *Serving) bool { return s.uses(was.ID) })})
		}
	}
}

const allergensField = "allergens"

// ingredientFields shows an ingredient with its declaration as one field.
func ingredientFields(in *Ingredient) []shownField {
	text := "UNKNOWN"
	if in.AllergensKnown {
		text = "contains " + orNothing(in.Contains) + ", may contain " + orNothing(in.MayContain)
	} else if len(in.MayContain) > 0 {
		text += ", may contain " + orNothing(in.MayContain)
	}
	return append([]shownField{{"Contains", allergensField, text}}, shown(*in, "ID", "Contains", "MayContain", "AllergensKnown")...)
}

// uses is true when the serving has the ingredient as part, garnish or
// replacement.
func (s *Serving) uses(ingredient string) bool {
	return slices.ContainsFunc(s.Parts, func(p Part) bool { return p.Ingredient == ingredient }) ||
		slices.Contains(s.Garnish, ingredient) ||
		slices.ContainsFunc(s.MayReplace, func(r Substitution) bool { return r.To == ingredient })
}

// listDiff names what a list of texts gained and lost, whatever its order.
func listDiff(old, now []string) []Change {
	var out []Change
	for _, text := range old {
		if !slices.Contains(now, text) {
			out = append(out, Change{Old: text})
		}
	}
	for _, text := range now {
		if !slices.Contains(old, text) {
			out = append(out, Change{New: text})
		}
	}
	return out
}
