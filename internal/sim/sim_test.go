package sim_test

import (
	"bytes"
	"encoding/json"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sim"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/testdata"
)

// now is any time of day; nothing here depends on which.
var now = time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)

// small is a serving with a place for every fault, and limits that lie off the
// instrument's grid, one-sided and on the edge of the possible.
func small() []drink.Serving {
	return []drink.Serving{
		{
			ID: "flat-white/s/whole", Drink: "flat-white", DrinkName: "Flat white", Size: "s", Milk: "whole", Vessel: "C180", Shots: 2,
			Parts:   []drink.Part{{Ingredient: "whole", Amount: 98_000, Unit: drink.Millilitre}},
			Garnish: []string{"cocoa"},
			Steps: []drink.Step{
				{ID: "warm", Act: "warm", Criticality: drink.Appearance, Optional: true},
				{ID: "pull", Act: "pull", Criticality: drink.Quality, After: []string{"warm"}},
				{ID: "steam", Act: "steam", Criticality: drink.Quality},
				{ID: "pour", Act: "pour", Criticality: drink.Quality, After: []string{"pull", "steam"}},
				{ID: "garnish", Act: "garnish", Criticality: drink.Safety, After: []string{"pour"}},
			},
			Checks: []drink.Check{
				{ID: "dose", Measure: "dose", Target: 18_000, Low: 17_730, High: 18_270, Criticality: drink.Quality, Need: drink.WhenSampled, Occurrences: 2, Resolution: 100},
				{ID: "yield", Measure: "yield", Target: 36_000, Low: 34_500, High: 37_500, Criticality: drink.Quality, Need: drink.WhenSampled, Occurrences: 2, Resolution: 100},
				{ID: "shot_time", Measure: "shot_time", Target: 28_000, Low: 25_000, High: 31_000, Criticality: drink.Quality, Need: drink.Always, Occurrences: 2, Resolution: 1_000},
				{ID: "milk_temp", Measure: "milk_temp", Target: 60_000, Low: drink.NoLow, High: 65_000, Criticality: drink.Safety, Need: drink.Optional, Occurrences: 1, Resolution: 1_000},
				{ID: "froth_depth", Measure: "froth_depth", Target: 5_000, Low: 3_000, High: 7_000, Criticality: drink.Quality, Need: drink.WhenSampled, Occurrences: 1, Resolution: 1_000},
			},
			MayReplace: []drink.Substitution{{From: "whole", To: "oat"}},
		},
		{
			ID: "espresso/double", Drink: "espresso", DrinkName: "Espresso", Size: "double", Vessel: "D80", Shots: 2,
			Steps: []drink.Step{{ID: "pull", Act: "pull", Criticality: drink.Quality}},
			Checks: []drink.Check{
				{ID: "shot_time", Measure: "shot_time", Target: 28_000, Low: 25_000, High: 31_000, Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 1_000},
			},
		},
	}
}

func newBar(t interface {
	Helper()
	Fatal(...any)
}, cfg sim.Config, servings []drink.Serving) *sim.Bar {
	t.Helper()
	cfg.Site, cfg.Station = "tannery-row", "bar-1"
	bar, err := sim.NewBar(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := bar.Use(1, servings); err != nil {
		t.Fatal(err)
	}
	return bar
}

func TestTheSameSeedMakesTheSameBuilds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cfg := sim.Config{Seed: rapid.Uint64().Draw(t, "seed"), Run: rapid.Uint64().Draw(t, "run"), FaultRate: 0.5}
		a, b := newBar(t, cfg, small()), newBar(t, cfg, small())
		cfg.Run++
		next := newBar(t, cfg, small())
		for range 20 {
			buildA, truthA := a.Make(now)
			buildB, truthB := b.Make(now)
			if d := cmp.Diff(buildA, buildB); d != "" {
				t.Fatalf("build differs between two bars of one seed:\n%s", d)
			}
			if truthA != truthB {
				t.Fatalf("truth differs between two bars of one seed: %+v, %+v", truthA, truthB)
			}
			if buildC, _ := next.Make(now); buildC.ID == buildA.ID {
				t.Fatalf("the next run repeats the id %s", buildA.ID)
			}
		}
	})
}

func TestMakingLeavesTheServingsAlone(t *testing.T) {
	servings := small()
	bar := newBar(t, sim.Config{Seed: 3, FaultRate: 0.8}, servings)
	for range 500 {
		bar.Make(now)
	}
	if d := cmp.Diff(small(), servings); d != "" {
		t.Fatalf("servings were changed:\n%s", d)
	}
}

func TestTheRateOfFaultsIsTheOneAskedFor(t *testing.T) {
	const builds, rate = 20_000, 0.06
	bar := newBar(t, sim.Config{Seed: 11, FaultRate: rate}, small())
	faulty := 0
	for range builds {
		_, truth := bar.Make(now)
		if truth.Deviates != (truth.Fault != "") {
			t.Fatalf("truth contradicts itself: %+v", truth)
		}
		if truth.Deviates {
			faulty++
		}
	}
	// Four standard deviations of a binomial: 4 * sqrt(20000 * 0.06 * 0.94) = 134.
	if d := faulty - builds*rate; d > 134 || d < -134 {
		t.Errorf("%d of %d builds are faulty, want about %d", faulty, builds, int(builds*rate))
	}
}

// books are the servings that the properties below run over: the fixture and
// every serving of both books of the invented chain.
func books(t *testing.T) map[string][]drink.Serving {
	t.Helper()
	out := map[string][]drink.Serving{"small": small()}
	entries, err := testdata.FS.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		sub, err := fs.Sub(testdata.FS, e.Name())
		if err != nil {
			t.Fatal(err)
		}
		book, problems := drink.Load(sub)
		if problems.HasErrors() {
			t.Fatalf("%s: %v", e.Name(), problems)
		}
		out[e.Name()] = book.Servings()
	}
	return out
}

func TestSoundBuildsAreInSpec(t *testing.T) {
	for name, servings := range books(t) {
		t.Run(name, func(t *testing.T) {
			set, err := verdict.CompileBook(servings)
			if err != nil {
				t.Fatal(err)
			}
			var v verdict.Verdict
			for seed := range uint64(40) {
				bar := newBar(t, sim.Config{Seed: seed}, servings)
				for i := range servings {
					build, truth, ok := bar.MakeWith(&servings[i], sim.NoFault, now)
					if !ok || truth.Deviates {
						t.Fatalf("sound build has truth %+v, %v", truth, ok)
					}
					if set.Judge(&build, now, &v); v.Grade != verdict.InSpec {
						t.Errorf("seed %d: sound build of %s is %s: %v", seed, build.Serving, v.Grade, v.Findings)
					}
				}
			}
		})
	}
}

func TestEveryFaultIsFound(t *testing.T) {
	for name, servings := range books(t) {
		t.Run(name, func(t *testing.T) {
			set, err := verdict.CompileBook(servings)
			if err != nil {
				t.Fatal(err)
			}
			var v verdict.Verdict
			for _, fault := range sim.Faults {
				injected := 0
				for seed := range uint64(10) {
					bar := newBar(t, sim.Config{Seed: seed}, servings)
					for i := range servings {
						build, truth, ok := bar.MakeWith(&servings[i], fault, now)
						if !ok {
							if truth.Deviates {
								t.Errorf("%s: not injected, yet the truth says so: %+v", fault, truth)
							}
							continue
						}
						injected++
						if set.Judge(&build, now, &v); v.Grade == verdict.InSpec {
							t.Errorf("seed %d: %s in %s goes unnoticed: %+v", seed, fault, build.Serving, build)
						}
					}
				}
				// A small menu need not have, say, a cup with garnish.
				if injected == 0 && name == "small" {
					t.Errorf("%s: no serving has a place for it", fault)
				}
			}
		})
	}
}

func TestAFaultIsFoundAsWhatItIs(t *testing.T) {
	kinds := map[sim.Fault]verdict.Kind{
		sim.ShotFast: verdict.BelowTolerance, sim.ShotSlow: verdict.AboveTolerance,
		sim.FrothThin: verdict.BelowTolerance, sim.FrothThick: verdict.AboveTolerance,
		sim.MilkTooHot: verdict.AboveTolerance, sim.WrongOrder: verdict.StepOutOfOrder,
		sim.StepLeftOut: verdict.StepMissing, sim.WrongVessel: verdict.WrongVessel,
		sim.WrongMilk: verdict.WrongMilk, sim.WrongShots: verdict.WrongShots,
		sim.GarnishMissing: verdict.GarnishMissing, sim.GarnishUnexpected: verdict.GarnishUnexpected,
		sim.SubstitutionRefused: verdict.SubstitutionNotAllowed, sim.ReadingMissing: verdict.MissingReading,
		sim.ValueImpossible: verdict.ImpossibleValue, sim.ReadingTwice: verdict.DuplicateReading,
		sim.FutureTime: verdict.TimeImpossible,
	}
	servings := small()
	set, err := verdict.CompileBook(servings)
	if err != nil {
		t.Fatal(err)
	}
	var v verdict.Verdict
	for fault, kind := range kinds {
		for seed := range uint64(50) {
			bar := newBar(t, sim.Config{Seed: seed}, servings)
			build, _, ok := bar.MakeWith(&servings[0], fault, now)
			if !ok {
				t.Fatalf("%s has no place in %s", fault, servings[0].ID)
			}
			set.Judge(&build, now, &v)
			found := false
			for _, f := range v.Findings {
				found = found || f.Kind == kind
			}
			if !found {
				t.Errorf("seed %d: %s: want a finding %s, got %v", seed, fault, kind, v.Findings)
			}
		}
	}
}

func TestTruthsComeBackFromTheirFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "truth.jsonl")
	want := []sim.Truth{
		{BuildID: "1", Site: "tannery-row", Station: "bar-1", Serving: "latte/m/oat", Fault: "shot_fast", Deviates: true},
		{BuildID: "2", Site: "lantern-hill", Station: "bar-1", Serving: "espresso/double"},
	}
	for i := range want { // Opened anew for each: it must add, not replace.
		f, err := sim.OpenTruth(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := f.Write(want[i]); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	got, err := sim.ReadTruth(bytes.NewReader(raw))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("truths differ:\n%s", d)
	}
	if _, err := sim.ReadTruth(bytes.NewReader(raw[:len(raw)-4])); err == nil {
		t.Error("a truncated file reads without error")
	}
}

func TestBadConfigurationsAreRefused(t *testing.T) {
	for name, cfg := range map[string]sim.Config{
		"a rate above one": {Site: "a", Station: "b", FaultRate: 1.1},
		"a negative rate":  {Site: "a", Station: "b", FaultRate: -0.1},
		"no site":          {Station: "b"},
		"no station":       {Site: "a"},
	} {
		if _, err := sim.NewBar(cfg); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	bar, err := sim.NewBar(sim.Config{Site: "a", Station: "b"})
	if err != nil {
		t.Fatal(err)
	}
	if err := bar.Use(1, nil); err == nil {
		t.Error("a bar with nothing to make is taken")
	}
}

func TestATruthIsOneLine(t *testing.T) {
	line, err := json.Marshal(sim.Truth{BuildID: "1", Fault: string(sim.FutureTime)})
	if err != nil || bytes.ContainsRune(line, '\n') {
		t.Errorf("got %q, %v", line, err)
	}
}
