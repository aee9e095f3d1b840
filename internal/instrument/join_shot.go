package instrument

import (
	"fmt"
	"time"

	"samecup.example/samecup/internal/drink"
)

// weighing finds the dose: the last value at rest that was lifted off again.
// What is set to nought with the tare was a vessel, not coffee.
type weighing struct {
	standing, lifted *sample
}

func (w *weighing) take(s sample, cupOn bool) {
	m := drink.MeasureByCode(string(Dose))
	possible := s.value >= m.Least && s.value <= m.Most
	switch {
	case cupOn:
		w.standing = nil // what stands there now is the cup
	case s.r.Event == Tare:
		w.standing = nil
	case possible && s.r.Stable:
		w.standing = &s
	case !possible && w.standing != nil:
		w.lifted, w.standing = w.standing, nil
	}
}

// dose is the one weighed last, at or after a time; nil without one.
func (w *weighing) dose(after time.Time) *sample {
	s := w.standing
	if s == nil {
		s = w.lifted
	}
	if s == nil || s.at.Before(after) {
		return nil
	}
	return s
}

// used forgets the dose once a shot has taken it.
func (w *weighing) used() { *w = weighing{} }

// shot follows one pull on the timer and the scale beneath the cup.
type shot struct {
	pulls             int
	pulling, settling bool
	start             sample
	stopAt            time.Time
	// before is the scale's last reading ahead of the start, which a yield is
	// counted from; last and prior are its last two since.
	before, last, prior *sample
	retared             bool
}

// timer takes a reading of the shot timer.
func (j *Joiner) timer(s sample) {
	switch s.r.Event {
	case Start:
		if j.shot.settling {
			j.settleYield("the next shot was started before the drips ended")
		}
		if j.shot.pulling {
			j.note(s.r.Instrument, "the timer was started twice without a stop: the first start was left out")
			j.shot.pulls--
		}
		j.shot = shot{pulls: j.shot.pulls + 1, pulling: true, start: s, before: j.shot.before}
		j.takeDose(s.at)
	case Stop:
		if !j.shot.pulling {
			j.note(s.r.Instrument, "the timer was stopped and not started: no shot time")
			return
		}
		j.shot.pulling, j.shot.settling, j.shot.stopAt = false, true, s.at
		j.takeTime(s)
		if j.shot.before == nil && j.shot.last == nil {
			j.shot.settling = false // no scale here
		}
	}
}

// takeDose gives the dose weighed before the pump was started.
func (j *Joiner) takeDose(at time.Time) {
	if j.build == nil {
		return
	}
	if d := j.weigh.dose(j.build.At.Add(-lookback)); d != nil && at.Sub(d.at) < 5*time.Minute {
		j.give(Dose, *d, "the last value at rest before the shot", "")
	}
	j.weigh.used()
}

// takeTime gives the shot time as the timer counted it.
func (j *Joiner) takeTime(s sample) {
	if j.build == nil {
		return
	}
	event := s.r.StartEvent
	if event == "" {
		event = j.shot.start.r.StartEvent
	}
	if event != "" && event != j.build.StartEvent {
		j.note(s.r.Instrument, fmt.Sprintf("the timer counts from %s and the book from %s, 5 to 8 s apart: the time was left out; set the timer to %s",
			plain(event), plain(j.build.StartEvent), plain(j.build.StartEvent)))
		return
	}
	doubt := ""
	if event == "" {
		doubt = fmt.Sprintf("the timer does not say what starts it; the book counts from %s", plain(j.build.StartEvent))
	}
	apart := s.at.Sub(j.shot.start.at)
	if off := s.value.Float() - apart.Seconds(); abs(off) > timerSlip.Seconds() {
		doubt = join(doubt, fmt.Sprintf("the timer shows %v s and its start and stop lie %.1f s apart", s.value, apart.Seconds()))
	}
	j.give(ShotTime, s, "the timer at its stop, counted from "+plain(j.build.StartEvent), doubt)
}

func plain(event string) string {
	if event == "pump_on" {
		return "pump on"
	}
	return "the first drop"
}

func join(a, b string) string {
	if a == "" || b == "" {
		return a + b
	}
	return a + "; " + b
}

// pour takes a reading of the scale beneath the cup.
func (j *Joiner) pour(s sample) {
	sh := &j.shot
	if !sh.pulling && !sh.settling {
		sh.before, sh.last, sh.prior = &s, nil, nil
		if s.r.Event == Tare || s.value < 1_000 {
			j.underCup = false
		}
		return
	}
	j.underCup = true
	if s.r.Event == Tare {
		// Before the first drop nothing is lost; after it the yield is.
		if sh.last != nil && sh.before != nil && sh.last.value-sh.before.value > 1_000 {
			sh.retared = true
		}
		sh.before, sh.last, sh.prior = &s, nil, nil
		return
	}
	if sh.settling && sh.last != nil && sh.last.value-s.value > 5_000 {
		ago := s.at.Sub(sh.stopAt).Seconds()
		doubt := ""
		if ago < dripLag.Seconds() {
			doubt = fmt.Sprintf("the cup was lifted %.1f s after the stop, before the drips had ended: it may be 1 to 2 g short", ago)
		}
		j.settleYield(doubt)
		j.shot.before = &s
		j.underCup = s.value >= 1_000
		return
	}
	sh.prior, sh.last = sh.last, &s
	// A scale may call a value at rest between two drips: it must hold for two
	// readings, half a second after the stop.
	if p := sh.prior; sh.settling && p != nil && s.r.Stable && p.r.Stable && abs(s.value-p.value) <= max(s.resolution, 100) &&
		!p.at.Before(sh.stopAt.Add(500*time.Millisecond)) {
		j.settleYield("")
	}
}

// settleYield gives the yield: what the scale gained since the start.
func (j *Joiner) settleYield(doubt string) {
	sh := &j.shot
	defer func() { j.shot = shot{pulls: sh.pulls, before: sh.last} }()
	switch {
	case sh.retared:
		j.note(sh.last0(), "the scale was set to nought during the shot: the yield cannot be known")
		return
	case sh.last == nil || sh.before == nil:
		j.note(sh.start.r.Instrument, "no reading of the scale came during the shot: no yield")
		return
	}
	s := *sh.last
	after := s.at.Sub(sh.stopAt).Seconds()
	how := fmt.Sprintf("at rest %.1f s after the stop", after)
	switch {
	case after < 0:
		doubt = join(doubt, fmt.Sprintf("the scale's last reading came %.1f s before the stop", -after))
		how = "the scale's last reading"
	case !s.r.Stable && doubt == "":
		how = fmt.Sprintf("the reading %.1f s after the stop", after)
		doubt = fmt.Sprintf("the scale was not at rest %.0f s after the stop", dripLag.Seconds())
	case !s.r.Stable:
		how = fmt.Sprintf("the reading %.1f s after the stop", after)
	}
	if !sh.before.r.Stable && sh.before.r.Event != Tare {
		doubt = join(doubt, "the scale was not at rest when the shot began")
	}
	if b := sh.before.value; b != 0 {
		s.value -= b
		how += fmt.Sprintf(", less %v g on the scale at the start", b)
	}
	j.give(Yield, s, how, doubt)
}

// last0 names the scale where a reading of it is held.
func (sh *shot) last0() string {
	for _, s := range [...]*sample{sh.last, sh.before} {
		if s != nil {
			return s.r.Instrument
		}
	}
	return ""
}
