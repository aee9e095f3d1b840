package instrument

import (
	"fmt"
	"time"

	"samecup.example/samecup/internal/drink"
)

// steaming follows a probe in the pitcher. A probe lags: at the steam's stop it
// still shows less than the milk has, so the greatest value that held is taken.
// That errs to the high side, which is the safe one for a scald.
type steaming struct {
	tracing, stopped bool
	// told is true when the probe tells start and stop.
	told   bool
	stopAt time.Time
	max    sample
	// mark is where the value stood when it last rose by more than probeCreep.
	mark   sample
	low    sample
	hasLow bool
	last   sample
}

const (
	// rise by which milk is known to be steamed where the probe tells no start,
	// and fall by which a probe is known to be out of it; thousandths of °C.
	steamRise, probeOut drink.Milli = 10_000, 5_000
	// A probe that creeps by no more than this while it is held has settled; with
	// a time constant of 3 s it is then within 0.3 °C.
	probeCreep drink.Milli = 200
)

// steam takes a reading of the probe.
func (j *Joiner) steam(s sample) {
	m := &j.milk
	switch {
	case s.r.Event == Start:
		if m.tracing {
			j.settleMilk("", "steamed again before the probe had settled")
		}
		*m = steaming{tracing: true, told: true, max: s, mark: s, last: s}
		return
	case !m.tracing:
		// Without a start event a rise begins it.
		if !m.hasLow || s.value < m.low.value {
			m.low, m.hasLow = s, true
		}
		if m.told || s.value-m.low.value < steamRise {
			return
		}
		*m = steaming{tracing: true, max: s, mark: s, last: s}
		return
	}
	if s.r.Event == Stop {
		m.stopped, m.stopAt = true, s.at
	}
	m.last = s
	if s.value > m.max.value {
		m.max = s
	}
	if s.value-m.mark.value > max(probeCreep, 2*s.resolution) {
		m.mark = s
	}
	if m.stopped && m.mark.at.Before(m.stopAt) {
		m.mark = s // the wait begins with the stop
	}
	held, out := s.at.Sub(m.mark.at), m.max.value-s.value > probeOut
	switch {
	case m.told && !m.stopped:
		// The wand is on: a pause in the rise proves nothing.
	case held >= probeHeld:
		j.settleMilk(fmt.Sprintf(", held for %.0f s", held.Seconds()), "")
	case out:
		j.settleMilk("", "the probe was taken out before it had settled: the milk may be hotter")
	case m.stopped && s.at.Sub(m.stopAt) > probeSettle:
		j.settleMilk("", fmt.Sprintf("the probe was still rising %.0f s after the stop: the milk may be hotter", probeSettle.Seconds()))
	}
}

// settleMilk gives the greatest value.
func (j *Joiner) settleMilk(held, doubt string) {
	m := j.milk
	j.milk = steaming{told: m.told}
	j.give(MilkTemp, m.max, "the probe's greatest value"+held, doubt)
}
