package sim

import (
	"math"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// spreads is the usual standard deviation of each measure at a bar, in
// thousandths of its base unit; invented. Measures not listed vary by a sixth
// of their tolerance.
var spreads = map[string]float64{
	"dose": 200, "yield": 500, "shot_time": 1_200, "brew_temp": 300,
	"milk_temp": 1_500, "water_temp": 1_000, "milk_volume": 2_000, "water_volume": 2_000,
	"froth_depth": 800, "powder": 300, "ice": 5_000, "steep_time": 3_000,
}

// paces is how long each act takes; invented. Acts not listed take 5 s.
var paces = map[string]time.Duration{
	"dose": 9 * time.Second, "pull": 29 * time.Second, "steam": 22 * time.Second,
	"steep": 60 * time.Second, "wipe": 3 * time.Second, "swirl": 3 * time.Second,
}

// stepOf is the instrument's step for a check, at least a thousandth.
func stepOf(c *drink.Check) drink.Milli {
	step := c.Resolution
	if m := drink.MeasureByCode(c.Measure); step <= 0 && m != nil {
		step = m.Resolution
	}
	return max(step, 1)
}

// within gives the least and the greatest value on the instrument's grid that
// a sound build may read. Safety values keep a step away from their limits,
// as a careful barista does.
func within(c *drink.Check) (lo, hi drink.Milli, ok bool) {
	step := stepOf(c)
	lo, hi = c.Low, c.High
	if m := drink.MeasureByCode(c.Measure); m != nil {
		lo, hi = max(lo, m.Least), min(hi, m.Most)
	}
	lo, hi = ceilTo(lo, step), floorTo(hi, step)
	if c.Criticality == drink.Safety {
		if c.Low != drink.NoLow {
			lo += step
		}
		if c.High != drink.NoHigh {
			hi -= step
		}
	}
	return lo, hi, lo <= hi
}

// readings measures a check of a sound build, every occurrence.
func (b *Bar) readings(c *drink.Check, who barista) []drink.Reading {
	out := make([]drink.Reading, 0, c.Occurrences)
	for n := 1; n <= c.Occurrences; n++ {
		out = append(out, b.reading(c, n, b.soundValue(c, who)))
	}
	return out
}

// soundValue is normal about the target, rounded to what the instrument shows
// and cut off at the limits: a value beyond them would be a fault that nobody
// injected.
func (b *Bar) soundValue(c *drink.Check, who barista) drink.Milli {
	lo, hi, ok := within(c)
	noise := b.rng.NormFloat64()
	if !ok {
		return c.Target
	}
	sd, listed := spreads[c.Measure]
	if !listed && c.Low != drink.NoLow && c.High != drink.NoHigh {
		sd = float64(c.High-c.Low) / 6
	}
	v := c.Target + drink.Milli(math.Round(sd*(who.bias+who.spread*noise)))
	step := stepOf(c)
	return min(max(floorTo(v+step/2, step), lo), hi)
}

func (b *Bar) reading(c *drink.Check, occurrence int, v drink.Milli) drink.Reading {
	r := drink.Reading{Check: c.ID, Occurrence: occurrence, Value: v, Resolution: c.Resolution, Instrument: c.Measure + "-1"}
	if m := drink.MeasureByCode(c.Measure); m != nil {
		r.Unit = m.Unit
	}
	return r
}

// steps does the steps in an order that their After lists allow, the written
// one where it may be; now and then an optional one is skipped.
func (b *Bar) steps(s *drink.Serving) []drink.StepLog {
	var log []drink.StepLog
	done := make(map[string]bool, len(s.Steps))
	var at time.Duration
	for range s.Steps {
		i := slices.IndexFunc(s.Steps, func(st drink.Step) bool {
			return !done[st.ID] && !slices.ContainsFunc(st.After, func(id string) bool { return !done[id] })
		})
		if i < 0 {
			break
		}
		st := &s.Steps[i]
		done[st.ID] = true
		if st.Optional && b.rng.Float64() < 0.2 {
			continue
		}
		at += b.pace(st.Act)
		log = append(log, drink.StepLog{Step: st.ID, At: at})
	}
	return log
}

// pace is how long an act took, within a fifth of usual, in tenths of seconds.
func (b *Bar) pace(act string) time.Duration {
	usual, listed := paces[act]
	if !listed {
		usual = 5 * time.Second
	}
	return time.Duration(float64(usual) * (0.8 + 0.4*b.rng.Float64())).Round(100 * time.Millisecond)
}

// stamp puts a build's times so that it was finished, and its readings
// entered, at now.
func stamp(b *drink.Build, now time.Time) {
	took := 5 * time.Second
	if n := len(b.Steps); n > 0 {
		took += b.Steps[n-1].At
	}
	b.FinishedAt = now
	b.StartedAt = now.Add(-took)
	for i := range b.Readings {
		b.Readings[i].MeasuredAt = now.Add(-3 * time.Second)
		b.Readings[i].EnteredAt = now
	}
}

// shift moves all times of a build, as a clock that is wrong does.
func shift(b *drink.Build, by time.Duration) {
	b.StartedAt, b.FinishedAt = b.StartedAt.Add(by), b.FinishedAt.Add(by)
	for i := range b.Readings {
		b.Readings[i].MeasuredAt = b.Readings[i].MeasuredAt.Add(by)
		b.Readings[i].EnteredAt = b.Readings[i].EnteredAt.Add(by)
	}
}

// floorTo and ceilTo round to a multiple of step, below and above; step > 0.
func floorTo(v, step drink.Milli) drink.Milli {
	r := v % step
	if r < 0 {
		r += step
	}
	return v - r
}

func ceilTo(v, step drink.Milli) drink.Milli { return -floorTo(-v, step) }
