package bench

import (
	"fmt"
	"slices"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// typical is a serving with 12 readings and 8 steps, all of them needed and
// the steps in one fixed order, so that the peers can say it too. Its figures
// are invented.
func typical() drink.Serving {
	check := func(measure string, low, target, high drink.Milli, times int) drink.Check {
		m := drink.MeasureByCode(measure)
		return drink.Check{ID: measure, Measure: measure, Low: low, Target: target, High: high, Criticality: m.Criticality,
			Need: drink.Always, Occurrences: times, Resolution: m.Resolution}
	}
	s := drink.Serving{
		ID: "latte/m/whole", Drink: "latte", DrinkName: "Latte", Size: "m", Milk: "whole", Vessel: "c350", Shots: 2,
		Garnish: []string{"cocoa"},
		Checks: []drink.Check{
			check("dose", 19_500, 20_000, 20_500, 2),
			check("yield", 38_000, 40_000, 42_000, 2),
			check("shot_time", 26_000, 29_000, 32_000, 2),
			check("milk_temp", 55_000, 60_000, 65_000, 1),
			check("milk_volume", 200_000, 210_000, 220_000, 1),
			check("froth_depth", 8_000, 10_000, 12_000, 1),
			check("pour_height", 40_000, 50_000, 60_000, 1),
			check("cup_mass", 250_000, 260_000, 270_000, 1),
			check("serve_temp", 50_000, 57_000, 65_000, 1),
		},
	}
	for i, act := range []string{"warm", "pull", "add_milk", "steam", "wipe", "swirl", "pour", "garnish"} {
		step := drink.Step{ID: act, Act: act, Criticality: drink.Quality}
		if i > 0 {
			step.After = []string{s.Steps[i-1].ID}
		}
		s.Steps = append(s.Steps, step)
	}
	return s
}

type variation struct {
	name  string
	build drink.Build
}

// variations are builds of a serving: to the letter, on every limit, a
// thousandth beyond each, and with one fault of each sort.
func variations(s *drink.Serving) []variation {
	var out []variation
	add := func(name string, change func(*drink.Build)) {
		b := verdict.Exemplar(s)
		change(&b)
		out = append(out, variation{name, b})
	}
	add("nothing wrong", func(*drink.Build) {})
	i := 0
	for _, c := range s.Checks {
		for n := 1; n <= c.Occurrences; n++ {
			at := i
			for _, value := range []drink.Milli{c.Low, c.High, c.Low - 1, c.High + 1} {
				add(fmt.Sprintf("%s %d at %s", c.ID, n, value), func(b *drink.Build) { b.Readings[at].Value = value })
			}
			add(fmt.Sprintf("no %s %d", c.ID, n), func(b *drink.Build) { b.Readings = slices.Delete(b.Readings, at, at+1) })
			add(fmt.Sprintf("%s %d twice", c.ID, n), func(b *drink.Build) { b.Readings = append(b.Readings, b.Readings[at]) })
			add(fmt.Sprintf("%s %d in another unit", c.ID, n), func(b *drink.Build) { b.Readings[at].Unit = "[oz_av]" })
			add(fmt.Sprintf("%s %d under another name", c.ID, n), func(b *drink.Build) { b.Readings[at].Check = "tds" })
			i++
		}
	}
	for k := range s.Steps {
		add("no "+s.Steps[k].ID, func(b *drink.Build) { b.Steps = slices.Delete(b.Steps, k, k+1) })
		if k > 0 {
			add(s.Steps[k].ID+" too early", func(b *drink.Build) {
				b.Steps[k].Step, b.Steps[k-1].Step = b.Steps[k-1].Step, b.Steps[k].Step
			})
		}
	}
	add("another vessel", func(b *drink.Build) { b.Vessel = "p350" })
	add("another milk", func(b *drink.Build) { b.Milk = "oat" })
	add("a shot more", func(b *drink.Build) { b.Shots++ })
	add("no garnish", func(b *drink.Build) { b.Garnish = nil })
	add("another garnish", func(b *drink.Build) { b.Garnish = []string{"cinnamon"} })
	return out
}

// key names a reading in the peers' input.
func key(check string, n int) string { return fmt.Sprintf("%s_%d", check, n) }
