package season

import (
	"math"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/watch"
)

// instruments are a station's biases: of the probe (°C), the dose scale (g) and
// the span of its scales (1), and the step of its timer (s).
type instruments struct{ probe, scale, span, timerStep float64 }

// Steps and ends of scale of the other instruments.
const (
	tenth     = 0.1
	whole     = 1.0
	probeMost = 99.9
	timerMost = 99.9
	scaleMost = 2000.0
)

// value is a reading before it is logged.
type value struct {
	l     *limit
	occ   int
	v     float64
	step  float64
	most  float64
	typed bool
	scale bool // needs the battery scale
}

// log measures what the plan asks for and writes it down, or does not.
func (s *station) log(x float64, rec *recipe, who *barista, sp *spec, want kinds, audited bool) {
	r, d := s.run, s.run.d
	r.logged.Readings = r.logged.Readings[:0]
	if rec.pulls == 0 && want == 0 {
		return
	}
	d.set(s.key^s.builds<<16, saltRead)
	var buf [10]value
	vals := s.measure(buf[:0], x, rec, sp, want, audited, d)
	faking := false
	if want != 0 && !audited {
		faking = r.fault.fakes(who, x)
		vals = s.skip(vals, x, want, faking)
		if faking {
			s.fake(vals, who, x)
		}
		s.remember(vals, who, faking)
	}
	end := x + rec.specs[0].finish.Seconds()
	if want != 0 {
		end += d.between(15, 75)
		if peak(x) {
			end += d.between(0, 150) // written down when there is time
		}
	}
	if faking && r.fault.kind == FakeRows {
		end = math.Max(s.inRows(who), end)
	}
	at := r.at(end + s.clock)
	b := &r.build
	b.Entered = at
	timer := r.at(x + s.clock).Add(time.Duration(rec.pulls*pullApart) * time.Second)
	for i := range vals {
		k := &vals[i]
		entered := at
		if !k.typed {
			entered = timer
		}
		b.Readings = append(b.Readings, watch.Reading{Measure: k.l.measure, Check: k.l.id, Occurrence: k.occ, Value: k.v,
			Target: k.l.target, Low: k.l.low, High: k.l.high, Resolution: k.step, Entered: entered})
		r.logged.Readings = append(r.logged.Readings, drink.Reading{Check: k.l.id, Occurrence: k.occ, Value: drink.Milli(math.Round(k.v * 1000)),
			Unit: k.l.unit, Resolution: drink.Milli(math.Round(k.step * 1000)), MeasuredAt: timer, EnteredAt: entered})
	}
}

// measure reads the instruments. The machine's timer reads every pull.
func (s *station) measure(vals []value, x float64, rec *recipe, sp *spec, want kinds, audited bool, d *dice) []value {
	r, in, t := s.run, &s.run.p.Instruments, &s.run.truth
	bias, noise := 1.0, 1.0
	if audited {
		bias, noise = 0, 0.5 // an auditor's own instruments, checked that morning
	}
	for i := range rec.pulls {
		k := &t.Pulls[i]
		dose := k.DoseG + bias*s.scale + noise*d.norm(0, in.DoseNoise)
		yield := k.YieldG*(1+bias*s.span) + noise*d.norm(0, in.YieldNoise)
		time := k.TimeS + d.norm(0, in.TimerNoise)
		if want&shotsCheck != 0 {
			vals = append(vals, value{&sp.dose, i + 1, dose, tenth, scaleMost, true, true}, value{&sp.yield, i + 1, yield, tenth, scaleMost, true, true})
		}
		vals = append(vals, value{&sp.time, i + 1, time, s.timerStep, timerMost, want&shotsCheck != 0, false})
	}
	if want&milkCheck != 0 && rec.hot {
		c := t.MilkC + bias*s.probe + noise*d.norm(0, in.ProbeNoise)
		early, by := d.Float64() < in.Early, d.between(in.EarlyLow, in.EarlyHigh)
		if early && !audited {
			c -= by
		}
		if !audited && r.fault.strikes(ProbeDropped, s, x) {
			c += r.fault.sizes.ProbeC * r.fault.ramp(x)
			t.Touched = true
		}
		mass := t.CupG*(1+bias*s.span) + noise*d.norm(0, in.CupNoise)
		vals = append(vals, value{&sp.temp, 1, c, tenth, probeMost, true, false}, value{&sp.mass, 1, mass, whole, scaleMost, true, true})
		if sp.sauce.ok {
			vals = append(vals, value{&sp.sauce, 1, t.SauceG + noise*d.norm(0, in.SauceNoise), whole, scaleMost, true, true})
		}
	}
	if want&frothCheck != 0 && sp.depth.ok {
		age := r.p.Milk.AgeS * math.Exp(r.p.Milk.AgeLogSD*d.NormFloat64())
		depth := layer(&rec.vessel, math.Min(t.FillML, rec.vessel.brim), s.drained(t.AirML, age))
		if t.BrimML != rec.vessel.brim {
			depth = t.FrothMM
		}
		vals = append(vals, value{&sp.depth, 1, math.Max(depth+d.norm(0, in.RulerNoise), 0), whole, t.HeightMM, true, false})
	}
	for i := range vals {
		vals[i].round()
	}
	return vals
}

func (k *value) round() {
	k.v = math.Min(math.Max(math.Round(k.v/k.step)*k.step, 0), k.most)
	// A tenth has no exact double: keep what is shown.
	k.v = math.Round(k.v*1000) / 1000
}

// drained is the froth layer, mL, of an age: its air stays, liquid leaves.
func (s *station) drained(air, age float64) float64 {
	m := &s.run.p.Milk
	left := func(t float64) float64 { return 1 - m.Drainable + m.Drainable*math.Exp(-t/m.DrainTauS) }
	return air + air*(1-m.GasShare)/m.GasShare*left(age)/left(30)
}

// skip drops the typed readings of a check that is not done: at random, more so
// at the peak, when it would have failed, and where the battery is dead.
func (s *station) skip(vals []value, x float64, want kinds, faking bool) []value {
	r, d, m := s.run, s.run.d, &s.run.p.Missing
	// The draws of the instruments stay apart from these.
	d.set(s.key^s.builds<<16, saltLog)
	u, v := d.Float64(), d.Float64()
	chance := m.Random
	if peak(x) {
		chance += m.Peak
	}
	failed := false
	for i := range vals {
		k := &vals[i]
		failed = failed || k.typed && (k.v < k.l.low || k.v > k.l.high)
	}
	missed := u < chance || failed && v < m.OutOfTolerance && !(faking && r.fault.kind == FakePasses)
	dead := x >= s.battery[0] && x < s.battery[1]
	if !missed && !dead {
		return vals
	}
	kept, lost := vals[:0], false
	for _, k := range vals {
		switch {
		case !k.typed:
		case missed && k.l.measure == "shot_time":
			k.typed = false // the machine's own timer still logs it
		case missed, dead && k.scale:
			lost = true
			continue
		}
		kept = append(kept, k)
	}
	if lost {
		// The prompt expires after ten minutes.
		detail := want.String()
		if !missed {
			detail += ": scale without battery"
		}
		s.happens(x+600, watch.Missed, s.who.name, detail)
	}
	return kept
}

// fake makes up the typed values as the fault has it.
func (s *station) fake(vals []value, who *barista, x float64) {
	f, d := &s.run.fault, s.run.d
	d.set(s.key^s.builds<<16, saltFault)
	for i := range vals {
		k := &vals[i]
		if !k.typed {
			continue
		}
		was := k.v
		half := math.Max(k.l.high-k.l.low, 0) / 2
		if math.IsInf(half, 0) {
			half = 10 * k.step
		}
		switch f.kind {
		case FakeCopies:
			k.v = k.l.target + d.between(-1, 1)*f.sizes.CopyWithin
		case FakeHeaps:
			if d.Float64() < 0.8 {
				k.v = math.Round(k.v/(5*k.step)) * 5 * k.step
			}
		case FakeReplays:
			if p := who.past[k.l.id]; p != nil && len(p.old) > 0 {
				k.v = k.l.target + p.old[p.at%len(p.old)] + k.step
				p.at++
			}
		case FakeRows:
			k.v = k.l.target + (k.v-k.l.target)/2
		case FakePasses:
			for range 20 {
				if k.v >= k.l.low && k.v <= k.l.high {
					break
				}
				k.v = k.l.target + half*d.norm(0.2, 0.7)
				k.round()
			}
		}
		k.round()
		t := &s.run.truth
		t.Faked = true
		if k.v != was || f.kind == FakeRows {
			t.Touched = true
		}
	}
}

// memory is how many old values a fabricator goes back to.
const memory = 40

// remember keeps what a barista honestly logged.
func (s *station) remember(vals []value, who *barista, faking bool) {
	if s.run.fault.kind != FakeReplays || who != s.run.fault.who || faking {
		return
	}
	for i := range vals {
		k := &vals[i]
		if !k.typed {
			continue
		}
		p := who.past[k.l.id]
		if p == nil {
			p = &replay{}
			who.past[k.l.id] = p
		}
		if len(p.old) < memory {
			p.old = append(p.old, k.v-k.l.target)
		} else {
			p.old[p.at%memory] = k.v - k.l.target
			p.at++
		}
	}
}

// inRows is when a row that is filled in at the end of the shift is entered:
// rows at a time within seconds of each other.
func (s *station) inRows(who *barista) float64 {
	f := &s.run.fault
	who.rows++
	open := float64(s.day)*day + opening + float64(s.shift)*shiftLong
	return open + shiftLong - 300 + float64(who.rows%f.sizes.Rows)*f.sizes.RowsS/float64(f.sizes.Rows)
}
