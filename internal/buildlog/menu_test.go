package buildlog_test

import (
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
)

// example is a serving of the counter's book made wrong in one point. The
// point is what the counter's menu states of the drink: common practice, no
// source.
type example struct {
	name, serving string
	change        func(*drink.Build)
	// want is the one finding: kind and what it is about.
	want string
}

func value(check string, n int, v drink.Milli) func(*drink.Build) {
	return func(b *drink.Build) {
		for i := range b.Readings {
			if r := &b.Readings[i]; r.Check == check && r.Occurrence == n {
				r.Value = v
				return
			}
		}
		panic("no reading of " + check)
	}
}

// earlier moves a step to stand right before another; times stay in order.
func earlier(step, before string) func(*drink.Build) {
	return func(b *drink.Build) {
		i, j := stepIndex(b, step), stepIndex(b, before)
		for k := i; k > j; k-- {
			b.Steps[k].Step = b.Steps[k-1].Step
		}
		b.Steps[j].Step = step
	}
}

func without(step string) func(*drink.Build) {
	return func(b *drink.Build) {
		i := stepIndex(b, step)
		b.Steps = slices.Delete(b.Steps, i, i+1)
	}
}

func stepIndex(b *drink.Build, step string) int {
	i := slices.IndexFunc(b.Steps, func(s drink.StepLog) bool { return s.Step == step })
	if i < 0 {
		panic("no step " + step)
	}
	return i
}

func shots(n int) func(*drink.Build)      { return func(b *drink.Build) { b.Shots = n } }
func vessel(id string) func(*drink.Build) { return func(b *drink.Build) { b.Vessel = id } }
func plain(b *drink.Build)                { b.Garnish = nil }

// menu breaks each line of the counter's menu.
var menu = []example{
	{"espresso under 26 s", "espresso/single", value("shot_time", 1, 25_900), "below_tolerance shot_time"},
	{"espresso over 32 s", "espresso/double", value("shot_time", 1, 32_100), "above_tolerance shot_time"},
	{"espresso short of 40 g", "espresso/double", value("yield", 1, 37_900), "below_tolerance yield"},
	{"espresso long of 40 g", "espresso/single", value("yield", 1, 42_100), "above_tolerance yield"},
	{"espresso from less than the 20 g basket", "espresso/double", value("dose", 1, 18_000), "below_tolerance dose"},
	{"both spouts in a single", "espresso/single", shots(2), "wrong_shots "},
	{"one spout in a double", "espresso/double", shots(1), "wrong_shots "},
	{"long black with the coffee first", "long-black/cup", earlier("pull", "add_water"), "step_out_of_order pull"},
	{"long black with too little water", "long-black/cup", value("water_volume", 1, 100_000), "below_tolerance water_volume"},
	{"long black on a single", "long-black/cup", shots(1), "wrong_shots "},
	{"americano with the water first", "americano/cup", earlier("add_water", "dose"), "step_out_of_order add_water"},
	{"americano on a single", "americano/cup", shots(1), "wrong_shots "},
	{"flat white with a latte's froth", "flat-white/cup", value("froth_depth", 1, 10_000), "above_tolerance froth_depth"},
	{"flat white on a double", "flat-white/cup", shots(2), "wrong_shots "},
	{"flat white poured from too close", "flat-white/cup", value("pour_height", 1, 20_000), "below_tolerance pour_height"},
	{"flat white's pattern poured from too far", "flat-white/cup", value("pour_height_end", 1, 50_000), "above_tolerance pour_height_end"},
	{"latte with a flat white's froth", "latte/glass", value("froth_depth", 1, 5_000), "below_tolerance froth_depth"},
	{"latte in a flat white's cup", "latte/glass", vessel("cup"), "wrong_vessel "},
	{"latte poured from too far", "latte/glass", value("pour_height", 1, 80_000), "above_tolerance pour_height"},
	{"latte's pattern poured from too far", "latte/glass", value("pour_height_end", 1, 30_000), "above_tolerance pour_height_end"},
	{"latte poured before the shot", "latte/glass", earlier("pour", "pull"), "step_out_of_order pour"},
	{"cappuccino with a latte's froth", "cappuccino/cup", value("froth_depth", 1, 10_000), "below_tolerance froth_depth"},
	{"cappuccino level with the rim", "cappuccino/cup", value("froth_above_rim", 1, 0), "below_tolerance froth_above_rim"},
	{"cappuccino poured from a height", "cappuccino/cup", value("pour_height", 1, 50_000), "above_tolerance pour_height"},
	{"cappuccino without chocolate", "cappuccino/cup", plain, "garnish_missing chocolate-powder"},
	{"hot chocolate with the powder after the steam", "hot-chocolate/glass", earlier("steam", "add"), "step_out_of_order steam"},
	{"hot chocolate without powder on top", "hot-chocolate/glass", plain, "garnish_missing chocolate-powder"},
	{"hot chocolate with coffee", "hot-chocolate/glass", shots(1), "wrong_shots "},
	{"hot chocolate with thick froth", "hot-chocolate/glass", value("froth_depth", 1, 15_000), "above_tolerance froth_depth"},
	{"mocha without coffee", "mocha/glass", shots(0), "wrong_shots "},
	{"mocha without chocolate in the milk", "mocha/glass", without("add"), "step_missing add"},
	{"mocha without chocolate on top", "mocha/glass", plain, "garnish_missing chocolate-powder"},
	{"chai steeped too short", "chai-latte/glass", value("steep_time", 1, 30_000), "below_tolerance steep_time"},
	{"chai steeped too long", "chai-latte/glass", value("steep_time", 1, 120_000), "above_tolerance steep_time"},
	{"chai with the milk before the steep", "chai-latte/glass", earlier("add_milk", "steep"), "step_out_of_order add_milk"},
	{"chai not strained", "chai-latte/glass", without("strain"), "step_missing strain"},
	{"chai with the wand not wiped", "chai-latte/glass", without("wipe"), "step_missing wipe"},
	{"chai with coffee", "chai-latte/glass", shots(1), "wrong_shots "},
	{"chai without cinnamon sugar", "chai-latte/glass", plain, "garnish_missing cinnamon-sugar"},
	{"dirty chai without coffee", "dirty-chai/glass", shots(0), "wrong_shots "},
	{"dirty chai on a double", "dirty-chai/glass", shots(2), "wrong_shots "},
	{"dirty chai with the coffee last", "dirty-chai/glass", earlier("strain", "pull"), "step_out_of_order strain"},
	{"macchiato with more than a dash", "macchiato/single", value("milk_volume", 1, 40_000), "above_tolerance milk_volume"},
	{"macchiato without froth", "macchiato/single", value("froth_depth", 1, 0), "below_tolerance froth_depth"},
	{"macchiato on a double", "macchiato/single", shots(2), "wrong_shots "},
	{"affogato with two scoops", "affogato/glass", value("scoops", 1, 2_000), "above_tolerance scoops"},
	{"affogato with the coffee under the scoop", "affogato/glass", earlier("pull", "scoop"), "step_out_of_order pull"},
	{"affogato on a single", "affogato/glass", shots(1), "wrong_shots "},
	{"flat white in the mug with one shot", "flat-white/mug", shots(1), "wrong_shots "},
	{"latte in the mug with one shot", "latte/mug", shots(1), "wrong_shots "},
	{"cappuccino in the mug with one shot", "cappuccino/mug", shots(1), "wrong_shots "},
	{"mocha in the mug with one shot", "mocha/mug", shots(1), "wrong_shots "},
	{"dirty chai in the mug with one shot", "dirty-chai/mug", shots(1), "wrong_shots "},
}

const latteGlass = "latte/glass"

// faults has one build for every kind of finding.
var faults = []example{
	{"a serving of no book", latteGlass, func(b *drink.Build) { b.Serving = "latte/bucket" }, "serving_unknown latte/bucket"},
	{"a start in the future", latteGlass, func(b *drink.Build) { moveDay(b, 1) }, "time_impossible "},
	{"an ancient start", latteGlass, func(b *drink.Build) { moveDay(b, -500) }, "time_impossible "},
	{"a step before the one before it", latteGlass, func(b *drink.Build) { b.Steps[2].At = 0 }, "time_impossible steam"},
	{"another vessel", latteGlass, vessel("mug"), "wrong_vessel "},
	{"another milk", latteGlass, func(b *drink.Build) { b.Milk = "oat-drink" }, "wrong_milk oat-drink"},
	{"a shot more", latteGlass, shots(2), "wrong_shots "},
	{"a replacement nobody allowed", latteGlass, func(b *drink.Build) {
		b.Milk, b.Substitutions = "nut-drink", []drink.Substitution{{From: "whole-milk", To: "nut-drink"}}
	}, "substitution_not_allowed nut-drink"},
	{"no garnish", "mocha/glass", plain, "garnish_missing chocolate-powder"},
	{"a garnish of another drink", latteGlass, func(b *drink.Build) { b.Garnish = []string{"cinnamon-sugar"} }, "garnish_unexpected cinnamon-sugar"},
	{"a step left out", latteGlass, without("wipe"), "step_missing wipe"},
	{"a step too early", latteGlass, earlier("pull", "dose"), "step_out_of_order pull"},
	{"a step again", latteGlass, func(b *drink.Build) { b.Steps = slices.Insert(b.Steps, 1, b.Steps[1]) }, "step_repeated pull"},
	{"a step of another drink", latteGlass, func(b *drink.Build) {
		b.Steps[0].Step = "lid"
		b.Steps = slices.Insert(b.Steps, 1, drink.StepLog{Step: "dose"})
	}, "step_unknown lid"},
	{"below", latteGlass, value("shot_time", 1, 22_000), "below_tolerance shot_time"},
	{"above", latteGlass, value("milk_temp", 1, 70_500), "above_tolerance milk_temp"},
	{"above the tolerance, not the hard maximum", latteGlass, value("milk_temp", 1, 64_500), "above_tolerance milk_temp"},
	{"a safety value that a coarse probe cannot confirm", latteGlass, func(b *drink.Build) {
		value("milk_temp", 1, 63_000)(b)
		b.Readings[readingIndex(b, "milk_temp")].Resolution = 5_000
	}, "unconfirmed milk_temp"},
	{"no reading", latteGlass, func(b *drink.Build) { i := readingIndex(b, "yield"); b.Readings = slices.Delete(b.Readings, i, i+1) }, "missing_reading yield"},
	{"a reading twice", latteGlass, func(b *drink.Build) { b.Readings = append(b.Readings, b.Readings[readingIndex(b, "dose")]) }, "duplicate_reading dose"},
	{"a reading of another drink", latteGlass, func(b *drink.Build) {
		b.Readings = append(b.Readings, drink.Reading{Check: "steep_time", Occurrence: 1, Value: 60_000, Unit: drink.Second})
	}, "unknown_reading steep_time"},
	{"a slip of the finger", latteGlass, value("dose", 1, 200_000), "impossible_value dose"},
	{"a negative weight", latteGlass, value("yield", 1, -40_000), "impossible_value yield"},
	{"another unit", latteGlass, func(b *drink.Build) { b.Readings[readingIndex(b, "milk_temp")].Unit = "[degF]" }, "wrong_unit milk_temp"},
}

func readingIndex(b *drink.Build, check string) int {
	return slices.IndexFunc(b.Readings, func(r drink.Reading) bool { return r.Check == check })
}

func moveDay(b *drink.Build, days int) {
	d := time.Duration(days) * 24 * time.Hour
	b.StartedAt, b.FinishedAt = b.StartedAt.Add(d), b.FinishedAt.Add(d)
}

// badLines stand behind the faults in the example file: no builds at all.
var badLines = []string{
	`{"build":"019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f","shots":-1}`,
	`{"build":"019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f","readings":[{"check":"dose","value":NaN}]}`,
	`{"build":"019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f","readings":[{"check":"dose","value":1e300}]}`,
	`{"build":"019ab2c4-7d1e-7c3a-9f00-5a1b2c3d4e5f","serv`,
	strings.Repeat("garbage ", 8),
}
