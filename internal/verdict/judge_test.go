package verdict_test

import (
	"slices"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

func TestJudge(t *testing.T) {
	without := func(check string) func(*drink.Build) {
		return func(b *drink.Build) {
			b.Readings = slices.DeleteFunc(b.Readings, func(r drink.Reading) bool { return r.Check == check })
		}
	}
	set := func(check string, n int, v drink.Milli) func(*drink.Build) {
		return func(b *drink.Build) { reading(b, check, n).Value = v }
	}
	steps := func(ids ...string) func(*drink.Build) {
		return func(b *drink.Build) {
			b.Steps = nil
			for _, id := range ids {
				b.Steps = append(b.Steps, drink.StepLog{Step: id})
			}
		}
	}
	for _, test := range []struct {
		name   string
		change func(*drink.Build)
		want   string
	}{
		{"a build to the letter is in spec", func(*drink.Build) {}, "in_spec:"},
		{"a value on the low limit is in spec", set("shot_time", 1, 26_000), "in_spec:"},
		{"a value on the high limit is in spec", set("shot_time", 2, 32_000), "in_spec:"},
		{"a thousandth under the low limit is not", set("shot_time", 1, 25_999), "off_spec: below_tolerance(shot_time)"},
		{"a thousandth over the high limit is not", set("shot_time", 2, 32_001), "off_spec: above_tolerance(shot_time 2)"},
		{"no low limit", set("pour_end", 1, 0), "in_spec:"},
		{"no high limit", set("cup_mass", 1, 2_000_000), "in_spec:"},
		{"safety on the limit", set("milk_temp", 1, 65_000), "in_spec:"},
		{"safety over the limit is unsafe", set("milk_temp", 1, 65_001), "unsafe: above_tolerance(milk_temp)"},
		{"a needed reading is missing", without("yield"), "off_spec: missing_reading(yield) missing_reading(yield 2)"},
		{"one occurrence is missing", func(b *drink.Build) { b.Readings = slices.Delete(b.Readings, 1, 2) }, "off_spec: missing_reading(dose 2)"},
		{"a missing safety reading is unknown", without("milk_temp"), "unknown: missing_reading(milk_temp)"},
		{"a sampled build lacks a sampled reading", without("froth_depth"), "off_spec: missing_reading(froth_depth)"},
		{"an unsampled build need not have it", func(b *drink.Build) { without("froth_depth")(b); b.Sampled = false }, "in_spec:"},
		{"an optional reading may lack", without("pour_end"), "in_spec:"},
		{"unsafe outranks unknown", func(b *drink.Build) { without("milk_temp")(b); b.Milk = "oat" }, "unsafe: wrong_milk() missing_reading(milk_temp)"},
		{"an unknown check", func(b *drink.Build) {
			b.Readings = append(b.Readings, drink.Reading{Check: "ice", Occurrence: 1, Unit: "g"})
		}, "off_spec: unknown_reading(ice)"},
		{"an occurrence too many", func(b *drink.Build) {
			b.Readings = append(b.Readings, drink.Reading{Check: "dose", Occurrence: 3, Value: 20_000, Unit: "g"})
		}, "off_spec: unknown_reading(dose 3)"},
		{"occurrence nought", func(b *drink.Build) {
			b.Readings = append(b.Readings, drink.Reading{Check: "dose", Value: 20_000, Unit: "g"})
		}, "off_spec: unknown_reading(dose)"},
		{"a reading twice", func(b *drink.Build) { b.Readings = append(b.Readings, b.Readings[0]) }, "off_spec: duplicate_reading(dose)"},
		{"a safety reading twice, one unsafe", func(b *drink.Build) {
			b.Readings = append(b.Readings, *reading(b, "milk_temp", 1))
			reading(b, "milk_temp", 1).Value = 70_000
		}, "unsafe: above_tolerance(milk_temp) duplicate_reading(milk_temp)"},
		{"the least possible", set("dose", 1, 1_000), "off_spec: below_tolerance(dose)"},
		{"less than possible", set("dose", 1, 999), "off_spec: impossible_value(dose)"},
		{"the most possible", set("dose", 1, 40_000), "off_spec: above_tolerance(dose)"},
		{"more than possible", set("dose", 1, 40_001), "off_spec: impossible_value(dose)"},
		{"absurd and safety is unknown", set("milk_temp", 1, -drink.MaxMilli), "unknown: impossible_value(milk_temp)"},
		{"another unit", func(b *drink.Build) { reading(b, "yield", 1).Unit = "mL" }, "off_spec: wrong_unit(yield)"},
		{"a coarse instrument half a step from the limit", func(b *drink.Build) {
			reading(b, "milk_temp", 1).Resolution = 2_000
			reading(b, "milk_temp", 1).Value = 64_000
		}, "unknown: unconfirmed(milk_temp)"},
		{"a coarse instrument more than half a step away", func(b *drink.Build) {
			reading(b, "milk_temp", 1).Resolution = 2_000
			reading(b, "milk_temp", 1).Value = 63_999
		}, "in_spec:"},
		{"a coarse instrument near the low limit", func(b *drink.Build) {
			reading(b, "milk_temp", 1).Resolution = 5_000
			reading(b, "milk_temp", 1).Value = 57_500
		}, "unknown: unconfirmed(milk_temp)"},
		{"the accepted step on the limit is judged as read", func(b *drink.Build) {
			reading(b, "milk_temp", 1).Resolution = 500
			reading(b, "milk_temp", 1).Value = 65_000
		}, "in_spec:"},
		{"a coarse instrument on a quality check is judged as read", func(b *drink.Build) {
			reading(b, "dose", 1).Resolution = 1_000
			reading(b, "dose", 1).Value = 20_500
		}, "in_spec:"},
		// steam has a tolerance of 57 to 63 °C under a hard maximum of 65 °C.
		{"on the high limit under a hard maximum", set("steam", 1, 63_000), "in_spec:"},
		{"above the tolerance, under the hard maximum", set("steam", 1, 63_500), "off_spec: above_tolerance(steam)"},
		{"on the hard maximum", set("steam", 1, 65_000), "off_spec: above_tolerance(steam)"},
		{"a thousandth over the hard maximum", set("steam", 1, 65_001), "unsafe: above_tolerance(steam)"},
		{"cool milk harms nobody", set("steam", 1, 56_000), "off_spec: below_tolerance(steam)"},
		{"no reading under a hard maximum is unknown", without("steam"), "unknown: missing_reading(steam)"},
		{"another unit under a hard maximum", func(b *drink.Build) { reading(b, "steam", 1).Unit = "[degF]" }, "unknown: wrong_unit(steam)"},
		{"absurd under a hard maximum", set("steam", 1, 200_000), "unknown: impossible_value(steam)"},
		{"twice under a hard maximum", func(b *drink.Build) { b.Readings = append(b.Readings, *reading(b, "steam", 1)) }, "unknown: duplicate_reading(steam)"},
		{"on the hard maximum by a whole-degree probe", func(b *drink.Build) {
			reading(b, "steam", 1).Resolution = 1_000
			reading(b, "steam", 1).Value = 65_000
		}, "unknown: unconfirmed(steam) above_tolerance(steam)"},
		{"half a step under the hard maximum", func(b *drink.Build) {
			reading(b, "steam", 1).Resolution = 1_000
			reading(b, "steam", 1).Value = 64_500
		}, "unknown: unconfirmed(steam) above_tolerance(steam)"},
		{"more than half a step under the hard maximum", func(b *drink.Build) {
			reading(b, "steam", 1).Resolution = 1_000
			reading(b, "steam", 1).Value = 64_499
		}, "off_spec: above_tolerance(steam)"},
		{"in tolerance, by a probe too coarse for the hard maximum", func(b *drink.Build) {
			reading(b, "steam", 1).Resolution = 10_000
		}, "unknown: unconfirmed(steam)"},
		{"a coarse probe near the low limit harms nobody", func(b *drink.Build) {
			reading(b, "steam", 1).Resolution = 2_000
			reading(b, "steam", 1).Value = 57_000
		}, "in_spec:"},
		{"an optional step may lack", steps("pull", "add_milk", "steam", "wipe", "swirl", "pour", "garnish"), "in_spec:"},
		{"a step is missing", steps("warm", "pull", "add_milk", "steam", "wipe", "pour", "garnish"), "off_spec: step_missing(swirl)"},
		{"a missing safety step is unsafe", steps("pull", "add_milk", "steam", "swirl", "pour", "garnish"), "unsafe: step_missing(wipe)"},
		{"two steps swapped", steps("pull", "add_milk", "steam", "wipe", "pour", "swirl", "garnish"), "off_spec: step_out_of_order(pour)"},
		{"swapped around a missing one", steps("warm", "pull", "add_milk", "steam", "wipe", "garnish", "pour"),
			"off_spec: step_missing(swirl) step_out_of_order(garnish)"},
		{"swapped across a missing one", steps("pull", "add_milk", "steam", "wipe", "garnish", "swirl"),
			"off_spec: step_missing(pour) step_out_of_order(garnish)"},
		{"a step again", steps("pull", "add_milk", "steam", "wipe", "wipe", "wipe", "swirl", "pour", "garnish"), "off_spec: step_repeated(wipe)"},
		{"a step of another drink", steps("pull", "add_milk", "steam", "wipe", "swirl", "strain", "pour", "garnish"), "off_spec: step_unknown(strain)"},
		{"another vessel", func(b *drink.Build) { b.Vessel = "p350" }, "off_spec: wrong_vessel()"},
		{"another milk", func(b *drink.Build) { b.Milk = "oat" }, "unsafe: wrong_milk()"},
		{"no milk", func(b *drink.Build) { b.Milk = "" }, "unsafe: wrong_milk()"},
		{"an allowed milk, logged", func(b *drink.Build) {
			b.Milk, b.Substitutions = "oat", []drink.Substitution{{From: "whole", To: "oat"}}
		}, "in_spec:"},
		{"oat promised, whole used", func(b *drink.Build) { b.Substitutions = []drink.Substitution{{From: "whole", To: "oat"}} }, "unsafe: wrong_milk()"},
		{"a milk that is not allowed, logged", func(b *drink.Build) {
			b.Milk, b.Substitutions = "soya", []drink.Substitution{{From: "whole", To: "soya"}}
		}, "unsafe: substitution_not_allowed()"},
		{"one shot too few", func(b *drink.Build) { b.Shots = 1 }, "off_spec: wrong_shots()"},
		{"no garnish", func(b *drink.Build) { b.Garnish = nil }, "off_spec: garnish_missing()"},
		{"a garnish too many", func(b *drink.Build) { b.Garnish = append(b.Garnish, "nuts") }, "unsafe: garnish_unexpected()"},
		{"an allowed garnish, logged", func(b *drink.Build) {
			b.Garnish, b.Substitutions = []string{"cinnamon"}, []drink.Substitution{{From: "cocoa", To: "cinnamon"}}
		}, "in_spec:"},
		{"finished before it began", func(b *drink.Build) { b.FinishedAt = b.StartedAt.Add(-time.Second); b.Steps[1].At = 0; zero(b) }, "off_spec: time_impossible()"},
		{"step times run backwards", func(b *drink.Build) { b.Steps[3].At = b.Steps[2].At - 1 }, "off_spec: time_impossible(steam)"},
		{"a negative step time", func(b *drink.Build) { b.Steps[0].At = -1 }, "off_spec: time_impossible(warm)"},
		{"a step a second after the end passes", func(b *drink.Build) { b.Steps[7].At = b.FinishedAt.Sub(b.StartedAt) + verdict.StampGrain }, "in_spec:"},
		{"a step later than that", func(b *drink.Build) { b.Steps[7].At = b.FinishedAt.Sub(b.StartedAt) + verdict.StampGrain + 1 }, "off_spec: time_impossible(garnish)"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := latte()
			s.Checks = append(s.Checks, steam)
			b := verdict.Exemplar(&s)
			test.change(&b)
			if got := kinds(judge(compile(t, s), b)); got != test.want {
				t.Errorf("got  %s\nwant %s", got, test.want)
			}
		})
	}
}

func zero(b *drink.Build) {
	for i := range b.Steps {
		b.Steps[i].At = 0
	}
}

func TestSetJudgesServingAndClock(t *testing.T) {
	set, err := verdict.CompileBook([]drink.Serving{latte()})
	if err != nil {
		t.Fatal(err)
	}
	start := verdict.ExemplarStart
	for _, test := range []struct {
		name    string
		serving string
		now     time.Time
		want    string
	}{
		{"now", "latte/m/whole", start, "in_spec:"},
		{"five minutes ahead", "latte/m/whole", start.Add(-verdict.FutureMost), "in_spec:"},
		{"further ahead", "latte/m/whole", start.Add(-verdict.FutureMost - 1), "off_spec: time_impossible()"},
		{"400 days ago", "latte/m/whole", start.Add(verdict.PastMost), "in_spec:"},
		{"longer ago", "latte/m/whole", start.Add(verdict.PastMost + 1), "off_spec: time_impossible()"},
		{"a clock at nought", "latte/m/whole", time.Time{}, "off_spec: time_impossible()"},
		{"another serving", "latte/xl/whole", start, "unknown: serving_unknown()"},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := latte()
			b := verdict.Exemplar(&s)
			b.Serving = test.serving
			var v verdict.Verdict
			set.Judge(&b, test.now, &v)
			if got := kinds(v); got != test.want {
				t.Errorf("got %s, want %s", got, test.want)
			}
		})
	}
	if set.Len() != 1 || set.Checker("latte/m/whole") == nil || set.Checker("") != nil {
		t.Error("the set does not find its checkers")
	}
	if _, err := verdict.CompileBook([]drink.Serving{latte(), latte()}); err == nil {
		t.Error("a serving twice compiled")
	}
}

func TestCompileRefuses(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*drink.Serving)
	}{
		{"a check twice", func(s *drink.Serving) { s.Checks[1].ID = "dose" }},
		{"an unknown measure", func(s *drink.Serving) { s.Checks[0].Measure = "colour" }},
		{"a target outside", func(s *drink.Serving) { s.Checks[0].Target = 0 }},
		{"limits upside down", func(s *drink.Serving) { s.Checks[0].Low = 30_000 }},
		{"no occurrence", func(s *drink.Serving) { s.Checks[0].Occurrences = 0 }},
		{"too many readings", func(s *drink.Serving) { s.Checks[0].Occurrences = 60 }},
		{"a hard maximum below the high limit", func(s *drink.Serving) { s.Checks[3].HardHigh = 64_999 }},
		{"a hard maximum without a high limit", func(s *drink.Serving) { s.Checks[8].HardHigh = 300_000 }},
		{"no criticality", func(s *drink.Serving) { s.Checks[0].Criticality = 0 }},
		{"no need", func(s *drink.Serving) { s.Checks[0].Need = 0 }},
		{"a step twice", func(s *drink.Serving) { s.Steps[1].ID = "warm" }},
		{"an order that goes round", func(s *drink.Serving) { s.Steps[0].After = []string{"pour"} }},
		{"an unknown predecessor", func(s *drink.Serving) { s.Steps[0].After = []string{"dance"} }},
		{"too many steps", func(s *drink.Serving) { s.Steps = make([]drink.Step, drink.MaxSteps+1) }},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := latte()
			test.change(&s)
			if _, err := verdict.Compile(&s); err == nil {
				t.Error("it compiled")
			}
		})
	}
}

func TestFindingString(t *testing.T) {
	s := latte()
	steam := steam
	steam.Need = drink.Optional
	s.Checks = append(s.Checks, steam)
	c := compile(t, s)
	for _, test := range []struct {
		change func(*drink.Build)
		want   string
	}{
		{func(b *drink.Build) { reading(b, "shot_time", 1).Value = 22_000 }, "shot time 22 s: 4 s fast (26 to 32 s); grind finer"},
		{func(b *drink.Build) { reading(b, "shot_time", 2).Value = 35_500 }, "shot time, pull 2, 35.5 s: 3.5 s slow (26 to 32 s); grind coarser"},
		{func(b *drink.Build) { reading(b, "pour_end", 1).Value = 30_000 }, "pour height (pour_end) 30 mm: 10 mm far (at most 20 mm); bring the spout closer"},
		{func(b *drink.Build) { reading(b, "milk_temp", 1).Unit = "[degF]" }, `milk temperature is logged in "[degF]"; give it in "Cel"`},
		{func(b *drink.Build) { reading(b, "milk_temp", 1).Value = 66_000 }, "milk temperature 66 °C: 1 °C hot (55 to 65 °C); do not serve; steam fresh milk and stop sooner"},
		{func(b *drink.Build) { reading(b, "steam", 1).Value = 64_000 }, "milk temperature (steam) 64 °C: 1 °C hot (57 to 63 °C); stop the steam sooner"},
		{func(b *drink.Build) { reading(b, "steam", 1).Value = 66_000 }, "milk temperature (steam) 66 °C: 1 °C hot (at most 65 °C); do not serve; steam fresh milk and stop sooner"},
		{func(b *drink.Build) { b.Milk = "oat" }, "milk oat: should be whole; do not serve"},
		{func(b *drink.Build) { b.Shots = 1 }, "1 shot: should be 2 shots"},
		{func(b *drink.Build) { b.Garnish = nil }, "cocoa is not on top; add it"},
		{func(b *drink.Build) { b.Readings = slices.Delete(b.Readings, 11, 12) }, "whole-cup mass: no reading (at least 250 g); measure and log it"},
	} {
		b := verdict.Exemplar(&s)
		test.change(&b)
		v := judge(c, b)
		if len(v.Findings) != 1 || v.Findings[0].String() != test.want {
			t.Errorf("got %v, want %s", v.Findings, test.want)
		}
	}
	for k := verdict.ServingUnknown; k <= verdict.WrongUnit; k++ {
		if verdict.KindByName(k.String()) != k || (verdict.Finding{Kind: k}).String() == "unset finding" {
			t.Errorf("kind %d has no name or no words", k)
		}
	}
	for g := verdict.InSpec; g <= verdict.Unsafe; g++ {
		if verdict.GradeByName(g.String()) != g {
			t.Errorf("grade %d has no name", g)
		}
	}
	if verdict.KindByName("none") != 0 || verdict.GradeByName("") != 0 {
		t.Error("an unknown name found something")
	}
}

func TestAStoppedDrinkIsUnsafeWhateverElseIsRight(t *testing.T) {
	v := verdict.Verdict{Grade: verdict.InSpec}
	v.AddStopped("drink latte", "undeclared nut in the cocoa")
	if v.Grade != verdict.Unsafe || len(v.Findings) != 1 {
		t.Fatalf("grade %s, findings %v", v.Grade, v.Findings)
	}
	if got, want := v.Findings[0].String(), "drink latte is stopped: undeclared nut in the cocoa; do not serve"; got != want {
		t.Fatalf("%q, want %q", got, want)
	}
}
