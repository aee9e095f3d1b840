package drink

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
)

// factLine is one derived fact as a person reads it.
type factLine struct{ label, text string }

// factLines lists the facts that a change of book may move, rounded to what a
// person at the counter can tell apart: smaller differences are none.
func factLines(f Facts) []factLine {
	round := func(v float64, digits int) string {
		text := fmt.Sprintf("%.*f", digits, v)
		if strings.Trim(text, "-0.") == "" {
			text = strings.TrimPrefix(text, "-")
		}
		return text
	}
	out := []factLine{
		{"fill", round(f.FillML, 0) + " ml"},
		{"headspace", round(f.HeadspaceML, 0) + " ml"},
	}
	if f.CoffeeGrams > 0 {
		out = append(out, factLine{"coffee", round(f.CoffeeGrams, 0) + " g"})
		if f.FillML > 0 {
			out = append(out, factLine{"coffee's share of the cup", round(100*f.CoffeeGrams/f.FillML, 1) + " %"})
		}
	}
	if f.StrengthPercent > 0 {
		out = append(out, factLine{"strength", round(f.StrengthPercent, 2) + " %"})
	}
	if f.FrothVolumeML > 0 {
		out = append(out, factLine{"froth as it comes", round(f.FrothDepthMM, 0) + " mm"})
	}
	handover := "not known"
	if f.HandoverKnown {
		handover = fmt.Sprintf("%.0f to %.0f °C", f.HandoverC.Low, f.HandoverC.High)
	}
	out = append(out, factLine{"handover", handover})
	if f.CaffeineMg.Mid > 0 {
		text := fmt.Sprintf("%.0f mg (%.0f to %.0f)", f.CaffeineMg.Mid, f.CaffeineMg.Low, f.CaffeineMg.High)
		if f.OverSingleDose {
			text += ", over a single dose"
		}
		out = append(out, factLine{"caffeine", text})
	}
	energy := "not known"
	if f.EnergyKnown {
		energy = fmt.Sprintf("%.0f kJ / %.0f kcal", f.EnergyKJ, f.EnergyKcal)
	}
	out = append(out, factLine{"energy", energy})
	cost := "not known"
	if f.CostKnown {
		cost = fmt.Sprintf("%.2f %s", math.Round(float64(f.CostMilli)/10)/100, f.Currency)
	}
	return append(out, factLine{"cost", cost})
}

// lineDiff sets two lists of facts against each other.
func lineDiff(serving string, old, now []factLine) []Effect {
	find := func(lines []factLine, label string) string {
		for _, l := range lines {
			if l.label == label {
				return l.text
			}
		}
		return "none"
	}
	var out []Effect
	for _, l := range now {
		if was := find(old, l.label); was != l.text {
			out = append(out, Effect{serving, l.label, was, l.text})
		}
	}
	for _, l := range old {
		if find(now, l.label) == "none" {
			out = append(out, Effect{serving, l.label, l.text, "none"})
		}
	}
	return out
}

// allergenEffects names what a serving gains and loses.
func allergenEffects(serving string, old, now AllergenStatement) []Effect {
	var out []Effect
	for _, list := range []struct {
		fact     string
		old, new []string
	}{
		{"contains", old.Contains, now.Contains},
		{"may contain", old.MayContain, now.MayContain},
		{"unknown for", old.Unknown, now.Unknown},
	} {
		for _, c := range listDiff(list.old, list.new) {
			switch {
			case c.New != "":
				out = append(out, Effect{serving, "now " + list.fact, "", c.New})
			case list.fact == "may contain" && slices.Contains(now.Contains, c.Old):
				// It did not go: the serving contains it now.
			case list.fact != "unknown for" && len(now.Unknown) > 0:
				// What nobody declares any longer is unknown, never gone.
				out = append(out, Effect{serving, "no longer declared: " + list.fact, c.Old, ""})
			default:
				out = append(out, Effect{serving, "no longer " + list.fact, c.Old, ""})
			}
		}
	}
	return out
}

// String words an effect without its serving.
func (e Effect) String() string {
	switch {
	case e.Old == "":
		return e.Fact + " " + e.New
	case e.New == "":
		return e.Fact + " " + e.Old
	}
	return e.Fact + " " + e.Old + " -> " + e.New
}

// effector puts effects under their causes.
type effector struct {
	d *differ
	// movers are the changes that can move a class of facts of a serving.
	movers map[moverKey][]int
	// together are the entries for causes that act jointly.
	together map[string]int
}

type moverKey struct {
	class   moves
	serving string
}

// effects puts what moves in each serving under its cause: the one change that
// can have moved it, or an entry of its own where several did so together.
func (d *differ) effects() {
	e := effector{d: d, movers: map[moverKey][]int{}, together: map[string]int{}}
	for i, c := range d.changes {
		for _, class := range []moves{movesFacts, movesAllergens} {
			if c.moves&class == 0 {
				continue
			}
			for _, id := range c.Reaches {
				e.movers[moverKey{class, id}] = append(e.movers[moverKey{class, id}], i)
			}
		}
	}
	before, after := NewDeriver(d.old), NewDeriver(d.new)
	for _, p := range d.pairs {
		was, errOld := before.Facts(p.old)
		is, errNew := after.Facts(p.new)
		var facts []Effect
		switch {
		case errOld == nil && errNew == nil:
			facts = lineDiff(p.new.ID, factLines(was), factLines(is))
		case errNew != nil && errOld == nil:
			facts = []Effect{{p.new.ID, "derived facts", "known", "not to be had: " + errNew.Error()}}
		case errOld != nil && errNew == nil:
			facts = []Effect{{p.new.ID, "derived facts", "not to be had", "known"}}
		}
		e.attach(p.new.ID, facts, movesFacts)
		e.attach(p.new.ID, allergenEffects(p.new.ID, d.old.Allergens(p.old), d.new.Allergens(p.new)), movesAllergens)
	}
}

func (e *effector) attach(serving string, effects []Effect, class moves) {
	if len(effects) == 0 {
		return
	}
	d, movers := e.d, e.movers[moverKey{class, serving}]
	if len(movers) == 1 {
		c := &d.changes[movers[0]]
		c.Effects = append(c.Effects, effects...)
		c.Safety = c.Safety || class == movesAllergens
		return
	}
	// Shared causes that act together on many servings stay one entry.
	key, subject := fmt.Sprint(class, movers), serving
	own := slices.ContainsFunc(movers, func(i int) bool { return d.changes[i].Kind == FieldChange })
	if own || len(movers) == 0 {
		key += serving
	} else {
		var names []string
		for _, i := range movers {
			names = append(names, d.changes[i].Subject+" "+d.changes[i].Field)
		}
		subject = strings.Join(names, " and ")
	}
	i, ok := e.together[key]
	if !ok {
		i = len(d.changes)
		e.together[key] = i
		d.add(Change{Kind: Derived, Subject: subject, Safety: class == movesAllergens})
	}
	d.changes[i].Reaches = append(d.changes[i].Reaches, serving)
	d.changes[i].Effects = append(d.changes[i].Effects, effects...)
}

// WriteChanges words changes for a person: a line each, and beneath it what
// follows from it, a line for each serving.
func WriteChanges(out io.Writer, changes []Change) error {
	var w strings.Builder
	for _, c := range changes {
		w.WriteString(c.String() + "\n")
		for i := 0; i < len(c.Effects); {
			serving := c.Effects[i].Serving
			var parts []string
			for ; i < len(c.Effects) && c.Effects[i].Serving == serving; i++ {
				parts = append(parts, c.Effects[i].String())
			}
			w.WriteString("    so ")
			if len(c.Reaches) > 1 || c.Subject != serving {
				w.WriteString(serving + ": ")
			}
			w.WriteString(strings.Join(parts, "; ") + "\n")
		}
	}
	_, err := io.WriteString(out, w.String())
	return err
}
