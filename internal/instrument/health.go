package instrument

import (
	"fmt"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// FaultKind is what is wrong with a feed.
type FaultKind string

// The kinds of fault. A jump, a gap and a duplicate are over at once; the others
// last until a reading shows that they ended.
const (
	Stalled          FaultKind = "stalled"
	Stuck            FaultKind = "stuck"
	Jumped           FaultKind = "jumped"
	Lagging          FaultKind = "lagging"
	ClockOff         FaultKind = "clock_off"
	OutOfCalibration FaultKind = "out_of_calibration"
	Gap              FaultKind = "gap"
	Duplicate        FaultKind = "duplicate"
)

// Fault is something wrong with a feed. It is reported when it begins and, if it
// lasts, again when it ends, then with EndedAt.
type Fault struct {
	Instrument       string
	Kind             FaultKind
	BeganAt, EndedAt time.Time
	Words            string
}

// Limits say when a feed is held to be at fault. Differences in g, s, °C.
type Limits struct {
	// Interval between two readings of a feed; 0 where it sends only when asked,
	// and then it cannot stall. StallAfter intervals without one, and at least
	// StallLeast, is a stall.
	Interval   time.Duration
	StallAfter int
	StallLeast time.Duration
	// StuckAfter is how long a value may stay the same while it should move.
	StuckAfter time.Duration
	// Slope is the fastest that the value can change, units a second, and Slack
	// what it may change at once beyond that. A scale is held to it only while a
	// shot runs: things are put on it and lifted.
	Slope, Slack float64
	// Lag and Clock bound late delivery and the clock's difference.
	Lag, Clock time.Duration
}

// DefaultLimits are invented, from common practice: a probe follows with a time
// constant of 3 s or more, so no more than 35 °C a second; a shot gives below
// 15 g a second; the first drop comes within 10 s.
func DefaultLimits(k Kind) Limits {
	l := Limits{Interval: 500 * time.Millisecond, StallAfter: 6, StallLeast: 2 * time.Second, StuckAfter: 12 * time.Second,
		Lag: 2 * time.Second, Clock: 5 * time.Second}
	switch k {
	case Scale:
		l.Interval, l.Slope, l.Slack = 200*time.Millisecond, 15, 5
	case Timer:
		l.StuckAfter, l.Slope, l.Slack = 3*time.Second, 1, 1.5
	case Thermometer:
		l.Slope, l.Slack = 35, 2
	}
	return l
}

const (
	// maxInstruments at one station; one more is refused.
	maxInstruments = 32
	// offsets kept to tell a clock that is off from a late delivery.
	maxOffsets = 64
)

// Health watches the feeds of one station. It is not safe for concurrent use and
// holds a fixed amount for each instrument.
type Health struct {
	limits map[string]Limits
	feeds  map[string]*feed
}

type feed struct {
	kind      Kind
	limits    Limits
	last      Reading
	lastBase  drink.Milli
	lastAt    time.Time // station's time of measuring
	sameSince time.Time
	moving    bool
	offsets   [maxOffsets]time.Duration // received less measured
	offsetsN  int
	open      map[FaultKind]*Fault
	told      map[FaultKind]told
}

// NewHealth takes limits by instrument; others get DefaultLimits of their kind.
func NewHealth(limits map[string]Limits) *Health {
	return &Health{limits: limits, feeds: map[string]*feed{}}
}

// Observation is what Health makes of one reading.
type Observation struct {
	// Use is false for a reading that was there before or came out of order.
	Use bool
	// At is when it was measured, by the station's clock as well as can be told.
	At time.Time
	// Faults that began or ended.
	Faults []Fault
}

// Observe takes a checked reading with ReceivedAt set.
func (h *Health) Observe(r Reading) (Observation, error) {
	f := h.feeds[r.Instrument]
	if f == nil {
		if len(h.feeds) >= maxInstruments {
			return Observation{}, fmt.Errorf("instrument %s: %d instruments are known at this station, no more are taken; restart the agent after taking old ones away", r.Instrument, maxInstruments)
		}
		l, ok := h.limits[r.Instrument]
		if !ok {
			l = DefaultLimits(r.Kind)
		}
		f = &feed{kind: r.Kind, limits: l, open: map[FaultKind]*Fault{}, told: map[FaultKind]told{}}
		h.feeds[r.Instrument] = f
	}
	if r.Kind != f.kind {
		return Observation{}, &FieldError{"kind", r.Kind.String(), fmt.Sprintf("%s, which %s was before", f.kind, r.Instrument)}
	}
	base, resolution, unit, err := r.Base()
	if err != nil {
		return Observation{}, err
	}
	var o Observation
	o.Use = f.sequence(&r, &o)
	if !o.Use {
		return o, nil
	}
	o.At = f.time(&r, &o)
	f.end(Stalled, r.ReceivedAt, &o)
	f.calibration(&r, &o)
	f.change(&r, base, resolution, unit, o.At, &o)
	f.last, f.lastBase, f.lastAt = r, base, o.At
	return o, nil
}

// Tick looks for feeds that went silent.
func (h *Health) Tick(now time.Time) []Fault {
	var o Observation
	for _, id := range h.ids() {
		f := h.feeds[id]
		quiet, limit := now.Sub(f.last.ReceivedAt), f.stallAfter()
		if limit > 0 && quiet > limit {
			f.begin(Stalled, &f.last, fmt.Sprintf("%s stalled: nothing for %.1f s, and it sends every %.1f s; look at its battery and its link",
				id, quiet.Seconds(), f.limits.Interval.Seconds()), &o)
		}
	}
	return o.Faults
}

// Moving says that an instrument's value should be changing, or no longer.
// Timers and probes with start and stop events need no telling.
func (h *Health) Moving(instrument string, moving bool, at time.Time) {
	if f := h.feeds[instrument]; f != nil && f.moving != moving {
		f.moving, f.sameSince = moving, at
	}
}

// Open lists the faults that last, by instrument.
func (h *Health) Open() []Fault {
	var out []Fault
	for _, id := range h.ids() {
		kinds := make([]FaultKind, 0, len(h.feeds[id].open))
		for k := range h.feeds[id].open {
			kinds = append(kinds, k)
		}
		slices.Sort(kinds)
		for _, k := range kinds {
			out = append(out, *h.feeds[id].open[k])
		}
	}
	return out
}

func (h *Health) ids() []string {
	out := make([]string, 0, len(h.feeds))
	for id := range h.feeds {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

func (f *feed) stallAfter() time.Duration {
	if f.limits.Interval <= 0 {
		return 0
	}
	return max(time.Duration(f.limits.StallAfter)*f.limits.Interval, f.limits.StallLeast)
}

// begin reports a fault that lasts, once.
func (f *feed) begin(k FaultKind, r *Reading, words string, o *Observation) {
	if f.open[k] != nil {
		return
	}
	fault := Fault{Instrument: r.Instrument, Kind: k, BeganAt: r.ReceivedAt, Words: words}
	f.open[k] = &fault
	o.Faults = append(o.Faults, fault)
}

func (f *feed) end(k FaultKind, at time.Time, o *Observation) {
	if fault := f.open[k]; fault != nil {
		delete(f.open, k)
		fault.EndedAt = at
		o.Faults = append(o.Faults, *fault)
	}
}

// once reports a fault that is over at once; a flood of one kind is told every
// ten seconds, with how many there were.
func (f *feed) once(r *Reading, k FaultKind, words string, o *Observation) {
	t := f.told[k]
	if !t.at.IsZero() && r.ReceivedAt.Sub(t.at) < 10*time.Second && !r.ReceivedAt.Before(t.at) {
		t.more++
		f.told[k] = t
		return
	}
	if t.more > 0 {
		words += fmt.Sprintf(" (and %d more since it was last told)", t.more)
	}
	f.told[k] = told{at: r.ReceivedAt}
	o.Faults = append(o.Faults, Fault{Instrument: r.Instrument, Kind: k, BeganAt: r.ReceivedAt, EndedAt: r.ReceivedAt, Words: words})
}

type told struct {
	at   time.Time
	more int
}

// sequence finds lost and repeated readings; false when this one is to be left.
func (f *feed) sequence(r *Reading, o *Observation) bool {
	last := f.last.Sequence
	if r.Sequence == 0 || last == 0 {
		return true
	}
	later := r.MeasuredAt.After(f.last.MeasuredAt)
	switch {
	case r.Sequence == last+1:
	case r.Sequence > last:
		f.once(r, Gap, fmt.Sprintf("%s lost %d readings between %d and %d; look at its link", r.Instrument, r.Sequence-last-1, last, r.Sequence), o)
	case later && r.Sequence <= 16, r.MeasuredAt.IsZero() && r.Sequence == 1 && last > 1:
		// Switched on anew; the first few may have been lost.
	default:
		f.once(r, Duplicate, fmt.Sprintf("%s sent reading %d again or late, after %d; it was left out", r.Instrument, r.Sequence, last), o)
		return false
	}
	return true
}

// time tells a clock that is off from late delivery. Received less sent holds
// both; the least of the last ones is the clock's part, with the quickest
// delivery, and what is above it is delay, as is what the reading waited at the
// instrument. A feed whose every reading is equally late cannot be told from a
// clock that is off; nor can its first reading be.
func (f *feed) time(r *Reading, o *Observation) time.Time {
	if r.MeasuredAt.IsZero() {
		return r.ReceivedAt
	}
	sent := r.SentAt
	if sent.Before(r.MeasuredAt) {
		sent = r.MeasuredAt
	}
	off := r.ReceivedAt.Sub(sent)
	f.offsets[f.offsetsN%maxOffsets] = off
	f.offsetsN++
	least := slices.Min(f.offsets[:min(f.offsetsN, maxOffsets)])
	at, late := r.MeasuredAt, sent.Sub(r.MeasuredAt)+off-least
	if abs(least) > f.limits.Clock {
		f.begin(ClockOff, r, fmt.Sprintf("%s: its clock is %s the station's by %.0f s, or all its readings come as late; its times are put right by that",
			r.Instrument, aheadOrBehind(least), abs(least).Seconds()), o)
		at = at.Add(least)
	} else {
		f.end(ClockOff, r.ReceivedAt, o)
		late += max(least, 0)
	}
	if late > f.limits.Lag {
		f.begin(Lagging, r, fmt.Sprintf("%s lags: a reading came %.1f s after it was made, at most %.1f s is allowed; look at its link",
			r.Instrument, late.Seconds(), f.limits.Lag.Seconds()), o)
	} else {
		f.end(Lagging, r.ReceivedAt, o)
	}
	if at.After(r.ReceivedAt) {
		return r.ReceivedAt
	}
	return at
}

func (f *feed) calibration(r *Reading, o *Observation) {
	due := r.CalibrationDue
	// The due date itself is still good.
	if !due.IsZero() && !r.ReceivedAt.Before(due.AddDate(0, 0, 1)) {
		f.begin(OutOfCalibration, r, fmt.Sprintf("%s is out of calibration since %s; check it before you trust it", r.Instrument, due.Format(time.DateOnly)), o)
		return
	}
	f.end(OutOfCalibration, r.ReceivedAt, o)
}

// change finds values that stand still and values that leap.
func (f *feed) change(r *Reading, base, resolution drink.Milli, unit drink.Unit, at time.Time, o *Observation) {
	first := f.last.ReceivedAt.IsZero()
	switch {
	case r.Event == Start:
		f.moving, f.sameSince = true, at
	case r.Event == Stop:
		f.moving = false
	}
	if first || r.Event == Tare || r.Event == Start || base != f.lastBase {
		f.sameSince = at
		f.end(Stuck, r.ReceivedAt, o)
	}
	if still := at.Sub(f.sameSince); f.moving && still > f.limits.StuckAfter {
		f.begin(Stuck, r, fmt.Sprintf("%s is stuck: %s for %.0f s while it should move; switch it off and on", r.Instrument, drink.FormatQuantity(base, unit), still.Seconds()), o)
	} else if !f.moving {
		f.end(Stuck, r.ReceivedAt, o)
	}
	watched := f.kind != Scale || f.moving
	if first || r.Event != NoEvent && r.Event != Stop || f.last.Event == Stop || !watched || f.limits.Slope <= 0 {
		return
	}
	step, passed := (base - f.lastBase).Float(), at.Sub(f.lastAt).Seconds()
	most := f.limits.Slope*max(passed, 0) + f.limits.Slack + resolution.Float()
	if abs(step) > most {
		f.once(r, Jumped, fmt.Sprintf("%s jumped from %s to %s in %.1f s, which cannot be; look at the instrument", r.Instrument,
			drink.FormatQuantity(f.lastBase, unit), drink.FormatQuantity(base, unit), passed), o)
	}
}

func abs[T ~int64 | ~float64](v T) T {
	if v < 0 {
		return -v
	}
	return v
}

// aheadOrBehind words the sign of received less measured.
func aheadOrBehind(least time.Duration) string {
	if least < 0 {
		return "ahead of"
	}
	return "behind"
}
