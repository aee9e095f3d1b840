package bar

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/verdict"
)

// openState is the build on its way as it stands on disk after each tap.
type openState struct {
	ID        string    `json:"id"`
	Serving   string    `json:"serving"`
	Release   uint64    `json:"release"`
	StartedAt time.Time `json:"started_at"`
	// FinishedAt is that of the build it corrects, zero otherwise.
	FinishedAt time.Time      `json:"finished_at"`
	By         string         `json:"by,omitempty"`
	Corrects   string         `json:"corrects,omitempty"`
	Sampled    bool           `json:"sampled,omitempty"`
	Take       *sampling.Take `json:"take,omitempty"`
	Skipped    string         `json:"skipped,omitempty"`
	Taste      bool           `json:"taste,omitempty"`
	Readings   []openReading  `json:"readings,omitempty"`
	// Steps done, by time; NotDone those marked as left out.
	Steps   []drink.StepLog `json:"steps,omitempty"`
	NotDone []string        `json:"not_done,omitempty"`
	// Exact is true for a correction: its steps are what was logged, and none is
	// added.
	Exact bool `json:"exact,omitempty"`
	// What is in the cup.
	Vessel        string               `json:"vessel"`
	Milk          string               `json:"milk,omitempty"`
	Shots         int                  `json:"shots"`
	Garnish       []string             `json:"garnish,omitempty"`
	Substitutions []drink.Substitution `json:"substitutions,omitempty"`
	Lots          []string             `json:"lots,omitempty"`
	Used          Used                 `json:"used"`
	Timer         time.Time            `json:"timer"`
	Notes         []string             `json:"notes,omitempty"`
}

type openReading struct {
	drink.Reading
	How   string `json:"how"`
	Doubt string `json:"doubt,omitempty"`
}

// maxNotes are shown, the newest.
const maxNotes = 20

func (o *openState) note(words string) {
	if o.Notes = append(o.Notes, words); len(o.Notes) > maxNotes {
		o.Notes = slices.Delete(o.Notes, 0, len(o.Notes)-maxNotes)
	}
}

// slot finds a reading; nil when there is none.
func (o *openState) slot(check string, occurrence int) *openReading {
	for i := range o.Readings {
		if r := &o.Readings[i]; r.Check == check && r.Occurrence == occurrence {
			return r
		}
	}
	return nil
}

// set puts a reading into its slot; they stay in the order of checks.
func (o *openState) set(s *drink.Serving, r openReading) {
	if old := o.slot(r.Check, r.Occurrence); old != nil {
		*old = r
		return
	}
	o.Readings = append(o.Readings, r)
	place := func(r openReading) int {
		at := slices.IndexFunc(s.Checks, func(k drink.Check) bool { return k.ID == r.Check })
		return at*(maxOccurrences+1) + r.Occurrence
	}
	slices.SortStableFunc(o.Readings, func(a, b openReading) int { return place(a) - place(b) })
}

const maxOccurrences = 1000

// Begin opens a build of a serving, shown and judged by the release in force at
// this moment. An open build is refused, and so is what is stopped.
func (b *Bar) Begin(ctx context.Context, serving string) (*Open, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.open != nil {
		return nil, b.busy()
	}
	held, _ := b.agent.ReleaseInForce()
	if held == nil {
		return nil, refuse("no_release", "", "this station holds no release yet: wait until one has arrived")
	}
	s := held.Serving(serving)
	if s == nil {
		return nil, refuse("no_serving", "serving", "%q is not on the menu of release %d", bounded(serving), held.Number)
	}
	if why, err := b.stopped(ctx, held, s); err != nil {
		return nil, err
	} else if why != "" {
		return nil, refuse("stopped", "serving", "do not make it: %s", why)
	}
	id, err := uuid.NewV7()
	if err != nil {
		return nil, err
	}
	now := b.cfg.Now()
	o := &openState{
		ID: id.String(), Serving: s.ID, Release: held.Number, StartedAt: now, By: b.at.Person,
		Vessel: s.Vessel, Milk: s.Milk, Shots: s.Shots, Garnish: slices.Clone(s.Garnish),
	}
	// A dial-in that is over is put away.
	dialled := b.dial != nil && b.dial.over()
	o.Take, o.Taste = b.sampler.offer(o, held.Book, s, now)
	o.Sampled = o.Take != nil
	if err := b.save(ctx, func(t tx) error {
		if dialled {
			if err := t.put(keyDialIn, nil); err != nil {
				return err
			}
		}
		return errors.Join(t.put(keyOpen, o), b.sampler.put(t), b.seen(t, now))
	}); err != nil {
		// What was not begun is not taken for measuring either.
		b.sampler.reload(ctx)
		return nil, err
	}
	if dialled {
		b.dial = nil
	}
	b.open, b.held = o, held
	b.join()
	b.notify()
	return b.view(), nil
}

func (b *Bar) busy() error {
	return refuse("busy", "", "%s is open: finish or abandon it first", b.name(b.held, b.open.Serving))
}

// join lets the readings of the instruments come to the open build.
func (b *Bar) join() {
	// A correction is of a cup that is gone.
	if b.open.Corrects != "" {
		return
	}
	s := b.held.Serving(b.open.Serving)
	build := instrument.OpenBuild{ID: b.open.ID, Serving: s, StartEvent: b.held.Book.House.Pull.StartEvent, At: b.open.StartedAt}
	if v, ok := b.held.Book.VesselByID(b.open.Vessel); ok && b.wiring.CupOnScale {
		build.VesselMass = v.Mass
	}
	res, err := b.feed.Joiner.Open(build)
	if err != nil {
		b.log.Warn("no readings can be joined to the build", zap.String("build", b.open.ID), zap.Error(err))
		b.open.note("instruments are not joined: " + err.Error())
		return
	}
	b.take(b.open, res)
}

// change makes a change to the open build and has it on disk before it counts.
func (b *Bar) change(ctx context.Context, build string, f func(*openState, *drink.Serving) error) error {
	if err := b.isOpen(ctx, build); err != nil {
		return err
	}
	next, err := b.open.clone()
	if err != nil {
		return err
	}
	if err := f(next, b.held.Serving(next.Serving)); err != nil {
		return err
	}
	if err := b.save(ctx, func(t tx) error { return t.put(keyOpen, next) }); err != nil {
		return err
	}
	b.open = next
	b.notify()
	return nil
}

func (o *openState) clone() (*openState, error) {
	raw, err := json.Marshal(o)
	if err != nil {
		return nil, err
	}
	var next openState
	if err := json.Unmarshal(raw, &next); err != nil {
		return nil, err
	}
	// JSON drops the monotonic reading, without which a clock that is set during
	// a shot would be timed too.
	next.Timer, next.StartedAt = o.Timer, o.StartedAt
	return &next, nil
}

// isOpen refuses a tap that belongs to another build than the open one.
func (b *Bar) isOpen(ctx context.Context, build string) error {
	if b.open != nil && b.open.ID == build {
		return nil
	}
	if m, err := b.db.made(ctx, build); err != nil {
		return err
	} else if m != nil {
		return refuse("already_logged", "", "this build is logged already: undo it to correct it")
	}
	return refuse("not_open", "", "this build is not open any more")
}

// StartTimer starts the shot timer for the next pull without a time.
func (b *Bar) StartTimer(ctx context.Context, build string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		if !o.Timer.IsZero() {
			return refuse("timer_runs", "", "the timer runs already: stop it at the end of the shot")
		}
		if k, _ := o.nextPull(s); k == nil {
			return refuse("no_pull", "", "every pull of this drink has its time: take one back first")
		}
		o.Timer = b.cfg.Now()
		return nil
	})
}

// nextPull is the first slot of a shot time without a reading; nil for none.
func (o *openState) nextPull(s *drink.Serving) (*drink.Check, int) {
	for i := range s.Checks {
		k := &s.Checks[i]
		if k.Measure != "shot_time" {
			continue
		}
		for n := 1; n <= max(k.Occurrences, 1); n++ {
			if o.slot(k.ID, n) == nil {
				return k, n
			}
		}
	}
	return nil, 0
}

const (
	// timerStep is what a page's timer shows, thousandths of s. A hand is no
	// finer than that.
	timerStep = 100
	timerName = "page-timer"
)

// StopTimer stops the shot timer and enters the time. One that cannot be a shot
// is let go, with a note.
func (b *Bar) StopTimer(ctx context.Context, build string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		if o.Timer.IsZero() {
			return refuse("timer_stands", "", "the timer is not running: start it with the shot")
		}
		now := b.cfg.Now()
		took := drink.Milli(now.Sub(o.Timer).Milliseconds())
		took = (took + timerStep/2) / timerStep * timerStep
		o.Timer = time.Time{}
		k, n := o.nextPull(s)
		m := drink.MeasureByCode("shot_time")
		switch {
		case k == nil:
			o.note("the timer's " + drink.FormatQuantity(took, m.Unit) + " was left out: every pull has its time")
		case took < m.Least || took > m.Most:
			o.note("the timer's " + drink.FormatQuantity(took, m.Unit) + " was left out: no shot takes that")
		default:
			o.set(s, openReading{How: "timer", Reading: drink.Reading{Check: k.ID, Occurrence: n, Value: took, Unit: m.Unit,
				Resolution: timerStep, Instrument: timerName, MeasuredAt: now, EnteredAt: now}})
		}
		return nil
	})
}

// Enter a value in the check's base unit. A value that no bar can produce is
// refused: it is a slip of the hand.
func (b *Bar) Enter(ctx context.Context, build, check string, occurrence int, value drink.Milli, how string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if how != "keypad" && how != "stepper" {
		return refuse("bad_how", "how", "how is %q: write keypad or stepper", bounded(how))
	}
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		k, m, err := find(s, check, occurrence)
		if err != nil {
			return err
		}
		if value < m.Least || value > m.Most {
			return refuse("impossible", "value", "%s is not possible: %s to %s", drink.FormatQuantity(value, m.Unit),
				drink.FormatQuantity(m.Least, m.Unit), drink.FormatQuantity(m.Most, m.Unit))
		}
		now := b.cfg.Now()
		o.set(s, openReading{How: how, Reading: drink.Reading{Check: k.ID, Occurrence: occurrence, Value: value, Unit: m.Unit, MeasuredAt: now, EnteredAt: now}})
		return nil
	})
}

func find(s *drink.Serving, check string, occurrence int) (*drink.Check, *drink.Measure, error) {
	for i := range s.Checks {
		k := &s.Checks[i]
		m := drink.MeasureByCode(k.Measure)
		if k.ID == check && m != nil && occurrence >= 1 && occurrence <= max(k.Occurrences, 1) {
			return k, m, nil
		}
	}
	return nil, nil, refuse("no_check", "check", "%q, number %d, is not asked for in this drink", bounded(check), occurrence)
}

// Clear takes a value back.
func (b *Bar) Clear(ctx context.Context, build, check string, occurrence int) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		if _, _, err := find(s, check, occurrence); err != nil {
			return err
		}
		o.Readings = slices.DeleteFunc(o.Readings, func(r openReading) bool { return r.Check == check && r.Occurrence == occurrence })
		return nil
	})
}

// Step marks a step as done, or as left out.
func (b *Bar) Step(ctx context.Context, build, step string, done bool) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		if !slices.ContainsFunc(s.Steps, func(t drink.Step) bool { return t.ID == step }) {
			return refuse("no_step", "step", "%q is not a step of this drink", bounded(step))
		}
		has := slices.ContainsFunc(o.Steps, func(l drink.StepLog) bool { return l.Step == step })
		o.NotDone = slices.DeleteFunc(o.NotDone, func(id string) bool { return id == step })
		switch {
		case done && !has:
			// By a clock that may be set back, steps still follow one another.
			at := max(b.cfg.Now().Sub(o.StartedAt), 0)
			if o.Corrects != "" {
				at = o.FinishedAt.Sub(o.StartedAt)
			}
			if n := len(o.Steps); n > 0 {
				at = max(at, o.Steps[n-1].At)
			}
			o.Steps = append(o.Steps, drink.StepLog{Step: step, At: at})
		case !done:
			o.Steps = slices.DeleteFunc(o.Steps, func(l drink.StepLog) bool { return l.Step == step })
			o.NotDone = append(o.NotDone, step)
		}
		return nil
	})
}

// Use says what was used in place of what the card says.
func (b *Bar) Use(ctx context.Context, build string, u Used) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.change(ctx, build, func(o *openState, s *drink.Serving) error {
		if err := b.usable(s, u); err != nil {
			return err
		}
		o.Used = u
		o.Vessel, o.Milk, o.Shots = s.Vessel, s.Milk, s.Shots
		o.Garnish, o.Substitutions = slices.Clone(s.Garnish), nil
		if u.Vessel != "" {
			o.Vessel = u.Vessel
		}
		if u.Shots != 0 {
			o.Shots = u.Shots
		}
		if u.Milk != "" && u.Milk != s.Milk {
			o.Milk = u.Milk
			if s.Milk != "" {
				o.Substitutions = []drink.Substitution{{From: s.Milk, To: u.Milk}}
			}
		}
		o.Garnish = slices.DeleteFunc(o.Garnish, func(id string) bool { return slices.Contains(u.Without, id) })
		return nil
	})
}

func (b *Bar) usable(s *drink.Serving, u Used) error {
	book := b.held.Book
	if _, ok := book.VesselByID(u.Vessel); u.Vessel != "" && !ok {
		return refuse("no_vessel", "vessel", "%q is not a vessel of this book", bounded(u.Vessel))
	}
	if u.Milk != "" {
		if i, ok := book.IngredientByID(u.Milk); !ok || i.Kind != "milk" && i.Kind != "plant_milk" {
			return refuse("no_milk", "milk", "%q is not a milk of this book", bounded(u.Milk))
		}
	}
	if u.Shots < 0 || u.Shots > drink.MaxSingles {
		return refuse("bad_shots", "shots", "%d shots are not possible: 0, which is as the card says, to %d", u.Shots, drink.MaxSingles)
	}
	for _, id := range u.Without {
		if !slices.Contains(s.Garnish, id) {
			return refuse("no_garnish", "without", "%q does not belong on this drink", bounded(id))
		}
	}
	return nil
}

// view is the open build as a page shows it; nil for none.
func (b *Bar) view() *Open {
	o := b.open
	if o == nil {
		return nil
	}
	s := b.held.Serving(o.Serving)
	out := &Open{
		Card: Card{Release: b.held.Number, Edition: b.held.Edition, Book: b.held.Book, Serving: s},
		ID:   o.ID, StartedAt: o.StartedAt, By: o.By, Corrects: o.Corrects, Take: o.Take, Taste: o.Taste, Sampled: o.Sampled, Skipped: o.Skipped,
		Steps: slices.Clone(o.Steps), NotDone: slices.Clone(o.NotDone), Used: o.Used, Timer: o.Timer, Notes: slices.Clone(o.Notes),
	}
	if b.agent.StoppedHere(s) {
		out.Stopped = "it was stopped since this build began: do not serve"
	}
	if !o.Timer.IsZero() {
		_, out.Pull = o.nextPull(s)
	}
	if now, _ := b.agent.ReleaseInForce(); now != nil && now.Number != o.Release {
		out.Newer = now.Number
	}
	for _, r := range o.Readings {
		v := Value{Reading: r.Reading, How: r.How, Doubt: r.Doubt}
		if v.Judged = b.judge(s, r.Reading); v.Judged != nil {
			spoken := speak(*v.Judged, s)
			v.Spoken = &spoken
		}
		out.Readings = append(out.Readings, v)
	}
	return out
}

// judge holds one reading against its check; nil when it lies within.
func (b *Bar) judge(s *drink.Serving, r drink.Reading) *verdict.Finding {
	c := b.held.Set.Checker(s.ID)
	if c == nil {
		return nil
	}
	var v verdict.Verdict
	c.Judge(&drink.Build{Serving: s.ID, Readings: []drink.Reading{r}}, &v)
	for _, f := range v.Findings {
		if f.Check == r.Check && f.Occurrence == r.Occurrence && f.Kind != verdict.MissingReading {
			return &f
		}
	}
	return nil
}
