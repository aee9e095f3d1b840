package bar

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
)

// play hands all that simulated instruments send to f, in the order it arrives,
// with the clock moved along. The first drink begins now.
func (r *rigged) play(cfg instrumentsim.Config, f func(instrument.Reading)) instrumentsim.Drink {
	r.t.Helper()
	cfg.Start = r.Clock.Now()
	if cfg.Drinks == 0 {
		cfg.Drinks = 1
	}
	var all []instrument.Reading
	for kind := instrument.Scale; kind <= instrument.Thermometer; kind++ {
		seq, err := instrumentsim.Readings(kind, cfg)
		r.must(err)
		all = slices.AppendSeq(all, seq)
	}
	slices.SortStableFunc(all, func(a, b instrument.Reading) int { return a.ReceivedAt.Compare(b.ReceivedAt) })
	for _, x := range all {
		r.Clock.Add(x.ReceivedAt.Sub(r.Clock.Now()))
		f(x)
	}
	return instrumentsim.Truth(cfg.Seed, cfg.Drinks)[0]
}

func (r *rigged) takeIn(x instrument.Reading) {
	r.t.Helper()
	if _, _, err := r.bar.TakeReading(x, r.Clock.Now()); err != nil {
		r.t.Fatal(err)
	}
}

func near(v drink.Milli, truth, within float64) bool {
	return v.Float() > truth-within && v.Float() < truth+within
}

func TestInstrumentsFillTheOpenBuild(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.enter(o.ID, "dose", 1, 19_900)
	last := r.Clock.Now()
	d := r.play(instrumentsim.Config{Seed: 3}, func(x instrument.Reading) {
		r.takeIn(x)
		if r.Clock.Now().Sub(last) > time.Second {
			last = r.Clock.Now()
			r.tick()
		}
	})
	s := r.state()
	got := map[string]Value{}
	for _, v := range s.Open.Readings {
		got[v.Check] = v
	}
	if v := got["dose"]; v.Value != 19_900 || v.How != "keypad" {
		t.Errorf("what was typed was replaced: %+v", v)
	}
	if v := got["shot_time"]; !near(v.Value, d.ShotTime, 0.2) || v.Instrument != "timer-1" || !strings.HasPrefix(v.How, "timer-1: ") {
		t.Errorf("%+v, truth %+v", v, d)
	}
	if v := got["yield"]; !near(v.Value, d.Yield, 0.3) {
		t.Errorf("%+v, truth %+v", v, d)
	}
	if v := got["milk_temp"]; !near(v.Value, d.MilkTemp, 0.5) {
		t.Errorf("%+v, truth %+v", v, d)
	}
	if !slices.ContainsFunc(s.Open.Notes, func(n string) bool { return strings.Contains(n, "was left out, 19.9 g stands") }) {
		t.Errorf("%q", s.Open.Notes)
	}
	r.restart()
	if len(r.state().Open.Readings) != 4 {
		t.Error("what an instrument gave is gone after a restart")
	}
	r.finish(o.ID)
	b := r.log()[0].GetBuild()
	if b.GetHow() != "mixed" || len(b.GetReadings()) != 4 {
		t.Errorf("%v", b)
	}
}

func TestAFaultIsShownAndEnds(t *testing.T) {
	r := setUp(t)
	var seen []instrument.FaultKind
	end := r.bar.FollowReadings(func(_ instrument.Result, faults []instrument.Fault) {
		for _, f := range faults {
			seen = append(seen, f.Kind)
		}
	})
	defer end()
	shown := false
	last := r.Clock.Now()
	r.play(instrumentsim.Config{Seed: 3, Fault: instrumentsim.Stall}, func(x instrument.Reading) {
		for r.Clock.Now().Sub(last) > time.Second {
			last = last.Add(time.Second)
			r.bar.mu.Lock()
			r.must(r.bar.tickFeed(t.Context(), last))
			r.bar.mu.Unlock()
			shown = shown || len(r.state().Faults) > 0
		}
		r.takeIn(x)
	})
	if !shown || !slices.Contains(seen, instrument.Stalled) {
		t.Errorf("a stall was not shown: %v", seen)
	}
	if s := r.state(); len(s.Faults) != 0 {
		t.Errorf("%+v", s.Faults)
	}
}

func TestABadReadingIsRefused(t *testing.T) {
	r := setUp(t)
	if _, _, err := r.bar.TakeReading(instrument.Reading{Instrument: "Scale"}, r.Clock.Now()); err == nil {
		t.Error("taken")
	}
	if _, _, err := r.bar.TakeReading(instrument.Reading{Instrument: "timer-1", Kind: instrument.Scale, Unit: "g"}, r.Clock.Now()); err == nil {
		t.Error("a scale was taken for a timer")
	}
}

func TestAWiringIsChecked(t *testing.T) {
	for text, want := range map[string]string{
		`{"instruments":{"Scale":{"roles":["dose"]}}}`:                    "instrument is",
		`{"instruments":{"a":{"roles":["taste"]}}}`:                       "taste",
		`{"instruments":{"a":{"roles":["dose","shot_time"]}}}`:            "another instrument",
		`{"instruments":{"a":{"roles":["dose"]},"b":{"roles":["dose"]}}}`: "dose is given to",
		`{"instruments":{"a":{"roles":["dose"],"interval_ms":-5}}}`:       "interval_ms",
		`{"instrument":{}}`:                          "instruments, cup_on_scale, grinder",
		`{"grinder":{"id":"g","increment_milli":0}}`: "increment",
		`{} 1`: "after it",
	} {
		if _, err := ParseWiring([]byte(text)); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v, want it to say %s", text, err, want)
		}
	}
	w, err := ParseWiring([]byte(`{"instruments":{"probe":{"roles":["milk_temp"],"on_demand":true},"s":{"roles":["yield"],"interval_ms":100}},"grinder":{"id":"left","finer_up":true,"increment_milli":250}}`))
	if err != nil || w.Grinder.IncrementMilli != 250 || len(w.ids()) != 2 {
		t.Errorf("%+v %v", w, err)
	}
	r := setUp(t)
	r.must(r.bar.Close())
	r.must(os.WriteFile(filepath.Join(r.Dir, InstrumentsFile), []byte(`{"instruments":{"x":{}}`), 0o600))
	if _, err := New(t.Context(), Config{Agent: r.Agent, Dir: r.Dir, Now: r.Clock.Now, still: true}); err == nil || !strings.Contains(err.Error(), InstrumentsFile) {
		t.Errorf("opened with a broken wiring: %v", err)
	}
	r.must(os.Remove(filepath.Join(r.Dir, InstrumentsFile)))
	r.openBar()
}

func FuzzParseWiring(f *testing.F) {
	f.Add([]byte(`{"instruments":{"scale-1":{"roles":["dose","yield"]}},"cup_on_scale":true}`))
	f.Fuzz(func(t *testing.T, raw []byte) {
		if w, err := ParseWiring(raw); err == nil {
			if _, err := w.feed(); err != nil {
				t.Error(err)
			}
		}
	})
}
