package instrument_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
)

// Whatever the instruments send, in whatever order: no panic, no value that
// cannot be, none given twice for one occurrence, none for a build not open.
func TestJoinerHoldsWhateverComes(t *testing.T) {
	serving := &drink.Serving{Checks: []drink.Check{
		{ID: "dose", Measure: "dose", Occurrences: 2}, {ID: "yield", Measure: "yield", Occurrences: 2}, {ID: "shot_time", Measure: "shot_time", Occurrences: 2},
		{ID: "milk_temp", Measure: "milk_temp", Occurrences: 1}, {ID: "cup_mass", Measure: "cup_mass", Occurrences: 1},
	}}
	rapid.Check(t, func(t *rapid.T) {
		j, err := instrument.NewJoiner(instrument.Wiring{
			"scale": {instrument.Dose, instrument.Yield, instrument.CupMass}, "timer": {instrument.ShotTime}, "probe": {instrument.MilkTemp},
		})
		if err != nil {
			t.Fatal(err)
		}
		now, open := start, ""
		given := map[string]bool{}
		look := func(r instrument.Result, also string) {
			for _, g := range r.Joined {
				m := drink.MeasureByCode(g.Reading.Check)
				key := fmt.Sprint(g.Build, g.Reading.Check, g.Reading.Occurrence)
				if g.Build != open && g.Build != also || given[key] || g.Reading.Value < m.Least || g.Reading.Value > m.Most || g.How == "" {
					t.Fatalf("%+v with %q open", g, open)
				}
				given[key] = true
			}
		}
		for i := range rapid.IntRange(1, 120).Draw(t, "n") {
			now = now.Add(time.Duration(rapid.IntRange(-500, 4000).Draw(t, "ms")) * time.Millisecond)
			r := instrument.Reading{MeasuredAt: now, ReceivedAt: now, Stable: rapid.Bool().Draw(t, "stable"), Resolution: 100}
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				was := open
				open = fmt.Sprint("build-", i)
				res, err := j.Open(instrument.OpenBuild{ID: open, Serving: serving, StartEvent: "pump_on", At: now})
				if err != nil {
					t.Fatal(err)
				}
				look(res, was)
				continue
			case 1:
				look(j.Close(), "")
				open = ""
				continue
			case 2:
				look(j.Tick(now), "")
				continue
			case 3, 4, 5:
				r.Instrument, r.Kind, r.Unit = "scale", instrument.Scale, "g"
				r.Value = drink.Milli(rapid.SampledFrom([]int{-580_000, 0, 18_000, 18_100, 36_000, 36_100, 250_000}).Draw(t, "g"))
				r.Event = rapid.SampledFrom([]instrument.Event{0, 0, 0, instrument.Tare}).Draw(t, "e")
			case 6, 7:
				r.Instrument, r.Kind, r.Unit = "timer", instrument.Timer, "s"
				r.Value = drink.Milli(rapid.IntRange(0, 40_000).Draw(t, "s"))
				r.Event = rapid.SampledFrom([]instrument.Event{0, instrument.Start, instrument.Stop}).Draw(t, "e")
				r.StartEvent = rapid.SampledFrom([]string{"", "pump_on", "first_drop"}).Draw(t, "se")
			default:
				r.Instrument, r.Kind, r.Unit = "probe", instrument.Thermometer, "Cel"
				r.Value = drink.Milli(rapid.IntRange(0, 90_000).Draw(t, "c"))
				r.Event = rapid.SampledFrom([]instrument.Event{0, 0, instrument.Start, instrument.Stop}).Draw(t, "e")
			}
			res, err := j.Take(r, now)
			if err != nil {
				t.Fatal(err)
			}
			look(res, "")
		}
		look(j.Close(), "")
	})
}

func reading(kind instrument.Kind, at time.Duration, value drink.Milli, event instrument.Event) (instrument.Reading, time.Time) {
	when := start.Add(at)
	r := instrument.Reading{Instrument: kind.String() + "-1", Kind: kind, Unit: instrument.Units(kind)[0], Value: value, Resolution: 100,
		MeasuredAt: when, ReceivedAt: when, Stable: true, Event: event}
	if kind == instrument.Timer {
		r.StartEvent = "pump_on"
	}
	return r, when
}

// What the scale shows after a shot is the cup, not the next dose: a shot whose
// dose was not weighed gets none.
func TestTheCupIsNotTakenForADose(t *testing.T) {
	j, err := instrument.NewJoiner(wiring)
	if err != nil {
		t.Fatal(err)
	}
	two := &drink.Serving{Checks: []drink.Check{{ID: "dose", Measure: "dose", Occurrences: 2}, {ID: "yield", Measure: "yield", Occurrences: 2}}}
	if _, err := j.Open(instrument.OpenBuild{ID: "b", Serving: two, StartEvent: "pump_on", At: start}); err != nil {
		t.Fatal(err)
	}
	s := time.Second
	got := map[string]drink.Milli{}
	for _, step := range []struct {
		kind  instrument.Kind
		at    time.Duration
		value drink.Milli
		event instrument.Event
	}{
		{instrument.Scale, 1 * s, 0, instrument.Tare}, {instrument.Scale, 5 * s, 18_100, 0}, {instrument.Scale, 6 * s, -580_000, 0},
		{instrument.Scale, 7 * s, 12_000 - 580_000, 0}, {instrument.Scale, 8 * s, 0, instrument.Tare},
		{instrument.Timer, 10 * s, 0, instrument.Start}, {instrument.Scale, 30 * s, 30_000, 0}, {instrument.Timer, 38 * s, 28_000, instrument.Stop},
		{instrument.Scale, 39 * s, 36_000, 0}, {instrument.Scale, 40 * s, 36_000, 0}, {instrument.Scale, 45 * s, 36_000, 0},
		// The cup is tared again and a second shot pulled into it, its dose not weighed.
		{instrument.Scale, 50 * s, 0, instrument.Tare},
		{instrument.Timer, 60 * s, 0, instrument.Start}, {instrument.Scale, 80 * s, 30_000, 0}, {instrument.Timer, 87 * s, 27_000, instrument.Stop},
		{instrument.Scale, 88 * s, 35_500, 0}, {instrument.Scale, 89 * s, 35_500, 0},
	} {
		r, at := reading(step.kind, step.at, step.value, step.event)
		res, err := j.Take(r, at)
		if err != nil {
			t.Fatal(err)
		}
		for _, g := range res.Joined {
			got[fmt.Sprint(g.Reading.Check, " ", g.Reading.Occurrence)] = g.Reading.Value
		}
	}
	want := map[string]drink.Milli{"dose 1": 18_100, "yield 1": 36_000, "yield 2": 35_500}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("%v, want %v", got, want)
	}
}
