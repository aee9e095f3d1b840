package score

import (
	"context"
	"encoding/json"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

var day0 = time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)

// truthAt is a fault at tannery-row/bar-1 from the second shift of day 10.
func truthAt(f season.Fault) season.Truth {
	on := day0.AddDate(0, 0, 10).Add(16 * time.Hour)
	return season.Truth{Fault: f, Cause: f.Cause(), Site: "tannery-row", Station: "bar-1", Onset: on, End: on.AddDate(0, 0, 5),
		OnsetShift: watch.Shift{Day: day0.AddDate(0, 0, 10), No: 2}}
}

// seen is an alarm told at the end of a shift after the onset, 1 being its own.
func seen(shift int, a alarm) alarm {
	a.told = 21 + shift - 1
	a.at = day0.AddDate(0, 0, 10).Add(16*time.Hour + time.Duration(shift)*8*time.Hour)
	return a
}

func TestFindOnHandMadeTruths(t *testing.T) {
	probe := truthAt(season.ProbeDropped)
	person := truthAt(season.Overstretch)
	person.Station, person.Barista = "", "b-7"
	lot := truthAt(season.MilkLot)
	lot.Station, lot.Site, lot.Sites, lot.Lot = "", "", []string{"tannery-row", "oyster-steps"}, "whole-a-x"
	fake := truthAt(season.FakeCopies)
	fake.Station, fake.Barista = "", "b-7"
	low := alarm{kind: watch.SignalLevel, site: "tannery-row", station: "bar-1", measure: "milk_temp", direction: -1}
	with := func(f func(*alarm)) alarm { a := low; f(&a); return a }
	for _, c := range []struct {
		name   string
		truth  season.Truth
		alarms []alarm
		want   found
	}{
		{"the right station in the shift of the onset", probe, []alarm{seen(1, low)}, found{hit: true, exact: true, delay: 1, told: 21}},
		{"the sooner of two", probe, []alarm{seen(6, low), seen(3, low)}, found{hit: true, exact: true, delay: 3, told: 23}},
		{"the site as a whole is right, not exact", probe, []alarm{seen(2, with(func(a *alarm) { a.kind, a.station = watch.SignalSite, "" }))}, found{hit: true, delay: 2, told: 22}},
		{"the other station", probe, []alarm{seen(2, with(func(a *alarm) { a.station = "bar-2" }))}, found{}},
		{"another site", probe, []alarm{seen(2, with(func(a *alarm) { a.site = "oyster-steps" }))}, found{}},
		{"the other way", probe, []alarm{seen(2, with(func(a *alarm) { a.direction = 1 }))}, found{}},
		{"another measure", probe, []alarm{seen(2, with(func(a *alarm) { a.measure = "dose" }))}, found{}},
		{"before the onset", probe, []alarm{seen(0, low)}, found{}},
		{"too long after the end", probe, []alarm{seen(14, low)}, found{}},
		{"a hot jug is no sign of a probe", probe, []alarm{seen(2, with(func(a *alarm) { a.kind = watch.SignalSafety }))}, found{}},
		{"a person", person, []alarm{seen(4, alarm{kind: watch.SignalBarista, site: "tannery-row", barista: "b-7", measure: "cup_mass", direction: -1})}, found{hit: true, exact: true, delay: 4, told: 24}},
		{"another person", person, []alarm{seen(4, alarm{kind: watch.SignalBarista, site: "tannery-row", barista: "b-8", measure: "cup_mass", direction: -1})}, found{}},
		{"a lot by name", lot, []alarm{seen(4, alarm{kind: watch.SignalLot, lot: "whole-a-x", measure: "cup_mass", direction: 1})}, found{hit: true, exact: true, delay: 4, told: 24}},
		{"a site of the lot", lot, []alarm{seen(4, alarm{kind: watch.SignalSite, site: "oyster-steps", measure: "froth_depth", direction: -1})}, found{hit: true, delay: 4, told: 24}},
		{"a question to the right person", fake, []alarm{seen(2, alarm{kind: watch.SignalQuestion, site: "tannery-row", barista: "b-7"})}, found{hit: true, exact: true, delay: 2, told: 22}},
		{"a question to a colleague", fake, []alarm{seen(2, alarm{kind: watch.SignalQuestion, site: "tannery-row", barista: "b-8"})}, found{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			if d := cmp.Diff(c.want, find(&c.truth, day0, c.alarms), cmp.AllowUnexported(found{})); d != "" {
				t.Errorf("-want +got:\n%s", d)
			}
		})
	}
}

func TestElsewhereCountsChanceAwayFromTheFault(t *testing.T) {
	p := truthAt(season.ProbeDropped)
	there := alarm{kind: watch.SignalLevel, site: "tannery-row", station: "bar-2", measure: "dose"}
	away := alarm{kind: watch.SignalLevel, site: "oyster-steps", station: "bar-2", measure: "dose"}
	byRule := away
	byRule.rule = true
	if n := elsewhere(&p, day0, []alarm{seen(1, there), seen(1, away), seen(-8, away), seen(2, byRule)}); n != 1 {
		t.Errorf("%d alarms elsewhere, want 1: the one at another site, since the onset, not by rule", n)
	}
}

func TestQuartilesCountMissesAsLongest(t *testing.T) {
	for _, c := range []struct {
		delays []int
		want   Quartiles
	}{
		{nil, Quartiles{Never, Never, Never}},
		{[]int{4}, Quartiles{4, 4, 4}},
		{[]int{Never, 1, 3, 2}, Quartiles{1, 2, 3}},
		{[]int{Never, 1, Never, 2}, Quartiles{1, 2, Never}},
		{[]int{Never, 1, Never, Never}, Quartiles{1, Never, Never}},
	} {
		if got := quartiles(c.delays); got != c.want {
			t.Errorf("%v: %v, want %v", c.delays, got, c.want)
		}
	}
}

func TestLimitForLeavesAsManyBeyond(t *testing.T) {
	var run []alarm // far apart: each an episode
	for i, z := range []float64{3, 5, 4, 2.6, 7} {
		run = append(run, alarm{told: 10 * i, z: z})
	}
	for n, want := range map[int]float64{0: 7, 1: 6, 2: 4.5, 4: 2.8, 5: floor, 9: floor} {
		if got := limitFor([][]alarm{run}, n); math.Abs(got-want) > 1e-6 {
			t.Errorf("%d beyond: limit %v, want %v", n, got, want)
		}
	}
}

func TestRateIsAlarmsByMonths(t *testing.T) {
	r := rate([]float64{2, 4, 6}, []float64{2, 2, 2})
	// Residuals -2, 0, 2 about a mean of 2: SE = sqrt(8/2*3)/6.
	half := 1.96 * math.Sqrt(12) / 6
	if r.Mean != 2 || math.Abs(r.Bound.Upper-2-half) > 1e-12 || math.Abs(r.Bound.Lower-2+half) > 1e-12 {
		t.Errorf("got %+v, want 2 ± %.4f", r, half)
	}
	if got := rate(nil, nil); got.Mean != 0 || got.String() != "none" {
		t.Errorf("no runs: %v", got)
	}
}

func TestDetectorScoreOnHandMadeOutcomes(t *testing.T) {
	hit := func(delay int) found { return found{hit: true, exact: true, delay: delay} }
	runs := []*outcome{
		{found: [detectors]found{hit(12), hit(20), {}}, fullShift: 10, causeRight: true},
		{found: [detectors]found{hit(30), hit(2), {}}, fullShift: 10},
		{found: [detectors]found{{}, {}, {}}, fullShift: 10},
		{found: [detectors]found{hit(9), hit(9), {}}, fullShift: -1},
	}
	s := faultScore(season.DullBurr, runs)
	w, p := s.Detectors[byWatch], s.Detectors[byPlain]
	if w.Sensitivity.X != 3 || w.Sensitivity.N != 4 || s.Right.X != 1 || s.Right.N != 3 {
		t.Errorf("sensitivity %v, right cause %v; want 3 of 4 and 1 of 3", w.Sensitivity, s.Right)
	}
	if want := (Quartiles{9, 12, 30}); w.Delay != want {
		t.Errorf("delay %v, want %v", w.Delay, want)
	}
	// From its whole size: 2, 20 and never; the run that never reached it is out.
	if want := (Quartiles{2, 20, Never}); *w.FromFull != want || w.Within.X != 1 || w.Within.N != 3 {
		t.Errorf("from full %v, within %v; want %v and 1 of 3", w.FromFull, w.Within, want)
	}
	if p.Sooner.X != 1 || p.Sooner.N != 2 {
		t.Errorf("watch sooner %v, want 1 of 2", p.Sooner)
	}
}

func TestVersusSortsFaultsByWhoWasSooner(t *testing.T) {
	fault := func(f season.Fault, x, n int) FaultScore {
		s := share(x, n)
		return FaultScore{Fault: f, Detectors: []Detector{{}, {Sooner: &s}, {Sooner: &s}}}
	}
	r := &Result{Faults: []FaultScore{fault("F1", 19, 20), fault("F2", 11, 20), fault("F6", 1, 20), fault("F7", 0, 0), fault("F8A", 20, 20)}}
	if got, want := r.versus(byPlain), "sooner: F1; later: F6; cannot be told: F2, F7"; got != want {
		t.Errorf("got %q, want %q: logs and rules are no matter of a chart", got, want)
	}
}

func TestAccusationsAreScaledToAMonth(t *testing.T) {
	all := make([]seedOutcome, 100)
	for i := range all {
		all[i].runs = []outcome{{fault: season.HonestOutlier, logs: logs{person: i < 2, people: 11, months: 0.5}}}
	}
	a := accusations(all)
	// 2 in 100 half months: 1 - 0.98² a month.
	if want := 1 - 0.98*0.98; math.Abs(a.PerMonth-want) > 1e-12 || a.Others.N != 1000 || a.Others.X != 0 {
		t.Errorf("got %+v, want %.4f a month and 0 of 1000 others", a, want)
	}
}

func TestTheScoreDoesNotDependOnWorkers(t *testing.T) {
	score := func(workers int) string {
		r, err := Run(context.Background(), Config{Seeds: 3, Faults: []season.Fault{season.ProbeDropped, season.HonestOutlier},
			Days: 14, Sites: 2, Stations: 1, Calibration: 2, Workers: workers})
		if err != nil {
			t.Fatal(err)
		}
		data, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		return string(data) + r.Markdown() + r.String()
	}
	one := score(1)
	if d := cmp.Diff(one, score(4)); d != "" {
		t.Errorf("one worker and four differ:\n%s", d)
	}
	for _, want := range []string{"| F6 | probe_bias |", "n: 3 seeds from 0, 14 days", "F11, the steady hand"} {
		if !strings.Contains(one, want) {
			t.Errorf("the report does not say %q", want)
		}
	}
}

func TestAScoreOutOfTimeReportsOnTheSeedsThereAre(t *testing.T) {
	r, err := Run(context.Background(), Config{Seeds: 3, Faults: []season.Fault{season.NoFault}, Days: 14, Sites: 2, Stations: 1, Calibration: 1, Workers: 1, Within: 1})
	if err != nil {
		t.Fatal(err)
	}
	if r.Seeds != 1 || len(r.Quiet) == 0 || r.Quiet[byWatch].Episodes.Runs != 1 {
		t.Errorf("%d seeds, %+v; want the first alone", r.Seeds, r.Quiet)
	}
}

func TestBadConfigurationsAreRefusedInWords(t *testing.T) {
	for _, c := range []struct {
		cfg  Config
		want string
	}{
		{Config{}, "seeds: 0"},
		{Config{Seeds: 1, Days: 3}, "days: 3"},
		{Config{Seeds: 1, Within: -1}, "within: -1ns"},
		{Config{Seeds: 1, Faults: []season.Fault{"F99"}}, `fault: "F99"`},
		{Config{Seeds: 1, First: calibrationSeed}, "first seed"},
	} {
		if _, err := Run(context.Background(), c.cfg); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%+v: error %v, want %q in it", c.cfg, err, c.want)
		}
	}
}

func TestAStoppedScoreSaysSo(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := Run(ctx, Config{Seeds: 1, Days: 14}); err == nil {
		t.Error("no error of a score that was stopped")
	}
}

func TestInsertReplacesOnlyItsOwnPart(t *testing.T) {
	r := &Result{Names: names, Quiet: make([]Alarms, detectors), Calibration: Calibration{Months: 1}}
	begin, end := r.marks()
	page := "before\n" + begin + "worn out\n" + end + "after\n"
	once, err := r.Insert([]byte(page))
	if err != nil {
		t.Fatal(err)
	}
	twice, err := r.Insert(once)
	if err != nil {
		t.Fatal(err)
	}
	s := string(once)
	if s != string(twice) || !strings.HasPrefix(s, "before\n") || !strings.HasSuffix(s, "after\n") || strings.Contains(s, "worn out") || !strings.Contains(s, r.Markdown()) {
		t.Errorf("got %q, then %q", once, twice)
	}
	r.HeldOut = true
	if _, err := r.Insert([]byte(page)); err == nil {
		t.Error("no error of a page without marks for held-out parameters")
	}
}
