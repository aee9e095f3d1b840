package instrumentsim

import (
	"math"
	"time"

	"samecup.example/samecup/internal/instrument"
)

// portafilter stands on the scale while it is filled, g.
const portafilter = 580

// scale goes through a drink: the portafilter is tared and filled, lifted; the
// cup is put on and tared; the shot runs, drips, and the cup is lifted.
func (s *sim) scale(r *instrument.Reading, d Drink, now time.Duration) float64 {
	sec := time.Second
	untared := s.c.Fault == ForgottenTare
	lift := d.PumpOff + 7*sec
	if s.c.Fault == EarlyLift {
		lift = d.PumpOff + sec
	}
	switch {
	case now < 2*sec:
		return 0
	case now < 3*sec:
		return portafilter
	case now < 8*sec: // ground in 5 s
		if s.once("portafilter", now, 3*sec) {
			r.Event = instrument.Tare
			return 0
		}
		return d.Dose * (now - 3*sec).Seconds() / 5
	case now < 12*sec:
		return d.Dose
	case now < 14*sec:
		return -portafilter
	case now < 16*sec:
		return d.CupMass - portafilter
	}
	if !untared && s.once("cup", now, 16*sec) {
		r.Event = instrument.Tare
		return 0
	}
	var v float64
	if untared {
		v = d.CupMass - portafilter
	}
	if now >= lift {
		return v - d.CupMass
	}
	return v + s.poured(d, now)
}

// poured is the mass in the cup, g: from the first drop to the stop in a straight
// line, then the drips with a time constant of half a second.
func (s *sim) poured(d Drink, now time.Duration) float64 {
	const drips = 1.4
	switch {
	case now < d.FirstDrop:
		return 0
	case now < d.PumpOff:
		return (d.Yield - drips) * float64(now-d.FirstDrop) / float64(d.PumpOff-d.FirstDrop)
	}
	return d.Yield - drips*math.Exp(-(now-d.PumpOff).Seconds()/0.5)
}

// timer counts from pump on, or from the first drop.
func (s *sim) timer(r *instrument.Reading, d Drink, now time.Duration) float64 {
	from := d.PumpOn
	r.StartEvent = "pump_on"
	if s.c.Fault == FirstDrop {
		from, r.StartEvent = d.FirstDrop, "first_drop"
	}
	switch {
	case s.once("start", now, from):
		r.Event = instrument.Start
		r.MeasuredAt = r.MeasuredAt.Add(from - now) // the event has its own moment
		return 0
	case s.once("stop", now, d.PumpOff):
		r.Event = instrument.Stop
		r.MeasuredAt = r.MeasuredAt.Add(d.PumpOff - now)
		return (d.PumpOff - from).Seconds()
	case now < from:
		return 0
	case now < d.PumpOff:
		return (now - from).Seconds()
	}
	return (d.PumpOff - from).Seconds()
}

// probe stands in the milk from 35 s and follows it with its time constant; the
// milk rises from 5 °C in a straight line, then rests.
func (s *sim) probe(r *instrument.Reading, d Drink, now time.Duration) float64 {
	milk := 20.0
	switch out := d.SteamOff + 22*time.Second; {
	case now < 35*time.Second || now >= out:
	case now < d.SteamOn:
		milk = 5
	case now < d.SteamOff:
		milk = 5 + (d.MilkTemp-5)*float64(now-d.SteamOn)/float64(d.SteamOff-d.SteamOn)
	default:
		milk = d.MilkTemp
	}
	s.shown += (milk - s.shown) * (1 - math.Exp(-s.c.Interval.Seconds()/s.c.Response.Seconds()))
	switch {
	case s.once("start", now, d.SteamOn):
		r.Event = instrument.Start
	case s.once("stop", now, d.SteamOff):
		r.Event = instrument.Stop
	}
	return s.shown
}
