package drink

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"
)

// YAML writes the proposed serving as an entry of a drink's "servings", ready to
// paste. It states everything that a drink may also state for all its servings,
// so that it reads the same wherever it is put; checks that are the house pull's
// are left to the house.
func (b *Book) YAML(s *Serving) string {
	var w strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&w, format+"\n", args...) }
	line("  - size: %s", s.Size)
	line("    vessel: %s", s.Vessel)
	if s.Shots > 0 {
		line("    shots: %d", s.Shots)
	}
	if s.Milk != "" {
		if s.ID == s.Drink+"/"+s.Size+"/"+s.Milk {
			line("    milks: [%s]", s.Milk)
		} else {
			line("    milk: %s", s.Milk)
		}
	}
	if s.Air > 0 {
		line("    air: %s %%", (s.Air * 100).String())
	}
	if s.AboveRim > 0 {
		line("    above_rim: %s", FormatQuantity(s.AboveRim, Millimetre))
	}
	if len(s.Parts) > 0 {
		line("    parts:")
		for _, p := range s.Parts {
			if p.Unit == Count {
				line("      - {ingredient: %s, pumps: %s}", s.written(p.Ingredient), p.Amount)
			} else {
				line("      - {ingredient: %s, amount: %s}", s.written(p.Ingredient), FormatQuantity(p.Amount, p.Unit))
			}
		}
	}
	if len(s.Steps) > 0 {
		line("    steps:")
		for i := range s.Steps {
			line("      - %s", stepYAML(s, i))
		}
	}
	var checks []string
	for i := range s.Checks {
		if text := b.checkYAML(s, &s.Checks[i]); text != "" {
			checks = append(checks, text)
		}
	}
	if len(checks) > 0 {
		line("    checks:")
		for _, text := range checks {
			line("      %s", text)
		}
	}
	if len(s.Garnish) > 0 {
		line("    garnish: [%s]", strings.Join(s.Garnish, ", "))
	}
	if len(s.MayReplace) > 0 {
		line("    may_replace:")
		for _, r := range s.MayReplace {
			line("      - {from: %s, to: %s}", r.From, r.To)
		}
	}
	if len(s.Cautions) > 0 {
		line("    cautions:")
		for _, text := range s.Cautions {
			line("      - %s", strconv.Quote(text))
		}
	}
	return w.String()
}

// written is an ingredient as a book writes it: the serving's milk goes by "milk".
func (s *Serving) written(ingredient string) string {
	if ingredient != "" && ingredient == s.Milk {
		return milkWord
	}
	return ingredient
}

func stepYAML(s *Serving, i int) string {
	step := &s.Steps[i]
	out := []string{"act: " + step.Act}
	if step.ID != step.Act {
		out = append([]string{"id: " + step.ID}, out...)
	}
	if step.Ingredient != "" {
		out = append(out, "ingredient: "+s.written(step.Ingredient))
	}
	if step.Text != "" {
		out = append(out, "text: "+strconv.Quote(step.Text))
	}
	usual := i == 0 && len(step.After) == 0 || i > 0 && len(step.After) == 1 && step.After[0] == s.Steps[i-1].ID
	if !usual {
		out = append(out, "after: ["+strings.Join(step.After, ", ")+"]")
	}
	if step.Criticality != Quality {
		out = append(out, "criticality: "+step.Criticality.String())
	}
	if step.Optional {
		out = append(out, "optional: true")
	}
	if len(out) == 1 {
		return step.Act
	}
	return "{" + strings.Join(out, ", ") + "}"
}

// checkYAML writes a check; nothing for one that the house pull gives.
func (b *Book) checkYAML(s *Serving, k *Check) string {
	m := MeasureByCode(k.Measure)
	if m == nil {
		return ""
	}
	fromHouse := func(h Check) bool { return h.ID == k.ID && describe(&h) == describe(k) }
	if s.Shots > 0 && slices.ContainsFunc(b.House.Pull.Checks, fromHouse) {
		return ""
	}
	say := func(v Milli) string { return FormatQuantity(v, m.Unit) }
	var out []string
	add := func(key, value string) { out = append(out, key+": "+value) }
	if k.ID != k.Measure {
		add("measure", k.Measure)
	}
	add("target", say(k.Target))
	switch {
	case k.Low != NoLow && k.High != NoHigh && k.Target-k.Low == k.High-k.Target:
		add("within", say(k.High-k.Target))
	default:
		if k.Low != NoLow {
			add("low", say(k.Low))
		}
		if k.High != NoHigh {
			add("high", say(k.High))
		}
	}
	if k.HasHardHigh() && (k.Measure != "milk_temp" || k.HardHigh != b.House.MilkMax) {
		add("hard_high", say(k.HardHigh))
	}
	if k.Criticality != m.Criticality {
		add("criticality", k.Criticality.String())
	}
	if word := map[Need]string{Optional: "optional", Always: "always"}[k.Need]; word != "" {
		add("need", word)
	}
	usual := 1
	if m.PerPull {
		usual = max(1, b.Pulls(s))
	}
	if k.Occurrences != usual {
		add("occurrences", fmt.Sprint(k.Occurrences))
	}
	if k.Resolution != m.Resolution {
		add("resolution", say(k.Resolution))
	}
	return k.ID + ": {" + strings.Join(out, ", ") + "}"
}

// String words a proposal: what holds, what cannot, and the facts side by side.
func (p Proposal) String() string {
	var w strings.Builder
	fmt.Fprintf(&w, "%s: %s -> %s\n", p.Old.ID, p.Old.Vessel, p.New.Vessel)
	list := func(head string, lines []string) {
		if len(lines) == 0 {
			lines = []string{"nothing"}
		}
		fmt.Fprintf(&w, "\n%s\n", head)
		for _, text := range lines {
			fmt.Fprintf(&w, "  %s\n", text)
		}
	}
	list("Holds", p.Holds)
	list("Cannot hold, or needs a hand", p.Cannot)
	w.WriteString("\n" + p.sideBySide())
	return w.String()
}

// sideBySide sets the facts of both servings in two columns.
func (p Proposal) sideBySide() string {
	rows := [][3]string{{"", p.Old.Vessel, p.New.Vessel}, {"shots", fmt.Sprint(p.Old.Shots), fmt.Sprint(p.New.Shots)}}
	for i := range p.New.Parts {
		rows = append(rows, [3]string{p.New.Parts[i].Ingredient, partText(p.Old.Parts[i]), partText(p.New.Parts[i])})
	}
	if p.Old.Air > 0 || p.New.Air > 0 {
		rows = append(rows, [3]string{"air of the hot milk", (p.Old.Air * 100).String() + " %", (p.New.Air * 100).String() + " %"})
	}
	rows = append(rows, [3]string{"rim gap", fmt.Sprintf("%.1f mm", p.OldFacts.RimGapMM), fmt.Sprintf("%.1f mm", p.NewFacts.RimGapMM)})
	old := factLines(p.OldFacts)
	for _, l := range factLines(p.NewFacts) {
		was := "none"
		for _, o := range old {
			if o.label == l.label {
				was = o.text
			}
		}
		rows = append(rows, [3]string{l.label, was, l.text})
	}
	var wide [2]int
	for _, r := range rows {
		for i := range wide {
			wide[i] = max(wide[i], utf8.RuneCountInString(r[i])+2)
		}
	}
	var w strings.Builder
	for _, r := range rows {
		fmt.Fprintf(&w, "%-*s%-*s%s\n", wide[0], r[0], wide[1], r[1], r[2])
	}
	return w.String()
}
