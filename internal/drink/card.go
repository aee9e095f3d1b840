package drink

import (
	"fmt"
	"slices"
	"strings"
)

// stepsOf says beside which acts a measure's target is read, best first.
var stepsOf = map[string][]string{
	"dose": {"dose", "pull"}, "yield": {"pull"}, "shot_time": {"pull"}, "brew_temp": {"pull"}, "tds": {"pull"},
	"water_volume": {"add_water"}, "water_temp": {"add_water"},
	"milk_volume": {"add_milk", "steam"}, "milk_temp": {"steam"},
	"froth_depth": {"pour", "strain", "steam"}, "froth_above_rim": {"pour"}, "pour_height": {"pour", "strain"},
	"syrup_pumps": {"add"}, "powder": {"add"}, "ice": {"add_ice"},
	"scoop": {"scoop"}, "scoops": {"scoop"}, "steep_time": {"steep"}, "garnish": {"garnish"},
}

// Card writes a serving's build card as plain text: all that a barista needs
// to build the drink, and nothing else. Ingredients that the book does not
// have are shown by their IDs.
func Card(b *Book, s *Serving) string {
	var w strings.Builder
	title := s.DrinkName + ", " + words(s.Size)
	if s.Milk != "" {
		title += ", " + b.name(s.Milk)
	}
	fmt.Fprintf(&w, "%s\n%s\n%s\n", b.Chain, title, strings.Repeat("=", len([]rune(title))))
	fmt.Fprintf(&w, "Serving  %s\n", s.ID)
	fmt.Fprintf(&w, "Vessel   %s\n", b.vesselText(s.Vessel))
	if s.Shots > 0 {
		fmt.Fprintf(&w, "Coffee   %s\n", b.shotsText(s))
	}
	for i, p := range s.Parts {
		head := "         "
		if i == 0 {
			head = "Parts    "
		}
		amount := FormatQuantity(p.Amount, p.Unit)
		if p.Unit == Count {
			amount = plural(p.Amount.String(), "pump")
			if in, ok := b.IngredientByID(p.Ingredient); ok && in.PumpVolume > 0 {
				amount += " of " + FormatQuantity(in.PumpVolume, Millilitre)
			}
		}
		fmt.Fprintf(&w, "%s%s, %s\n", head, b.name(p.Ingredient), amount)
	}
	if s.Air > 0 {
		fmt.Fprintf(&w, "Air      %s %% of the hot milk\n", (s.Air * 100).String())
	}
	if s.AboveRim > 0 {
		fmt.Fprintf(&w, "Froth    stands %s above the rim\n", FormatQuantity(s.AboveRim, Millimetre))
	}

	w.WriteString("\nBuild\n")
	beside, rest := b.placeChecks(s)
	for i := range s.Steps {
		fmt.Fprintf(&w, "%3d. %s%s\n", i+1, b.stepText(&s.Steps[i]), orderText(s, i))
		for _, k := range beside[i] {
			fmt.Fprintf(&w, "       - %s\n", checkText(s, k))
		}
	}
	if len(rest) > 0 {
		w.WriteString("At handover\n")
		for _, k := range rest {
			fmt.Fprintf(&w, "       - %s\n", checkText(s, k))
		}
	}

	garnish := "none"
	if len(s.Garnish) > 0 {
		garnish = b.names(s.Garnish)
	}
	fmt.Fprintf(&w, "\nOn top      %s\n", garnish)
	for _, sub := range s.MayReplace {
		fmt.Fprintf(&w, "May change  %s for %s\n", b.name(sub.From), b.name(sub.To))
	}
	b.allergenText(&w, s)
	w.WriteString("\nCautions\n")
	for _, text := range slices.Concat(s.Cautions, b.House.Cautions, UsualCautions) {
		fmt.Fprintf(&w, "  ! %s\n", text)
	}
	return w.String()
}

func words(slug string) string { return strings.ReplaceAll(slug, "-", " ") }

func plural(count, noun string) string {
	if count == "1" {
		return count + " " + noun
	}
	return count + " " + noun + "s"
}

func (b *Book) name(ingredient string) string {
	if in, ok := b.IngredientByID(ingredient); ok {
		return in.Name
	}
	return ingredient
}

func (b *Book) names(ids []string) string {
	out := make([]string, len(ids))
	for i, id := range ids {
		out[i] = b.name(id)
	}
	return strings.Join(out, ", ")
}

func (b *Book) vesselText(id string) string {
	v, ok := b.VesselByID(id)
	if !ok {
		return id
	}
	return fmt.Sprintf("%s (%s), %s to the brim", v.Name, v.ID, FormatQuantity(v.Brim, Millilitre))
}

// shotsText says how many singles from how many pulls, and what to do with the
// spout that is left over.
func (b *Book) shotsText(s *Serving) string {
	pulls := b.Pulls(s)
	out := fmt.Sprintf("%s from %s of the %s basket", plural(fmt.Sprint(s.Shots), "shot"), plural(fmt.Sprint(pulls), "pull"), FormatQuantity(b.House.Pull.Basket, Gram))
	if grams, ok := FromFloat(b.coffeeGrams(s)); ok && grams > 0 {
		out += ", about " + FormatQuantity(grams, Gram) + " in the cup"
	}
	if left := pulls*b.House.Pull.SinglesPerPull - s.Shots; left > 0 {
		out += fmt.Sprintf("; one shot is one spout, %s left over", plural(fmt.Sprint(left), "spout"))
	}
	start := "pump on"
	if b.House.Pull.StartEvent == "first_drop" {
		start = "the first drop"
	}
	return out + "; time runs from " + start
}

func (b *Book) stepText(step *Step) string {
	text := step.Text
	if text == "" {
		text = Acts[step.Act]
		if text == "" {
			text = step.Act
		}
		switch {
		case step.Ingredient == "":
		case step.Act == "garnish", step.Act == "pour", step.Act == "stir", step.Act == "steep", step.Act == "strain":
			text += ": " + b.name(step.Ingredient)
		case step.Act == "add":
			text += " " + b.name(step.Ingredient)
		default:
			text += " (" + b.name(step.Ingredient) + ")"
		}
	}
	if step.Optional {
		text += " (if wanted)"
	}
	return text
}

// orderText words an order that is not simply "after the line above".
func orderText(s *Serving, i int) string {
	after := s.Steps[i].After
	switch {
	case i == 0 || len(after) == 1 && after[0] == s.Steps[i-1].ID:
		return ""
	case len(after) == 0:
		return " [at any time]"
	}
	var lines []string
	for _, a := range after {
		for j := range s.Steps {
			if s.Steps[j].ID == a {
				lines = append(lines, fmt.Sprint(j+1))
			}
		}
	}
	return " [after " + strings.Join(lines, " and ") + "]"
}

// placeChecks puts each check beside one step, or at the end.
func (b *Book) placeChecks(s *Serving) (map[int][]*Check, []*Check) {
	beside := map[int][]*Check{}
	var rest []*Check
next:
	for i := range s.Checks {
		k := &s.Checks[i]
		for _, act := range stepsOf[k.Measure] {
			for j := range s.Steps {
				if s.Steps[j].Act == act && b.suits(k, &s.Steps[j]) {
					beside[j] = append(beside[j], k)
					continue next
				}
			}
		}
		rest = append(rest, k)
	}
	return beside, rest
}

// suits keeps pumps beside what is pumped and powder beside the powder, where
// several ingredients are added.
func (b *Book) suits(k *Check, step *Step) bool {
	in, ok := b.IngredientByID(step.Ingredient)
	if !ok || k.Measure != "syrup_pumps" && k.Measure != "powder" {
		return true
	}
	if k.Measure == "syrup_pumps" {
		return in.PumpVolume > 0
	}
	return in.PumpVolume == 0
}

func checkText(s *Serving, k *Check) string {
	m := MeasureByCode(k.Measure)
	if m == nil {
		return k.ID
	}
	label := m.Label
	if k.ID != k.Measure {
		label = words(strings.ReplaceAll(k.ID, "_", "-"))
	}
	out := label + " " + FormatQuantity(k.Target, m.Unit)
	switch {
	case k.Low == NoLow && k.Target == k.High, k.High == NoHigh && k.Target == k.Low, k.Low == k.High:
		out = label + " " + rangeText(k, m)
	default:
		out += " (" + rangeText(k, m) + ")"
	}
	if k.Occurrences > 1 {
		out += fmt.Sprintf(", each of %d", k.Occurrences)
	}
	if k.Criticality == Safety {
		out += ", SAFETY"
	}
	if k.HasHardHigh() {
		out += ", never above " + FormatQuantity(k.HardHigh, m.Unit) + " (SAFETY)"
	}
	return out
}

// allergenText never says that a drink is safe for anybody.
func (b *Book) allergenText(w *strings.Builder, s *Serving) {
	a := b.Allergens(s)
	list := func(codes []string) string {
		if len(codes) == 0 {
			if len(a.Unknown) > 0 {
				return "unknown"
			}
			return "none declared"
		}
		return strings.Join(codes, ", ")
	}
	fmt.Fprintf(w, "Contains    %s\n", list(a.Contains))
	fmt.Fprintf(w, "May contain %s\n", list(a.MayContain))
	if len(a.Unknown) > 0 {
		fmt.Fprintf(w, "UNKNOWN     no declaration for %s: do not answer for allergens, ask the supplier\n", strings.Join(a.Unknown, ", "))
	}
	if len(a.Unknown) == 0 && !slices.Contains(a.Contains, "milk") {
		w.WriteString("            made without milk as an ingredient; shared equipment\n")
	} else {
		w.WriteString("            shared equipment\n")
	}
	for _, sub := range s.MayReplace {
		in, ok := b.IngredientByID(sub.To)
		switch {
		case !ok || !in.AllergensKnown:
			fmt.Fprintf(w, "            with %s: unknown\n", b.name(sub.To))
		case len(in.Contains)+len(in.MayContain) > 0:
			fmt.Fprintf(w, "            with %s: contains %s; may contain %s\n", in.Name, orNone(in.Contains), orNone(in.MayContain))
		}
	}
}

func orNone(codes []string) string {
	if len(codes) == 0 {
		return "none declared"
	}
	return strings.Join(codes, ", ")
}
