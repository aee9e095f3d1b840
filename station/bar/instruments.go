package bar

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
)

// InstrumentsFile says how a station's instruments are wired.
const InstrumentsFile = "instruments.json"

const maxWiringFile = 64 << 10

// Wiring is the instruments of a station and what each is for.
type Wiring struct {
	// Instruments gives each ID its roles and, where they differ from the
	// default, its limits.
	Instruments map[string]WiredInstrument `json:"instruments"`
	// CupOnScale is true where a whole cup is weighed without setting the scale
	// to nought with the empty one on: the vessel's mass is then taken off.
	CupOnScale bool `json:"cup_on_scale,omitempty"`
	// Grinder is the one at this machine; its start event is the book's.
	Grinder WiredGrinder `json:"grinder"`
}

// WiredInstrument is one instrument.
type WiredInstrument struct {
	Roles []instrument.Role `json:"roles"`
	// IntervalMS is the time between two of its readings, ms; 0 takes the kind's
	// default. OnDemand instruments send only when asked and cannot stall.
	IntervalMS int  `json:"interval_ms,omitempty"`
	OnDemand   bool `json:"on_demand,omitempty"`
}

// WiredGrinder is the grinder.
type WiredGrinder struct {
	ID string `json:"id"`
	// FinerUp is true when a higher number on the dial grinds finer.
	FinerUp bool `json:"finer_up,omitempty"`
	// IncrementMilli is the smallest turn, thousandths of a step.
	IncrementMilli drink.Milli `json:"increment_milli"`
}

// DefaultWiring names the instruments as the simulator does.
func DefaultWiring() Wiring {
	return Wiring{
		Instruments: map[string]WiredInstrument{
			"scale-1":       {Roles: []instrument.Role{instrument.Dose, instrument.Yield}},
			"timer-1":       {Roles: []instrument.Role{instrument.ShotTime}},
			"thermometer-1": {Roles: []instrument.Role{instrument.MilkTemp}},
		},
		Grinder: WiredGrinder{ID: "grinder-1", IncrementMilli: 1000},
	}
}

// ParseWiring reads an instruments file.
func ParseWiring(raw []byte) (Wiring, error) {
	if len(raw) > maxWiringFile {
		return Wiring{}, fmt.Errorf("instruments: %d bytes, allowed: %d; shorten it", len(raw), maxWiringFile)
	}
	w := Wiring{Grinder: DefaultWiring().Grinder}
	dec := json.NewDecoder(bytes.NewReader(raw))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&w); err != nil {
		return Wiring{}, fmt.Errorf("instruments: not the JSON of an instruments file, allowed fields: instruments, cup_on_scale, grinder: %w", err)
	}
	if dec.More() {
		return Wiring{}, errors.New("instruments: something stands after it; write one object")
	}
	if _, err := w.feed(); err != nil {
		return Wiring{}, err
	}
	for id, i := range w.Instruments {
		const longest = 3_600_000
		if i.IntervalMS < 0 || i.IntervalMS > longest {
			return Wiring{}, fmt.Errorf("instruments: interval_ms of %s is %d, allowed: 0 to %d", id, i.IntervalMS, longest)
		}
	}
	if _, err := dialin.NewRecord(w.grinder("pump_on")); err != nil {
		return Wiring{}, fmt.Errorf("instruments: %w", err)
	}
	return w, nil
}

// LoadWiring reads the wiring in a station's directory; the default without one.
func LoadWiring(dir string) (Wiring, error) {
	path := filepath.Join(dir, InstrumentsFile)
	raw, err := readSmall(path, maxWiringFile)
	if errors.Is(err, fs.ErrNotExist) {
		return DefaultWiring(), nil
	}
	if err != nil {
		return Wiring{}, err
	}
	w, err := ParseWiring(raw)
	if err != nil {
		return Wiring{}, fmt.Errorf("%s: %w", path, err)
	}
	return w, nil
}

func (w Wiring) ids() []string {
	out := make([]string, 0, len(w.Instruments))
	for id := range w.Instruments {
		out = append(out, id)
	}
	slices.Sort(out)
	return out
}

func (w Wiring) grinder(startEvent string) dialin.Grinder {
	return dialin.Grinder{ID: w.Grinder.ID, FinerUp: w.Grinder.FinerUp, Increment: w.Grinder.IncrementMilli, StartEvent: startEvent}
}

// kindOf is the kind of instrument that fills a role.
func kindOf(r instrument.Role) instrument.Kind {
	m := drink.MeasureByCode(string(r))
	switch {
	case m == nil:
		return 0
	case m.Unit == drink.Gram:
		return instrument.Scale
	case m.Unit == drink.Second:
		return instrument.Timer
	}
	return instrument.Thermometer
}

func (w Wiring) feed() (*instrument.Feed, error) {
	roles, limits := instrument.Wiring{}, map[string]instrument.Limits{}
	for id, i := range w.Instruments {
		roles[id] = i.Roles
		if !i.OnDemand && i.IntervalMS == 0 || len(i.Roles) == 0 {
			continue
		}
		l := instrument.DefaultLimits(kindOf(i.Roles[0]))
		l.Interval = time.Duration(i.IntervalMS) * time.Millisecond
		if i.OnDemand {
			l.Interval = 0
		}
		limits[id] = l
	}
	return instrument.NewFeed(roles, limits)
}

// TakeReading takes one reading that was received at a time by the station's
// clock, and answers with what became of it. The error says why it was not
// taken; faults may be there all the same.
func (b *Bar) TakeReading(r instrument.Reading, received time.Time) (instrument.Result, []instrument.Fault, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	res, faults, err := b.feed.Take(r, received)
	b.joined(res, faults)
	return res, faults, err
}

// FollowReadings has f told what was joined and which faults began or ended,
// until the function returned is called. f must not wait, nor call the bar.
func (b *Bar) FollowReadings(f func(instrument.Result, []instrument.Fault)) (end func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	id := b.nextFollower
	b.nextFollower++
	b.followers[id] = f
	return func() {
		b.mu.Lock()
		defer b.mu.Unlock()
		delete(b.followers, id)
	}
}

func (b *Bar) tickFeed(_ context.Context, now time.Time) error {
	b.joined(b.feed.Tick(now))
	return nil
}

// joined puts what instruments gave into the open build, on disk first.
func (b *Bar) joined(res instrument.Result, faults []instrument.Fault) {
	if len(faults) > 0 {
		b.faults = b.feed.Health.Open()
		for _, f := range faults {
			b.log.Info("an instrument's feed", zap.String("instrument", f.Instrument), zap.String("fault", string(f.Kind)),
				zap.String("words", f.Words), zap.Bool("over", !f.EndedAt.IsZero()))
		}
	}
	if b.open != nil && (len(res.Joined) > 0 || len(res.Notes) > 0) {
		next, err := b.open.clone()
		if err == nil {
			b.take(next, res)
			err = b.db.change(context.Background(), func(t tx) error { return t.put(keyOpen, next) })
		}
		if err != nil {
			// It is shown all the same, and written with the next tap.
			b.log.Error("an instrument's value cannot be written", zap.Error(err))
		}
		if next != nil {
			b.open = next
		}
	}
	if len(res.Joined)+len(res.Notes)+len(faults) == 0 {
		return
	}
	for _, f := range b.followers {
		f(res, faults)
	}
	b.notify()
}

// take puts what instruments gave into a build. What somebody entered is not
// replaced, and a shot pulled again is told: which of them is in the cup is for
// the person to say.
func (b *Bar) take(o *openState, res instrument.Result) {
	s := b.held.Serving(o.Serving)
	for _, j := range res.Joined {
		if j.Build != o.ID {
			continue
		}
		r := openReading{Reading: j.Reading, How: j.Reading.Instrument + ": " + j.How, Doubt: j.Doubt}
		words := drink.FormatQuantity(r.Value, r.Unit)
		switch old := o.slot(r.Check, r.Occurrence); {
		case j.Extra:
			o.note(fmt.Sprintf("%s: %s once more, %s; it is not in the log unless you enter it", r.Instrument, r.Check, words))
		case old != nil:
			o.note(fmt.Sprintf("%s: %s %s was left out, %s stands", r.Instrument, r.Check, words, drink.FormatQuantity(old.Value, old.Unit)))
		default:
			o.set(s, r)
		}
	}
	for _, n := range res.Notes {
		if n.Build == o.ID {
			o.note(n.Instrument + ": " + n.Words)
		}
	}
}
