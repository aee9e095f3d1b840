// Package instrumentsim answers one question: what would a scale, a shot timer or
// a probe send, and what was the truth?
//
// Everything about the instruments is invented. The same seed gives the same
// drinks to each kind, so that three feeds belong together.
package instrumentsim

import (
	"context"
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
)

// Fault is something that a simulated instrument does wrong.
type Fault string

// The faults.
const (
	NoFault       Fault = ""
	Stall         Fault = "stall"          // sends nothing for 10 s
	Stick         Fault = "stick"          // repeats a value for 20 s
	Jump          Fault = "jump"           // one reading far off
	Lag           Fault = "lag"            // readings of 10 s come 5 s late
	ClockAhead    Fault = "clock_ahead"    // its clock is an hour ahead
	Lose          Fault = "lose"           // three readings are lost
	Repeat        Fault = "repeat"         // one reading comes twice
	Uncalibrated  Fault = "uncalibrated"   // its calibration ran out
	FirstDrop     Fault = "first_drop"     // a timer that counts from the first drop
	EarlyLift     Fault = "early_lift"     // the cup is lifted a second after the stop
	ForgottenTare Fault = "forgotten_tare" // the cup is not tared
)

// Faults lists them all.
var Faults = []Fault{Stall, Stick, Jump, Lag, ClockAhead, Lose, Repeat, Uncalibrated, FirstDrop, EarlyLift, ForgottenTare}

// Config of one simulated instrument. Zero values take the defaults stated.
type Config struct {
	// ID defaults to the kind's name with "-1".
	ID string
	// Seed decides the drinks, which all instruments of a station share.
	Seed uint64
	// Start of the first drink; defaults to the time of the call for Run, and is
	// needed by Readings.
	Start time.Time
	// Drinks to make, 90 s each; defaults to 1.
	Drinks int
	// Interval between readings: 200 ms for a scale, 500 ms for the others.
	Interval time.Duration
	// Unit is a UCUM code of the kind; its base unit by default. Resolution in
	// thousandths of it: 100 by default.
	Unit       string
	Resolution drink.Milli
	// Response is a probe's time constant, 3 to 8 s; 3 s by default.
	Response time.Duration
	// Fault, and when it begins after Start: 25 s by default, in the first shot.
	Fault   Fault
	FaultAt time.Duration
	// Speed of Run: 1 for real time, 60 for a minute a second; 0 does not wait.
	Speed float64
}

// Cycle is the length of one drink.
const Cycle = 90 * time.Second

// Drink is the truth about one drink. Times count from its start.
type Drink struct {
	// Dose and Yield, the latter with its drips, in g; ShotTime in s from pump
	// on; MilkTemp in °C as it is at the steam's stop.
	Dose, Yield, ShotTime, MilkTemp float64
	PumpOn, PumpOff                 time.Duration
	FirstDrop                       time.Duration
	SteamOn, SteamOff               time.Duration
	CupMass                         float64
}

// Truth gives the drinks of a seed.
func Truth(seed uint64, drinks int) []Drink {
	out := make([]Drink, drinks)
	rng := rand.New(rand.NewPCG(seed, 0x5eed))
	for i := range out {
		d := &out[i]
		d.Dose, d.Yield = 18+0.2*rng.NormFloat64(), 36+0.6*rng.NormFloat64()
		d.ShotTime = 28 + 1.5*rng.NormFloat64()
		d.MilkTemp = 60 + 1.2*rng.NormFloat64()
		d.CupMass = 250 + 100*rng.Float64()
		d.PumpOn = 20 * time.Second
		d.PumpOff = d.PumpOn + time.Duration(d.ShotTime*float64(time.Second))
		d.FirstDrop = d.PumpOn + time.Duration((5+2*rng.Float64())*float64(time.Second))
		d.SteamOn = 40 * time.Second
		d.SteamOff = d.SteamOn + time.Duration((16+4*rng.Float64())*float64(time.Second))
	}
	return out
}

func (c Config) filled(kind instrument.Kind) (Config, error) {
	if c.ID == "" {
		c.ID = kind.String() + "-1"
	}
	if c.Drinks == 0 {
		c.Drinks = 1
	}
	if c.Interval == 0 {
		c.Interval = 500 * time.Millisecond
		if kind == instrument.Scale {
			c.Interval = 200 * time.Millisecond
		}
	}
	if c.Unit == "" {
		if units := instrument.Units(kind); len(units) > 0 {
			c.Unit = units[0]
		}
	}
	if c.Resolution == 0 {
		c.Resolution = 100
	}
	if c.Response == 0 {
		c.Response = 3 * time.Second
	}
	if c.FaultAt == 0 {
		c.FaultAt = 25 * time.Second
	}
	known := c.Fault == NoFault
	for _, f := range Faults {
		known = known || f == c.Fault
	}
	switch {
	case kind < instrument.Scale || kind > instrument.Thermometer:
		return c, fmt.Errorf("simulated instrument: kind is %s, allowed: scale, timer, thermometer", kind)
	case !known:
		return c, fmt.Errorf("simulated instrument: fault is %q, allowed: %v", c.Fault, Faults)
	case c.Drinks < 0 || c.Interval < 10*time.Millisecond || c.Resolution < 0 || c.Response < 0 || !(c.Speed >= 0):
		return c, fmt.Errorf("simulated instrument: %d drinks every %v at speed %v; allowed: 0 and more, 10 ms and more, 0 and more", c.Drinks, c.Interval, c.Speed)
	}
	r := instrument.Reading{Instrument: c.ID, Kind: kind, Unit: c.Unit}
	return c, r.Check()
}

// Readings gives what the instrument sends, in the order it arrives, with
// ReceivedAt as a station with a right clock would see it.
func Readings(kind instrument.Kind, cfg Config) (iter.Seq[instrument.Reading], error) {
	c, err := cfg.filled(kind)
	if err != nil {
		return nil, err
	}
	if c.Start.IsZero() {
		return nil, fmt.Errorf("simulated instrument: start is not set; give the time of the first drink")
	}
	return func(yield func(instrument.Reading) bool) {
		s := &sim{c: c, kind: kind, rng: rand.New(rand.NewPCG(c.Seed, uint64(kind))), truth: Truth(c.Seed, c.Drinks)}
		s.run(yield)
	}, nil
}

// Run emits the readings at their time, until they end, the context does, or emit
// fails. SentAt and MeasuredAt are those of the simulated clock.
func Run(ctx context.Context, kind instrument.Kind, cfg Config, emit func(instrument.Reading) error) error {
	began := time.Now()
	if cfg.Start.IsZero() {
		cfg.Start = began
	}
	seq, err := Readings(kind, cfg)
	if err != nil {
		return err
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	for r := range seq {
		if cfg.Speed > 0 {
			due := began.Add(time.Duration(float64(r.ReceivedAt.Sub(cfg.Start)) / cfg.Speed))
			timer.Reset(time.Until(due))
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-timer.C:
			}
		} else if err := ctx.Err(); err != nil {
			return err
		}
		if err := emit(r); err != nil {
			return fmt.Errorf("sending reading %d of %s: %w", r.Sequence, r.Instrument, err)
		}
	}
	return nil
}

// sim walks through the drinks in steps of the interval.
type sim struct {
	c       Config
	kind    instrument.Kind
	rng     *rand.Rand
	truth   []Drink
	seq     uint64
	shown   float64 // what a probe shows
	stuckAt *drink.Milli
	arrived time.Time
	prior   drink.Milli
	still   int
	at      map[string]bool // events told in this drink
	cycle   int
}

func (s *sim) run(yield func(instrument.Reading) bool) {
	s.shown, s.cycle = 20, -1
	end := time.Duration(len(s.truth)) * Cycle
	for t := time.Duration(0); t < end; t += s.c.Interval {
		if i := int(t / Cycle); i != s.cycle {
			s.cycle, s.at = i, map[string]bool{}
		}
		for _, r := range s.deliver(s.reading(t), t) {
			if !yield(r) {
				return
			}
		}
	}
}

// once is true the first time in a drink that its time reaches a moment.
func (s *sim) once(name string, now, moment time.Duration) bool {
	if now < moment || s.at[name] {
		return false
	}
	s.at[name] = true
	return true
}

func (s *sim) reading(t time.Duration) instrument.Reading {
	d := s.truth[t/Cycle]
	now := t % Cycle
	at := s.c.Start.Add(t)
	r := instrument.Reading{
		Instrument: s.c.ID, Kind: s.kind, Unit: s.c.Unit, Resolution: s.c.Resolution,
		CalibratedOn: day(at.AddDate(0, 0, -30)), CalibrationDue: day(at.AddDate(0, 0, 60)), MeasuredAt: at, SentAt: at,
	}
	if s.c.Fault == Uncalibrated {
		r.CalibrationDue = day(at.AddDate(0, 0, -1))
	}
	var v float64
	switch s.kind {
	case instrument.Scale:
		v = s.scale(&r, d, now) + 0.02*s.rng.NormFloat64()
	case instrument.Timer:
		v = s.timer(&r, d, now)
	case instrument.Thermometer:
		v = s.probe(&r, d, now)
	}
	r.Value = s.shownAs(v)
	if s.kind == instrument.Scale {
		if gap := r.Value - s.prior; gap <= s.c.Resolution && gap >= -s.c.Resolution {
			s.still++
		} else {
			s.still = 0
		}
		r.Stable, s.prior = s.still >= 2, r.Value
	} else {
		r.Stable = r.Value == s.prior
		s.prior = r.Value
	}
	return r
}

// shownAs turns a value in the base unit into the display's unit and steps.
func (s *sim) shownAs(v float64) drink.Milli {
	switch s.c.Unit {
	case "kg":
		v /= 1000
	case "mg":
		v *= 1000
	case "[oz_av]":
		v /= 28.349523125
	case "min":
		v /= 60
	case "[degF]":
		v = v*1.8 + 32
	}
	step := float64(s.c.Resolution) / 1000
	return drink.Milli(math.Round(math.Round(v/step) * step * 1000))
}

func day(t time.Time) time.Time { return t.UTC().Truncate(24 * time.Hour) }

// deliver gives the readings that arrive at this moment.
func (s *sim) deliver(r instrument.Reading, t time.Duration) []instrument.Reading {
	s.seq++
	r.Sequence = s.seq
	r.ReceivedAt = r.SentAt.Add(time.Duration(20+s.rng.IntN(30)) * time.Millisecond)
	in := func(length time.Duration) bool { return t >= s.c.FaultAt && t < s.c.FaultAt+length }
	switch s.c.Fault {
	case Stall:
		if in(10 * time.Second) {
			s.seq--
			return nil
		}
	case Lose:
		if in(3 * s.c.Interval) {
			return nil
		}
	case Stick:
		if in(20 * time.Second) {
			if s.stuckAt == nil {
				v := r.Value
				s.stuckAt = &v
			}
			r.Value = *s.stuckAt
		}
	case Jump:
		if in(s.c.Interval) {
			r.Value += 200_000
		}
	case ClockAhead:
		r.MeasuredAt, r.SentAt = r.MeasuredAt.Add(time.Hour), r.SentAt.Add(time.Hour)
	case Repeat:
		if in(s.c.Interval) {
			return []instrument.Reading{r, r}
		}
	case Lag:
		if in(10 * time.Second) {
			r.ReceivedAt = r.ReceivedAt.Add(5 * time.Second)
		}
	}
	// A link keeps the order: what is held up holds up what follows.
	if r.ReceivedAt.Before(s.arrived) {
		r.ReceivedAt = s.arrived
	}
	s.arrived = r.ReceivedAt
	return []instrument.Reading{r}
}
