package verdict_test

import (
	"fmt"
	"slices"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// outline writes findings as "kind criticality subject number got", sorted, as
// slowly does.
func outline(v verdict.Verdict) []string {
	out := []string{v.Grade.String()}
	for _, f := range v.Findings {
		out = append(out, fmt.Sprint(f.Kind, " ", f.Criticality, " ", f.Check, f.Step, " ", f.Occurrence, " ", f.Got))
	}
	slices.Sort(out)
	return out
}

// slowly judges by the letter of the rules, one question at a time, sharing no
// code with the checker.
func slowly(s *drink.Serving, b *drink.Build) []string {
	var out []string
	unsafe, unknown := false, false
	note := func(kind string, c drink.Criticality, subject string, n int, got string) {
		out = append(out, fmt.Sprint(kind, " ", c, " ", subject, " ", n, " ", got))
		if c == drink.Safety {
			switch kind {
			case "unconfirmed", "missing_reading", "duplicate_reading", "unknown_reading", "impossible_value", "wrong_unit":
				unknown = true
			default:
				unsafe = true
			}
		}
	}
	if b.Vessel != s.Vessel {
		note("wrong_vessel", drink.Quality, "", 0, b.Vessel)
	}
	if b.Shots != s.Shots {
		note("wrong_shots", drink.Quality, "", 0, "")
	}
	slowTimes(b, note)
	slowIngredients(s, b, note)
	slowSteps(s, b, note)
	slowReadings(s, b, note)
	grade := "in_spec"
	switch {
	case unsafe:
		grade = "unsafe"
	case unknown:
		grade = "unknown"
	case len(out) > 0:
		grade = "off_spec"
	}
	out = append(out, grade)
	slices.Sort(out)
	return out
}

type noteFunc func(kind string, c drink.Criticality, subject string, n int, got string)

func slowTimes(b *drink.Build, note noteFunc) {
	if b.FinishedAt.Before(b.StartedAt) {
		note("time_impossible", drink.Quality, "", 0, "")
	}
	end := b.FinishedAt
	if end.Before(b.StartedAt) {
		end = b.StartedAt
	}
	for _, st := range b.Steps {
		if b.StartedAt.Add(st.At).After(end.Add(verdict.StampGrain)) {
			note("time_impossible", drink.Quality, st.Step, 0, "")
			break
		}
	}
	for i := 1; i < len(b.Steps); i++ {
		if b.Steps[i].At < b.Steps[i-1].At {
			note("time_impossible", drink.Quality, b.Steps[i].Step, 0, "")
			break
		}
	}
}

func slowIngredients(s *drink.Serving, b *drink.Build, note noteFunc) {
	acceptable := map[string]bool{}
	garnish := map[string]string{}
	for _, g := range s.Garnish {
		garnish[g] = g
	}
	for _, sub := range b.Substitutions {
		allowed := false
		for _, may := range s.MayReplace {
			allowed = allowed || may == sub
		}
		if !allowed {
			note("substitution_not_allowed", drink.Safety, "", 0, sub.To)
		}
		if s.Milk != "" && sub.From == s.Milk {
			acceptable[sub.To] = true
		}
		if garnish[sub.From] == sub.From && sub.From != "" {
			garnish[sub.To] = sub.From
		}
	}
	if len(acceptable) == 0 {
		acceptable[s.Milk] = true
	}
	if !acceptable[b.Milk] {
		note("wrong_milk", drink.Safety, "", 0, b.Milk)
	}
	for _, g := range s.Garnish {
		there := slices.Contains(b.Garnish, g)
		for _, sub := range b.Substitutions {
			there = there || sub.From == g && slices.Contains(b.Garnish, sub.To)
		}
		if !there {
			note("garnish_missing", drink.Appearance, "", 0, "")
		}
	}
	for _, g := range b.Garnish {
		if garnish[g] == "" {
			note("garnish_unexpected", drink.Safety, "", 0, g)
		}
	}
}

func slowSteps(s *drink.Serving, b *drink.Build, note noteFunc) {
	position := map[string]int{}
	times := map[string]int{}
	for i, st := range b.Steps {
		if times[st.Step]++; times[st.Step] == 1 {
			position[st.Step] = i
		}
	}
	byID := map[string]drink.Step{}
	for _, st := range s.Steps {
		byID[st.ID] = st
	}
	// before lists the logged steps that come directly before one, looking
	// through those left out.
	var before func(id string) []string
	before = func(id string) (list []string) {
		for _, p := range byID[id].After {
			if times[p] > 0 {
				list = append(list, p)
			} else {
				list = append(list, before(p)...)
			}
		}
		return list
	}
	for _, st := range s.Steps {
		if times[st.ID] == 0 {
			if !st.Optional {
				note("step_missing", st.Criticality, st.ID, 0, "")
			}
			continue
		}
		for _, p := range before(st.ID) {
			if position[p] > position[st.ID] {
				note("step_out_of_order", st.Criticality, st.ID, 0, "")
				break
			}
		}
		if times[st.ID] > 1 {
			note("step_repeated", min(st.Criticality, drink.Quality), st.ID, 0, "")
		}
	}
	for _, st := range b.Steps {
		if byID[st.Step].ID == "" {
			note("step_unknown", drink.Quality, st.Step, 0, "")
		}
	}
}

func slowReadings(s *drink.Serving, b *drink.Build, note noteFunc) {
	for _, r := range b.Readings {
		i := slices.IndexFunc(s.Checks, func(c drink.Check) bool { return c.ID == r.Check })
		if i < 0 {
			note("unknown_reading", drink.Quality, r.Check, r.Occurrence, string(r.Unit))
			continue
		}
		c := s.Checks[i]
		m := drink.MeasureByCode(c.Measure)
		hard := c.HardHigh != drink.NoHigh && c.HardHigh != 0
		blind := c.Criticality
		if hard {
			blind = drink.Safety
		}
		coarse := r.Resolution > c.Resolution
		below, above := c.Low != drink.NoLow && r.Value < c.Low, c.High != drink.NoHigh && r.Value > c.High
		lowBreach := c.Low != drink.NoLow && 2*(r.Value-c.Low) <= r.Resolution
		highBreach := c.High != drink.NoHigh && 2*(c.High-r.Value) <= r.Resolution
		switch {
		case r.Occurrence < 1 || r.Occurrence > c.Occurrences:
			note("unknown_reading", blind, r.Check, r.Occurrence, "")
		case r.Unit != m.Unit:
			note("wrong_unit", blind, r.Check, r.Occurrence, string(r.Unit))
		case r.Value < m.Least || r.Value > m.Most:
			note("impossible_value", blind, r.Check, r.Occurrence, "")
		case hard && r.Value > c.HardHigh:
			note("above_tolerance", drink.Safety, r.Check, r.Occurrence, "")
		default:
			if below {
				note("below_tolerance", c.Criticality, r.Check, r.Occurrence, "")
			}
			if above {
				note("above_tolerance", c.Criticality, r.Check, r.Occurrence, "")
			}
			unsafe := c.Criticality == drink.Safety && (below || above)
			mayBreach := c.Criticality == drink.Safety && (lowBreach || highBreach) ||
				hard && 2*(c.HardHigh-r.Value) <= r.Resolution
			if coarse && !unsafe && mayBreach {
				note("unconfirmed", drink.Safety, r.Check, r.Occurrence, "")
			}
		}
	}
	for _, c := range s.Checks {
		blind := c.Criticality
		if c.HardHigh != drink.NoHigh && c.HardHigh != 0 {
			blind = drink.Safety
		}
		for n := 1; n <= c.Occurrences; n++ {
			found := 0
			for _, r := range b.Readings {
				if r.Check == c.ID && r.Occurrence == n {
					found++
				}
			}
			if found > 1 {
				note("duplicate_reading", blind, c.ID, n, "")
			}
			if found == 0 && (c.Need == drink.Always || c.Need == drink.WhenSampled && b.Sampled) {
				note("missing_reading", blind, c.ID, n, "")
			}
		}
	}
}
