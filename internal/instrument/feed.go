package instrument

import (
	"fmt"
	"time"
)

// Feed takes the readings of a station in: it watches each instrument, leaves out
// what came twice, puts clocks right and joins the rest to the open build. It is
// not safe for concurrent use; one goroutine owns it.
type Feed struct {
	Health *Health
	Joiner *Joiner
}

// NewFeed takes a wiring and, by instrument, limits that differ from the default.
func NewFeed(w Wiring, limits map[string]Limits) (*Feed, error) {
	j, err := NewJoiner(w)
	if err != nil {
		return nil, err
	}
	return &Feed{Health: NewHealth(limits), Joiner: j}, nil
}

// Take takes one reading that was received at a time. An error means that the
// reading was not taken and why; faults may be there all the same.
func (f *Feed) Take(r Reading, received time.Time) (Result, []Fault, error) {
	r.ReceivedAt = received
	if received.IsZero() {
		return Result{}, nil, fmt.Errorf("instrument reading: received time is not set; set it from the station's clock")
	}
	if err := r.Check(); err != nil {
		return Result{}, nil, err
	}
	o, err := f.Health.Observe(r)
	if err != nil || !o.Use {
		return Result{}, o.Faults, err
	}
	res, err := f.Joiner.Take(r, o.At)
	// A scale beneath a running shot should move, and only then.
	f.Health.Moving(f.Joiner.yieldScale, f.Joiner.shot.pulling, o.At)
	return res, o.Faults, err
}

// Tick lets time pass; call it every second.
func (f *Feed) Tick(now time.Time) (Result, []Fault) {
	return f.Joiner.Tick(now), f.Health.Tick(now)
}
