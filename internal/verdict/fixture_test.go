package verdict_test

import (
	"fmt"
	"testing"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// latte is a serving with 12 readings and 8 steps, typical in size, with
// limits of every sort. Its figures are invented.
func latte() drink.Serving {
	check := func(id, measure string, low, target, high drink.Milli, c drink.Criticality, n drink.Need, times int) drink.Check {
		return drink.Check{ID: id, Measure: measure, Low: low, Target: target, High: high, Criticality: c, Need: n,
			Occurrences: times, Resolution: drink.MeasureByCode(measure).Resolution}
	}
	s := drink.Serving{
		ID: "latte/m/whole", Drink: "latte", Size: "m", Milk: "whole", Vessel: "c350", Shots: 2,
		Garnish:    []string{"cocoa"},
		MayReplace: []drink.Substitution{{From: "whole", To: "oat"}, {From: "cocoa", To: "cinnamon"}},
		Checks: []drink.Check{
			check("dose", "dose", 19_500, 20_000, 20_500, drink.Quality, drink.Always, 2),
			check("yield", "yield", 38_000, 40_000, 42_000, drink.Quality, drink.Always, 2),
			check("shot_time", "shot_time", 26_000, 29_000, 32_000, drink.Quality, drink.Always, 2),
			check("milk_temp", "milk_temp", 55_000, 60_000, 65_000, drink.Safety, drink.Always, 1),
			check("milk_volume", "milk_volume", 200_000, 210_000, 220_000, drink.Quality, drink.WhenSampled, 1),
			check("froth_depth", "froth_depth", 8_000, 10_000, 12_000, drink.Quality, drink.WhenSampled, 1),
			check("pour_start", "pour_height", 40_000, 50_000, 60_000, drink.Appearance, drink.Optional, 1),
			check("pour_end", "pour_height", drink.NoLow, 10_000, 20_000, drink.Appearance, drink.Optional, 1),
			check("cup_mass", "cup_mass", 250_000, 260_000, drink.NoHigh, drink.Quality, drink.WhenSampled, 1),
		},
	}
	for i, act := range []string{"warm", "pull", "add_milk", "steam", "wipe", "swirl", "pour", "garnish"} {
		st := drink.Step{ID: act, Act: act, Criticality: drink.Quality}
		if i > 0 {
			st.After = []string{s.Steps[i-1].ID}
		}
		s.Steps = append(s.Steps, st)
	}
	s.Steps[0].Optional = true
	s.Steps[4].Criticality = drink.Safety
	return s
}

func compile(t testing.TB, s drink.Serving) *verdict.Checker {
	t.Helper()
	c, err := verdict.Compile(&s)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func judge(c *verdict.Checker, b drink.Build) verdict.Verdict {
	var v verdict.Verdict
	c.Judge(&b, &v)
	return v
}

// kinds writes a verdict as "grade: kind(subject) kind(subject)".
func kinds(v verdict.Verdict) string {
	text := v.Grade.String() + ":"
	for _, f := range v.Findings {
		subject := f.Check + f.Step
		if f.Occurrence > 1 {
			subject += fmt.Sprint(" ", f.Occurrence)
		}
		text += " " + f.Kind.String() + "(" + subject + ")"
	}
	return text
}

func reading(b *drink.Build, check string, n int) *drink.Reading {
	for i := range b.Readings {
		if b.Readings[i].Check == check && b.Readings[i].Occurrence == n {
			return &b.Readings[i]
		}
	}
	panic("no reading " + check)
}

// steam is a quality tolerance under a hard maximum that only the upper end
// concerns, read by half degrees: common practice, no source.
var steam = drink.Check{ID: "steam", Measure: "milk_temp", Low: 57_000, Target: 60_000, High: 63_000, HardHigh: 65_000,
	Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 500}
