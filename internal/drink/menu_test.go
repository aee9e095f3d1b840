package drink_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// set changes the reading of a check.
func set(check string, value drink.Milli) func(*drink.Build) {
	return func(b *drink.Build) {
		for i := range b.Readings {
			if b.Readings[i].Check == check {
				b.Readings[i].Value = value
			}
		}
	}
}

// skip leaves a step out of the log.
func skip(step string) func(*drink.Build) {
	return func(b *drink.Build) {
		b.Steps = slices.DeleteFunc(b.Steps, func(s drink.StepLog) bool { return s.Step == step })
	}
}

// swap does two steps at each other's time.
func swap(one, other string) func(*drink.Build) {
	return func(b *drink.Build) {
		i := slices.IndexFunc(b.Steps, func(s drink.StepLog) bool { return s.Step == one })
		j := slices.IndexFunc(b.Steps, func(s drink.StepLog) bool { return s.Step == other })
		b.Steps[i].At, b.Steps[j].At = b.Steps[j].At, b.Steps[i].At
		b.Steps[i], b.Steps[j] = b.Steps[j], b.Steps[i]
	}
}

func shots(n int) func(*drink.Build) { return func(b *drink.Build) { b.Shots = n } }

func bare(b *drink.Build) { b.Garnish = nil }

// The short espresso menu, line by line: common practice, no source. Each line
// stands in the book and on the card, is met by a build made to the letter, and
// is caught when it is broken.
func TestEachLineOfTheCounterMenuIsShownAndCaught(t *testing.T) {
	b := loadBook(t, "harbour-finch-counter")
	for _, c := range []struct {
		line, serving string
		onCard        string
		breakIt       func(*drink.Build)
		want          string // kind, then what it concerns
	}{
		{"a 20 g basket", "espresso/double", "20 g basket", set("dose", 18_000), "below_tolerance dose"},
		{"about 40 g", "espresso/double", "yield 40 g", set("yield", 46_000), "above_tolerance yield"},
		{"not under 26 s", "espresso/double", "26 s to 32 s", set("shot_time", 25_000), "below_tolerance shot_time"},
		{"not over 32 s", "espresso/double", "26 s to 32 s", set("shot_time", 33_000), "above_tolerance shot_time"},
		{"a single is one spout", "espresso/single", "one shot is one spout, 1 spout left over", shots(2), "wrong_shots"},
		{"a double is both", "espresso/double", "2 shots from 1 pull", shots(1), "wrong_shots"},
		{"two thirds of water", "long-black/cup", "two thirds full", set("water_volume", 80_000), "below_tolerance water_volume"},
		{"long black: water first", "long-black/cup", "pull a double on top of the water [after 1", swap("add_water", "pull"), "step_out_of_order pull"},
		{"americano: coffee first", "americano/cup", "fill up with hot water", swap("add_water", "pull"), "step_out_of_order add_water"},
		{"flat white: one shot", "flat-white/cup", "1 shot", shots(2), "wrong_shots"},
		{"flat white: 5 mm of froth", "flat-white/cup", "froth depth 5 mm", set("froth_depth", 10_000), "above_tolerance froth_depth"},
		{"latte: one shot", "latte/glass", "1 shot", shots(2), "wrong_shots"},
		{"latte: in a glass", "latte/glass", "Latte glass", func(b *drink.Build) { b.Vessel = "cup" }, "wrong_vessel"},
		{"latte: 10 mm of froth", "latte/glass", "froth depth 10 mm", set("froth_depth", 5_000), "below_tolerance froth_depth"},
		{"poured from 50 mm", "latte/glass", "pour height 50 mm", set("pour_height", 10_000), "below_tolerance pour_height"},
		{"then closer", "flat-white/cup", "pour height end 10 mm", set("pour_height_end", 60_000), "above_tolerance pour_height_end"},
		{"cappuccino: one shot", "cappuccino/cup", "1 shot", shots(2), "wrong_shots"},
		{"15 mm of froth", "cappuccino/cup", "froth depth 15 mm", set("froth_depth", 8_000), "below_tolerance froth_depth"},
		{"5 mm of it above the rim", "cappuccino/cup", "froth above the rim 5 mm", set("froth_above_rim", 0), "below_tolerance froth_above_rim"},
		{"spout close to the cup", "cappuccino/cup", "spout close to the cup", set("pour_height", 60_000), "above_tolerance pour_height"},
		{"chocolate on top", "cappuccino/cup", "On top      Chocolate powder", bare, "garnish_missing"},
		{"powder into cold milk", "hot-chocolate/glass", "powder into the cold milk", swap("add", "steam"), "step_out_of_order steam"},
		{"powder weighed", "hot-chocolate/glass", "powder or sauce 15 g", set("powder", 5_000), "below_tolerance powder"},
		{"textured as a latte", "hot-chocolate/glass", "froth depth 10 mm", set("froth_depth", 3_000), "below_tolerance froth_depth"},
		{"powder on top", "hot-chocolate/glass", "On top      Chocolate powder", bare, "garnish_missing"},
		{"mocha: on one shot", "mocha/glass", "1 shot", shots(0), "wrong_shots"},
		{"mocha: chocolate on the whole top", "mocha/glass", "over the whole top", skip("garnish"), "step_missing garnish"},
		{"chai: steeped 60 s", "chai-latte/glass", "steep time 60 s", set("steep_time", 20_000), "below_tolerance steep_time"},
		{"chai: a little hot water", "chai-latte/glass", "a little hot water", set("water_volume", 150_000), "above_tolerance water_volume"},
		{"chai: cold milk added", "chai-latte/glass", "cold milk into the jug", skip("add_milk"), "step_missing add_milk"},
		{"chai: textured as a latte", "chai-latte/glass", "froth depth 10 mm", set("froth_depth", 20_000), "above_tolerance froth_depth"},
		{"chai: wand wiped", "chai-latte/glass", "wipe the wand", skip("wipe"), "step_missing wipe"},
		{"chai: strained", "chai-latte/glass", "strain into the glass", skip("strain"), "step_missing strain"},
		{"chai: cinnamon sugar on top", "chai-latte/glass", "On top      Cinnamon sugar", bare, "garnish_missing"},
		{"chai: no coffee", "chai-latte/glass", "Chai latte", shots(1), "wrong_shots"},
		{"dirty chai: one shot", "dirty-chai/glass", "1 shot", shots(0), "wrong_shots"},
		{"dirty chai: the shot first", "dirty-chai/glass", "strain onto the coffee [after 2", swap("pull", "strain"), "step_out_of_order strain"},
		{"macchiato: a dash of milk", "macchiato/single", "a dash of frothy milk", set("milk_volume", 60_000), "above_tolerance milk_volume"},
		{"macchiato: frothy", "macchiato/single", "froth depth 5 mm", set("froth_depth", 1_000), "below_tolerance froth_depth"},
		{"affogato: one scoop", "affogato/glass", "scoops exactly 1", set("scoops", 2_000), "above_tolerance scoops"},
		{"affogato: under a double", "affogato/glass", "pull a double over the scoop", swap("scoop", "pull"), "step_out_of_order pull"},
		{"affogato: a double", "affogato/glass", "2 shots", shots(1), "wrong_shots"},
		{"two in the mug: latte", "latte/mug", "2 shots", shots(1), "wrong_shots"},
		{"two in the mug: cappuccino", "cappuccino/mug", "2 shots", shots(1), "wrong_shots"},
		{"two in the mug: flat white", "flat-white/mug", "2 shots", shots(1), "wrong_shots"},
	} {
		t.Run(c.line, func(t *testing.T) {
			s, ok := b.ServingByID(c.serving)
			if !ok {
				t.Fatalf("no serving %s", c.serving)
			}
			if card := drink.Card(b, s); !strings.Contains(card, c.onCard) {
				t.Errorf("card lacks %q:\n%s", c.onCard, card)
			}
			checker, err := verdict.Compile(s)
			if err != nil {
				t.Fatal(err)
			}
			var v verdict.Verdict
			build := verdict.Exemplar(s)
			if checker.Judge(&build, &v); len(v.Findings) != 0 {
				t.Fatalf("made to the letter, yet %v", v.Findings)
			}
			c.breakIt(&build)
			checker.Judge(&build, &v)
			var got []string
			for _, f := range v.Findings {
				got = append(got, strings.TrimSpace(fmt.Sprintf("%s %s%s", f.Kind, f.Check, f.Step)))
			}
			if !slices.Contains(got, c.want) {
				t.Errorf("found %v, want %q", got, c.want)
			}
		})
	}
}
