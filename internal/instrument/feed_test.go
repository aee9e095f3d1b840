package instrument_test

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/instrument/instrumentsim"
)

var start = time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)

var latte = &drink.Serving{ID: "latte/m/whole", Checks: []drink.Check{
	{ID: "dose", Measure: "dose", Occurrences: 1}, {ID: "yield", Measure: "yield", Occurrences: 1},
	{ID: "shot_time", Measure: "shot_time", Occurrences: 1}, {ID: "milk_temp", Measure: "milk_temp", Occurrences: 1},
}}

var wiring = instrument.Wiring{
	"scale-1": {instrument.Dose, instrument.Yield}, "timer-1": {instrument.ShotTime}, "thermometer-1": {instrument.MilkTemp},
}

// play feeds one station for one drink and returns all that came of it.
type played struct {
	joined map[string]instrument.Joined
	notes  []instrument.Note
	faults []instrument.Fault
}

func (p *played) take(r instrument.Result, faults []instrument.Fault) {
	for _, j := range r.Joined {
		key := j.Reading.Check
		if j.Extra {
			key += " extra"
		}
		p.joined[key] = j
	}
	p.notes, p.faults = append(p.notes, r.Notes...), append(p.faults, faults...)
}

func play(t testing.TB, configs map[instrument.Kind]instrumentsim.Config) *played {
	t.Helper()
	f, err := instrument.NewFeed(wiring, nil)
	if err != nil {
		t.Fatal(err)
	}
	var all []instrument.Reading
	for kind := instrument.Scale; kind <= instrument.Thermometer; kind++ {
		c := configs[kind]
		c.Start = start
		seq, err := instrumentsim.Readings(kind, c)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, slices.Collect(seq)...)
	}
	slices.SortStableFunc(all, func(a, b instrument.Reading) int { return a.ReceivedAt.Compare(b.ReceivedAt) })
	p := &played{joined: map[string]instrument.Joined{}}
	open := func(at time.Time) {
		r, err := f.Joiner.Open(instrument.OpenBuild{ID: "build-1", Serving: latte, StartEvent: "pump_on", At: at})
		if err != nil {
			t.Fatal(err)
		}
		p.take(r, nil)
	}
	opened, next := false, start
	for _, r := range all {
		if !opened && r.ReceivedAt.After(start.Add(10*time.Second)) {
			open(r.ReceivedAt)
			opened = true
		}
		for ; next.Before(r.ReceivedAt); next = next.Add(time.Second) {
			p.take(f.Tick(next))
		}
		res, faults, err := f.Take(r, r.ReceivedAt)
		if err != nil {
			t.Fatalf("%+v: %v", r, err)
		}
		p.take(res, faults)
	}
	p.take(f.Joiner.Close(), nil)
	return p
}

func everywhere(c instrumentsim.Config) map[instrument.Kind]instrumentsim.Config {
	return map[instrument.Kind]instrumentsim.Config{instrument.Scale: c, instrument.Timer: c, instrument.Thermometer: c}
}

func TestFeedsJoinToTheTruth(t *testing.T) {
	var milkOff float64
	for seed := range uint64(150) {
		truth := instrumentsim.Truth(seed, 1)[0]
		p := play(t, everywhere(instrumentsim.Config{Seed: seed}))
		for _, c := range []struct {
			check           string
			want            float64
			below, above    float64
			unit            drink.Unit
			instrument      string
			measuredBetween [2]time.Duration
		}{
			{"dose", truth.Dose, 0.15, 0.15, drink.Gram, "scale-1", [2]time.Duration{8 * time.Second, 12 * time.Second}},
			{"yield", truth.Yield, 0.45, 0.2, drink.Gram, "scale-1", [2]time.Duration{truth.PumpOff, truth.PumpOff + 4*time.Second}},
			{"shot_time", truth.ShotTime, 0.06, 0.06, drink.Second, "timer-1", [2]time.Duration{truth.PumpOff - time.Millisecond, truth.PumpOff + time.Second}},
			{"milk_temp", truth.MilkTemp, 0.7, 0.1, drink.Celsius, "thermometer-1", [2]time.Duration{truth.SteamOff, truth.SteamOff + 13*time.Second}},
		} {
			j, ok := p.joined[c.check]
			if !ok {
				t.Errorf("seed %d: no %s; notes %+v", seed, c.check, p.notes)
				continue
			}
			r := j.Reading
			off := r.Value.Float() - c.want
			if off < -c.below || off > c.above {
				t.Errorf("seed %d: %s %v, truth %.2f (%s; %s)", seed, c.check, r.Value, c.want, j.How, j.Doubt)
			}
			if c.check == "milk_temp" {
				milkOff = min(milkOff, off)
			}
			if j.Doubt != "" || j.Extra || r.Unit != c.unit || r.Resolution != 100 || r.Instrument != c.instrument || r.Occurrence != 1 || j.Build != "build-1" {
				t.Errorf("seed %d: %s: %+v", seed, c.check, j)
			}
			since := r.MeasuredAt.Sub(start)
			if since < c.measuredBetween[0] || since > c.measuredBetween[1] || r.EnteredAt.Before(r.MeasuredAt) || r.EnteredAt.Sub(r.MeasuredAt) > time.Second {
				t.Errorf("seed %d: %s measured %v after the start, entered %v later", seed, c.check, since, r.EnteredAt.Sub(r.MeasuredAt))
			}
		}
		// An honest feed is not accused.
		if len(p.faults) != 0 || len(p.notes) != 0 {
			t.Errorf("seed %d: faults %+v, notes %+v", seed, p.faults, p.notes)
		}
	}
	t.Logf("milk at most %.2f °C low", -milkOff)
}

func TestUnitsOfTheInstrumentDoNotChangeTheValue(t *testing.T) {
	truth := instrumentsim.Truth(3, 1)[0]
	p := play(t, map[instrument.Kind]instrumentsim.Config{
		instrument.Scale: {Seed: 3, Unit: "[oz_av]", Resolution: 5}, instrument.Timer: {Seed: 3, Unit: "min", Resolution: 1},
		instrument.Thermometer: {Seed: 3, Unit: "[degF]", Resolution: 100},
	})
	for check, want := range map[string][3]float64{"dose": {truth.Dose, 0.2, 142}, "yield": {truth.Yield, 0.5, 142}, "shot_time": {truth.ShotTime, 0.06, 60}, "milk_temp": {truth.MilkTemp, 0.7, 56}} {
		r := p.joined[check].Reading
		if math.Abs(r.Value.Float()-want[0]) > want[1] || float64(r.Resolution) != want[2] {
			t.Errorf("%s: %v with resolution %v, want %.2f and %v", check, r.Value, r.Resolution, want[0], want[2])
		}
	}
}

func TestFaultsAreSaid(t *testing.T) {
	for _, tc := range []struct {
		name  string
		kind  instrument.Kind
		c     instrumentsim.Config
		fault instrument.FaultKind
		words string
		ends  bool
	}{
		{"scale stalls", instrument.Scale, instrumentsim.Config{Fault: instrumentsim.Stall}, instrument.Stalled, "scale-1 stalled: nothing for", true},
		{"timer stalls", instrument.Timer, instrumentsim.Config{Fault: instrumentsim.Stall}, instrument.Stalled, "look at its battery", true},
		{"scale sticks in the shot", instrument.Scale, instrumentsim.Config{Fault: instrumentsim.Stick, FaultAt: 28 * time.Second}, instrument.Stuck, "while it should move", true},
		{"timer sticks", instrument.Timer, instrumentsim.Config{Fault: instrumentsim.Stick}, instrument.Stuck, "timer-1 is stuck:", true},
		{"probe sticks in the steam", instrument.Thermometer, instrumentsim.Config{Fault: instrumentsim.Stick, FaultAt: 42 * time.Second}, instrument.Stuck, "°C for 12 s while", true},
		{"probe jumps", instrument.Thermometer, instrumentsim.Config{Fault: instrumentsim.Jump}, instrument.Jumped, "which cannot be", true},
		{"scale jumps in the shot", instrument.Scale, instrumentsim.Config{Fault: instrumentsim.Jump, FaultAt: 30 * time.Second}, instrument.Jumped, "which cannot be", true},
		{"timer jumps", instrument.Timer, instrumentsim.Config{Fault: instrumentsim.Jump}, instrument.Jumped, "which cannot be", true},
		{"scale lags", instrument.Scale, instrumentsim.Config{Fault: instrumentsim.Lag, FaultAt: 60 * time.Second}, instrument.Lagging, "came 5.0 s after it was made", true},
		{"clock an hour ahead", instrument.Timer, instrumentsim.Config{Fault: instrumentsim.ClockAhead}, instrument.ClockOff, "its clock is ahead of the station's by 3600 s", false},
		{"readings lost", instrument.Scale, instrumentsim.Config{Fault: instrumentsim.Lose}, instrument.Gap, "scale-1 lost 3 readings", true},
		{"a reading twice", instrument.Thermometer, instrumentsim.Config{Fault: instrumentsim.Repeat}, instrument.Duplicate, "again or late", true},
		{"out of calibration", instrument.Thermometer, instrumentsim.Config{Fault: instrumentsim.Uncalibrated}, instrument.OutOfCalibration, "out of calibration since 2026-11-01", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tc.c.Seed = 5
			configs := everywhere(instrumentsim.Config{Seed: 5})
			configs[tc.kind] = tc.c
			p := play(t, configs)
			began, ended := 0, 0
			for _, f := range p.faults {
				// A value that was stuck leaps when it comes free, and a feed whose
				// readings come late is silent until the first of them.
				with := tc.fault == instrument.Stuck && f.Kind == instrument.Jumped || tc.fault == instrument.Lagging && f.Kind == instrument.Stalled
				if f.Instrument != tc.kind.String()+"-1" || f.Kind != tc.fault && !with {
					t.Errorf("an honest instrument was accused: %+v", f)
				}
				if f.Kind == tc.fault {
					if !strings.Contains(f.Words, tc.words) {
						t.Errorf("%q lacks %q", f.Words, tc.words)
					}
					if f.EndedAt.IsZero() {
						began++
					} else {
						ended++
					}
				}
			}
			if began+ended == 0 || began > 1 || tc.ends != (ended > 0) || ended > 2 {
				t.Errorf("began %d, ended %d: %+v", began, ended, p.faults)
			}
		})
	}
}

// A clock an hour ahead is put right before feeds are joined.
func TestAClockThatIsOffDoesNotSpoilTheJoin(t *testing.T) {
	configs := everywhere(instrumentsim.Config{Seed: 8})
	configs[instrument.Scale] = instrumentsim.Config{Seed: 8, Fault: instrumentsim.ClockAhead}
	p, truth := play(t, configs), instrumentsim.Truth(8, 1)[0]
	y := p.joined["yield"]
	if math.Abs(y.Reading.Value.Float()-truth.Yield) > 0.5 || y.Reading.MeasuredAt.After(start.Add(instrumentsim.Cycle)) {
		t.Errorf("yield %+v, truth %.1f; notes %v", y, truth.Yield, p.notes)
	}
}

func TestDoubtsAreSaid(t *testing.T) {
	t.Run("the cup lifted before the drips ended", func(t *testing.T) {
		configs := everywhere(instrumentsim.Config{Seed: 2})
		configs[instrument.Scale] = instrumentsim.Config{Seed: 2, Fault: instrumentsim.EarlyLift}
		p := play(t, configs)
		if j := p.joined["yield"]; !strings.Contains(j.Doubt, "before the drips had ended") {
			t.Errorf("%+v", j)
		}
	})
	t.Run("the cup was not tared", func(t *testing.T) {
		configs := everywhere(instrumentsim.Config{Seed: 2})
		configs[instrument.Scale] = instrumentsim.Config{Seed: 2, Fault: instrumentsim.ForgottenTare}
		p, truth := play(t, configs), instrumentsim.Truth(2, 1)[0]
		j := p.joined["yield"]
		if math.Abs(j.Reading.Value.Float()-truth.Yield) > 0.5 || !strings.Contains(j.How, "on the scale at the start") {
			t.Errorf("%+v, truth %.1f", j, truth.Yield)
		}
	})
	t.Run("the timer counts from another event", func(t *testing.T) {
		configs := everywhere(instrumentsim.Config{Seed: 2})
		configs[instrument.Timer] = instrumentsim.Config{Seed: 2, Fault: instrumentsim.FirstDrop}
		p := play(t, configs)
		if j, ok := p.joined["shot_time"]; ok {
			t.Errorf("joined all the same: %+v", j)
		}
		if len(p.notes) != 1 || !strings.Contains(p.notes[0].Words, "counts from the first drop and the book from pump on") {
			t.Errorf("%+v", p.notes)
		}
	})
	t.Run("a slow probe", func(t *testing.T) {
		configs := everywhere(instrumentsim.Config{Seed: 2})
		configs[instrument.Thermometer] = instrumentsim.Config{Seed: 2, Response: 8 * time.Second}
		p := play(t, configs)
		if j := p.joined["milk_temp"]; !strings.Contains(j.Doubt, "still rising 12 s after the stop: the milk may be hotter") {
			t.Errorf("%+v", j)
		}
	})
}

// One more shot than the build asks for is told, never silently put in the place
// of the first.
func TestAShotPulledAgainIsTold(t *testing.T) {
	p := play(t, everywhere(instrumentsim.Config{Seed: 4, Drinks: 2}))
	for _, check := range []string{"yield", "shot_time"} {
		again, ok := p.joined[check+" extra"]
		if _, first := p.joined[check]; !first || !ok || again.Reading.Occurrence != 2 {
			t.Errorf("%s: %+v", check, p.joined)
		}
	}
}

func TestWiringThatCannotBeIsRefused(t *testing.T) {
	for want, w := range map[string]instrument.Wiring{
		"milk_temp needs a thermometer":             {"scale-1": {instrument.Dose, instrument.MilkTemp}},
		"yield is given to scale-1 and scale-2":     {"scale-1": {instrument.Yield}, "scale-2": {instrument.Yield}},
		`role is "weight"`:                          {"scale-1": {"weight"}},
		`instrument is "Scale One", allowed: 1 to `: {"Scale One": {instrument.Dose}},
	} {
		if _, err := instrument.NewFeed(w, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want %q, got %v", want, err)
		}
	}
}

// However many instruments and faults are sent, the state stays small.
func TestAFloodIsBounded(t *testing.T) {
	f, err := instrument.NewFeed(wiring, nil)
	if err != nil {
		t.Fatal(err)
	}
	refused, told := 0, 0
	for i := range 20_000 {
		id := "x-" + strings.Repeat("a", 1+i%50)
		r := instrument.Reading{Instrument: id, Kind: instrument.Scale, Unit: "g", Sequence: 5, MeasuredAt: start}
		_, faults, err := f.Take(r, start.Add(time.Duration(i)*time.Millisecond))
		if err != nil {
			refused++
		}
		told += len(faults)
	}
	if refused != 20_000*18/50 {
		t.Errorf("%d readings of instruments beyond 32 were refused", refused)
	}
	if told > 32*3 {
		t.Errorf("a flood of repeats was told %d times", told)
	}
}

func BenchmarkTake(b *testing.B) {
	seq, err := instrumentsim.Readings(instrument.Scale, instrumentsim.Config{Start: start, Drinks: 100})
	if err != nil {
		b.Fatal(err)
	}
	all := slices.Collect(seq)
	f, err := instrument.NewFeed(wiring, nil)
	if err != nil {
		b.Fatal(err)
	}
	i, shift := 0, time.Duration(0)
	for b.Loop() {
		r := all[i%len(all)]
		r.Sequence = uint64(i + 1)
		r.MeasuredAt, r.SentAt, r.ReceivedAt = r.MeasuredAt.Add(shift), r.SentAt.Add(shift), r.ReceivedAt.Add(shift)
		if _, _, err := f.Take(r, r.ReceivedAt); err != nil {
			b.Fatal(err)
		}
		if i++; i%len(all) == 0 {
			shift += 100 * instrumentsim.Cycle
		}
	}
}
