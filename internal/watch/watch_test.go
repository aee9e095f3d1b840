package watch

import (
	"bytes"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// messy is a world in which every detector has something to see.
func messy(seed uint64) *world {
	w := newWorld(seed)
	w.perShift = 6
	w.bend = func(w *world, b *Build, day int) {
		b.Vessel = []string{"c240", "c350"}[w.rng.IntN(2)]
		switch w.rng.IntN(4) {
		case 0: // a drink that nobody measures; the machine times its shot
			b.Sampled, b.Readings = false, b.Readings[2:3]
		case 1:
			b.Readings = append(b.Readings, Reading{Measure: "powder", Check: "sauce", Occurrence: 1, Value: 20 + w.rng.NormFloat64(), Target: 20, Low: 17, High: 23, Resolution: 1})
		}
		if day >= 12 {
			if at(b, "tannery-row", "bar-1") {
				move(b, "milk_temp", -1)
			}
			if b.Site != "lantern-hill" {
				b.MilkLot = "ml-2"
				move(b, "froth_depth", -0.8)
			}
			if b.By == "oy-1" {
				for i := range b.Readings {
					b.Readings[i].Value = b.Readings[i].Target
				}
			}
		}
		if day >= 14 && b.Site != "oyster-steps" {
			b.Release = 2
			for i := range b.Readings {
				if r := &b.Readings[i]; r.Measure == "yield" {
					r.Target, r.Low, r.High = 39, 37.5, 40.5
				}
			}
		}
		if w.rng.IntN(60) == 0 {
			b.Grade = verdict.Unsafe
			b.Findings = append(b.Findings, verdict.Finding{Kind: verdict.WrongMilk, Criticality: drink.Safety, Got: "whole"})
		}
	}
	w.events = func(site, bar string, day, no int, at time.Time) []Event {
		return []Event{{Kind: Adjusted, At: at, Site: site, Station: bar, Detail: fmtFloat(5 + float64((day*3+no)%4)*0.1)}}
	}
	return w
}

const messyDays = 18

// step is one call; a stream is what a world would have given.
type step struct {
	b     *Build
	e     *Event
	close *Shift
	key   string
	day   int
}

func stream(w *world) []step {
	var out []step
	for day := range messyDays {
		for no := 1; no <= 2; no++ {
			for _, site := range w.sites {
				for _, bar := range w.bars {
					list := w.stationShift(site, bar, day, no)
					key := site + "/" + bar
					for _, e := range w.events(site, bar, day, no, list[0].Started.Add(-time.Minute)) {
						out = append(out, step{e: &e, key: key, day: day})
					}
					for _, b := range list {
						out = append(out, step{b: b, key: key, day: day})
					}
					s := w.shift(day, no)
					out = append(out, step{close: &s, key: key, day: day})
				}
			}
		}
	}
	return out
}

func (s step) give(t interface{ Fatal(...any) }, w *Watch) Out {
	var o Out
	var err error
	switch {
	case s.b != nil:
		o, err = w.Build(s.b)
	case s.e != nil:
		o, err = w.Event(*s.e)
	default:
		site, bar, _ := strings.Cut(s.key, "/")
		o = w.CloseShift(site, bar, *s.close)
	}
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func TestASnapshotChangesNothingThatComesLater(t *testing.T) {
	if testing.Short() {
		t.Skip("long and without goroutines: the full run has it")
	}
	rapid.Check(t, func(rt *rapid.T) {
		steps := stream(messy(rapid.Uint64Range(1, 50).Draw(rt, "seed")))
		cut := rapid.IntRange(0, len(steps)).Draw(rt, "cut")
		a, ca := newWatch(t), NewCases()
		for _, s := range steps[:cut] {
			ca.Take(s.give(rt, a))
		}
		data, err := a.Snapshot()
		if err != nil {
			rt.Fatal(err)
		}
		cdata, err := ca.Snapshot()
		if err != nil {
			rt.Fatal(err)
		}
		b, err := Restore(data)
		if err != nil {
			rt.Fatal(err)
		}
		cb, err := RestoreCases(cdata)
		if err != nil {
			rt.Fatal(err)
		}
		for _, s := range append(slices.Clone(steps[cut:]), step{}) {
			var oa, ob Out
			if s.key == "" {
				oa, ob = a.CloseDay(), b.CloseDay()
			} else {
				oa, ob = s.give(rt, a), s.give(rt, b)
			}
			if !reflect.DeepEqual(oa, ob) {
				rt.Fatalf("after a snapshot at %d the output differs:\n%s", cut, cmp.Diff(oa, ob))
			}
			if x, y := ca.Take(oa), cb.Take(ob); !slices.Equal(x, y) {
				rt.Fatalf("cases differ: %v, %v", x, y)
			}
		}
		sa, _ := a.Snapshot()
		sb, _ := b.Snapshot()
		if !bytes.Equal(sa, sb) {
			rt.Fatal("the states at the end differ")
		}
		if d := cmp.Diff(ca.All(), cb.All()); d != "" {
			rt.Fatalf("cases at the end differ:\n%s", d)
		}
	})
}

func TestTheOrderOfStationsWithinADayDoesNotMatter(t *testing.T) {
	if testing.Short() {
		t.Skip("long and without goroutines: the full run has it")
	}
	rapid.Check(t, func(rt *rapid.T) {
		steps := stream(messy(rapid.Uint64Range(1, 50).Draw(rt, "seed")))
		collect := func(list []step) []Signal {
			w := newWatch(t)
			var out Out
			for _, s := range list {
				out.add(s.give(rt, w))
			}
			out.add(w.CloseDay())
			slices.SortFunc(out.Signals, func(a, b Signal) int { return strings.Compare(a.ID, b.ID) })
			for i := 1; i < len(out.Signals); i++ {
				if id := out.Signals[i].ID; id == out.Signals[i-1].ID && out.Signals[i].Kind != SignalSafety {
					rt.Fatalf("two signals have the ID %s", id)
				}
			}
			return out.Signals
		}
		// Shuffle which station comes next, keeping each station's own order.
		var mixed []step
		for day := range messyDays {
			byStation := map[string][]step{}
			var keys []string
			for _, s := range steps {
				if s.day == day {
					if byStation[s.key] == nil {
						keys = append(keys, s.key)
					}
					byStation[s.key] = append(byStation[s.key], s)
				}
			}
			for _, k := range rapid.Permutation(keys).Draw(rt, "order") {
				mixed = append(mixed, byStation[k]...)
			}
		}
		a, b := collect(steps), collect(mixed)
		if len(a) == 0 {
			rt.Fatal("nothing to compare")
		}
		if !reflect.DeepEqual(a, b) {
			rt.Fatalf("signals depend on the order of stations:\n%s", cmp.Diff(a, b))
		}
	})
}

func TestMemoryIsBoundedByTheChainAndNotByItsHistory(t *testing.T) {
	w, wt := messy(4), newWatch(t)
	bend, day := w.bend, 0
	// Lots change each week and people come and go for ever.
	w.bend = func(w *world, b *Build, d int) {
		day = d
		bend(w, b, d)
		b.CoffeeLot = "cl-" + fmtFloat(float64(day/7))
		b.By += "-" + fmtFloat(float64(day/28))
	}
	var at []int
	for m := range 12 {
		w.run(t, wt, nil, 28*m, 28*(m+1))
		at = append(at, wt.Entries())
	}
	t.Logf("entries by month: %v", at)
	// At most three sets of people are remembered at a time.
	if slices.Max(at[6:]) > slices.Max(at[:6])*21/20 {
		t.Errorf("entries grow: %v", at)
	}
}

func TestWhatCannotBePlacedIsRefused(t *testing.T) {
	w := newWatch(t)
	if _, err := w.Build(&Build{ID: "x"}); err == nil {
		t.Error("a build without a station was taken")
	}
	if _, err := w.Event(Event{Kind: Adjusted}); err == nil {
		t.Error("an event without a site was taken")
	}
	for _, cfg := range []Config{{FalseAlarms: -1}, {K: 9}, {Baseline: 1}, {Material: -0.1}} {
		if _, err := New(cfg); err == nil {
			t.Errorf("%+v was taken", cfg)
		}
	}
	for _, data := range []string{"", "{}", `{"version":9}`, `{"version":1,"state":{"stations":{"a/b":null}}}`} {
		if _, err := Restore([]byte(data)); err == nil {
			t.Errorf("snapshot %q was taken", data)
		}
	}
}

func TestALateBuildIsLookedAtForSafetyAndNotCharted(t *testing.T) {
	w, wt := newWorld(1), newWatch(t)
	old := w.stationShift("tannery-row", "bar-1", 0, 1)[0]
	w.run(t, wt, nil, 0, 2)
	old.Grade = verdict.Unsafe
	old.Findings = []verdict.Finding{{Kind: verdict.WrongMilk, Criticality: drink.Safety, Got: "whole"}}
	before := wt.st.Stations["tannery-row/bar-1"].Charts["dose"].Level.Base
	o, err := wt.Build(old)
	if err != nil {
		t.Fatal(err)
	}
	if len(o.Signals) != 1 || o.Signals[0].Kind != SignalSafety || wt.Late() != 1 {
		t.Errorf("signals %v, late %d; want one of safety, 1", o.Signals, wt.Late())
	}
	if d := cmp.Diff(before, wt.st.Stations["tannery-row/bar-1"].Charts["dose"].Level.Base); d != "" {
		t.Error(d)
	}
}

func TestTheFirstShotAfterAnAdjustmentIsSetAside(t *testing.T) {
	w, wt := newWorld(1), newWatch(t)
	list := w.stationShift("tannery-row", "bar-1", 0, 1)
	if _, err := wt.Event(Event{Kind: Adjusted, At: list[0].Started.Add(-time.Minute), Site: "tannery-row", Station: "bar-1", Detail: "5"}); err != nil {
		t.Fatal(err)
	}
	dial := *list[1]
	dial.Serving = ""
	for _, b := range []*Build{list[0], list[1], &dial, list[2]} {
		if _, err := wt.Build(b); err != nil {
			t.Fatal(err)
		}
	}
	acc := wt.st.Stations["tannery-row/bar-1"].Acc
	if acc["shot_time"].N != 2 || acc["milk_temp"].N != 3 {
		t.Errorf("shots charted %d, milk %d; want 2 (one set aside, a dial-in shot not counted), 3", acc["shot_time"].N, acc["milk_temp"].N)
	}
}

func TestThePlainChartRingsOnceIn370(t *testing.T) {
	w, p := newWorld(9), NewPlain(400, 3)
	w.between = 0
	n, rings := 0, 0
	for day := range 300 {
		for _, b := range w.stationShift("tannery-row", "bar-1", day, 1) {
			if got := p.Build(b); day >= 60 {
				n += len(b.Readings)
				rings += len(got)
			}
		}
	}
	// 1/370.4 of independent normal readings with known limits; limits of 400
	// readings and rounding allow a factor of two.
	if share := float64(rings) / float64(n); share < 0.0013 || share > 0.0055 {
		t.Errorf("%d of %d readings ring, %.4f; want about 0.0027", rings, n, share)
	}
}

func BenchmarkBuild(b *testing.B) {
	w := messy(2)
	steps := stream(w)
	wt := newWatch(b)
	builds := 0
	b.ReportAllocs()
	b.ResetTimer()
	for i := 0; builds < b.N; i++ {
		if i%len(steps) == 0 && i > 0 {
			b.StopTimer()
			wt = newWatch(b)
			b.StartTimer()
		}
		s := steps[i%len(steps)]
		s.give(b, wt)
		if s.b != nil {
			builds++
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(builds), "ns/build")
}
