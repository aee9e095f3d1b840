package bar

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
)

// sampler follows the plan through the shifts.
type sampler struct {
	b *Bar
	// own is the station's own plan, nil for none; roster the one followed, of
	// release where it is a book's.
	own     *sampling.Roster
	roster  sampling.Roster
	release uint64
	secret  []byte
	s       samplingState
	// shift is nil between shifts.
	shift *sampling.Scheduler
}

// samplingState is what a restart must not lose.
type samplingState struct {
	History sampling.History `json:"history"`
	// Signals of drift in this shift, by series; NewRelease as in a summary.
	Signals    []string `json:"signals,omitempty"`
	NewRelease bool     `json:"new_release,omitempty"`
	// Seen are builds of this shift whose verdict was shown before they were tasted.
	Seen []string `json:"seen,omitempty"`
	// Shift is the scheduler's own state, empty between shifts.
	Shift json.RawMessage `json:"shift,omitempty"`
}

const secretBytes = 32

func openSampler(ctx context.Context, b *Bar, own *sampling.Roster) (*sampler, error) {
	c := &sampler{b: b, own: own, roster: sampling.DefaultRoster()}
	if own != nil {
		c.roster = *own
	}
	has, err := b.db.get(ctx, keySecret, &c.secret)
	if err != nil {
		return nil, err
	}
	if !has || len(c.secret) < sampling.MinSecret {
		c.secret = make([]byte, secretBytes)
		_, _ = rand.Read(c.secret) // never fails
		if err := b.db.change(ctx, func(t tx) error { return t.put(keySecret, c.secret) }); err != nil {
			return nil, err
		}
	}
	c.reload(ctx)
	return c, nil
}

// reload goes back to what is on disk.
func (c *sampler) reload(ctx context.Context) {
	c.s, c.shift = samplingState{}, nil
	has, err := c.b.db.get(ctx, keySampling, &c.s)
	if err == nil && has && len(c.s.Shift) > 0 {
		c.shift, err = sampling.Restore(c.s.Shift, c.secret)
	}
	if err != nil {
		c.b.log.Error("the sampling of this shift begins anew", zap.Error(err))
		c.s.Shift, c.shift = nil, nil
	}
}

// put keeps the state.
func (c *sampler) put(t tx) error {
	c.s.Shift = nil
	if c.shift != nil {
		raw, err := json.Marshal(c.shift)
		if err != nil {
			return fmt.Errorf("write the sampling of this shift: %w", err)
		}
		c.s.Shift = raw
	}
	return t.put(keySampling, c.s)
}

// tickSampler begins and ends shifts and keeps how prompts ended.
func (b *Bar) tickSampler(ctx context.Context, now time.Time) error {
	c := b.sampler
	changed := false
	var over []sampling.Outcome
	if c.shift != nil && !now.Before(c.shift.Shift().End) {
		c.shift.Close(now)
		over = c.shift.Outcomes()
		sum := c.shift.Summary()
		sum.Signals, sum.NewRelease = len(c.s.Signals), c.s.NewRelease
		c.s = samplingState{History: c.roster.Plan.Adapt.After(c.s.History, sum)}
		c.shift, changed = nil, true
	}
	if c.shift == nil {
		c.choose()
		if s, ok := c.shiftAt(now); ok {
			shift, err := sampling.New(c.roster.Plan, s, c.s.History.Now(), c.secret)
			if err != nil {
				return fmt.Errorf("begin the sampling of a shift: %w", err)
			}
			c.shift, changed = shift, true
			if c.s.NewRelease {
				// It came between the shifts.
				c.tighten(now, "a release came into force before the shift")
			}
		}
	}
	if c.shift != nil {
		c.shift.Next(now)
		left, err := b.leaveUnfit(ctx, now)
		if err != nil {
			return err
		}
		changed = changed || left
		over = append(over, c.shift.Outcomes()...)
	}
	if len(over) == 0 && !changed {
		return nil
	}
	for _, o := range over {
		if c.shift != nil {
			c.shift.Delivered(o.Prompt)
		}
	}
	err := b.db.change(ctx, func(t tx) error {
		for _, o := range over {
			if err := t.addOutcome(o, b.day(o.Due)); err != nil {
				return err
			}
			// The centre is told with the next build.
			kind, detail := eventMeasured, o.Detail()
			if o.Missed {
				kind, detail = eventMissed, o.Words()
			}
			if err := t.event(&pb.BarEvent{Kind: kind, Time: timestamppb.New(o.At), Detail: clipBytes(detail, maxDetail)}); err != nil {
				return err
			}
		}
		return c.put(t)
	})
	if err != nil {
		c.reload(ctx)
		return err
	}
	if len(over) > 0 {
		b.notify()
	}
	return nil
}

// choose takes the plan for the next shift: the station's own, or else that of
// the book in force, or the default. Within a shift nothing changes.
func (c *sampler) choose() {
	held, _ := c.b.agent.ReleaseInForce()
	if c.own != nil || held == nil || held.Number == c.release {
		return
	}
	c.release = held.Number
	r, there, err := sampling.OfBook(held.Book)
	switch {
	case there:
		c.roster = r
	case err != nil:
		// Head office's check refuses such a book.
		c.b.log.Error("the book's sampling plan cannot be followed; the one before stays", zap.Error(err))
	default:
		c.roster = sampling.DefaultRoster()
	}
}

func clipBytes(s string, most int) string {
	if len(s) <= most {
		return s
	}
	return strings.ToValidUTF8(s[:most], "")
}

// shiftAt finds the shift that a moment is in, looking at the day before too for
// one that goes past midnight.
func (c *sampler) shiftAt(now time.Time) (sampling.Shift, bool) {
	local := now.In(c.b.zone)
	id := c.b.agent.Identity()
	for _, day := range []time.Time{local.AddDate(0, 0, -1), local} {
		for i, s := range c.roster.Shifts {
			start, end, lunch, err := s.On(day)
			if err == nil && !now.Before(start) && now.Before(end) {
				return sampling.Shift{Site: id.Site, Station: id.Station, Day: day.Format(time.DateOnly), No: i + 1, Start: start, End: end, Lunch: lunch}, true
			}
		}
	}
	return sampling.Shift{}, false
}

// prompt that waits for a build, nil for none.
func (c *sampler) prompt(now time.Time) *sampling.Prompt {
	if c.shift == nil {
		return nil
	}
	if p, ok := c.shift.Next(now); ok {
		return &p
	}
	return nil
}

// offer tells the plan of a build that begins: what to measure on it, nil for
// nothing, and whether to taste it. What it asks of a build that is measured is all
// that the serving wants measured on a sampled one: a log that was chosen and lacks a
// needed reading would be a deviation.
func (c *sampler) offer(o *openState, book *drink.Book, s *drink.Serving, now time.Time) (*sampling.Take, bool) {
	if c.shift == nil {
		return nil, false
	}
	take, err := c.shift.Offer(started(o, book, s, now))
	if err != nil {
		c.b.log.Error("the sampling plan was not asked", zap.Error(err))
	}
	if take == nil || len(take.Checks) == 0 {
		return nil, take != nil && take.Taste
	}
	var checks []string
	for i := range s.Checks {
		k := &s.Checks[i]
		if (slices.Contains(take.Checks, k.Measure) || k.Need >= drink.WhenSampled) && !slices.Contains(checks, k.Measure) {
			checks = append(checks, k.Measure)
		}
	}
	take.Checks = checks
	take.Words = "measure this one: " + strings.ReplaceAll(strings.Join(checks, ", "), "_", " ")
	return take, take.Taste
}

// started is a build as the plan sees it.
func started(o *openState, book *drink.Book, s *drink.Serving, now time.Time) sampling.Started {
	b := sampling.Started{
		Build: o.ID, Serving: s.ID, Milk: s.Milk, By: o.By, At: now, Shots: s.Shots, Checks: []string{},
		Steamed: slices.ContainsFunc(s.Steps, func(t drink.Step) bool { return t.Act == "steam" }),
	}
	for i := range s.Checks {
		b.Checks = append(b.Checks, s.Checks[i].Measure)
	}
	if i, ok := book.IngredientByID(s.Milk); ok {
		b.Plant = i.Kind == "plant_milk"
	}
	if v, ok := book.VesselByID(s.Vessel); ok {
		b.Glass = v.Material == "glass"
	}
	return b
}

// finished tells the plan of a build that was logged. One that lacks a reading
// may still be corrected in its grace, and is missed after it.
func (c *sampler) finished(o *openState, held *shelf.Held, at time.Time) {
	if c.shift == nil || o.Take == nil || o.Skipped != "" || held == nil || held.Serving(o.Serving) == nil {
		return
	}
	s := held.Serving(o.Serving)
	for i := range s.Checks {
		k := &s.Checks[i]
		for n := 1; n <= max(k.Occurrences, 1) && slices.Contains(o.Take.Checks, k.Measure); n++ {
			if o.slot(k.ID, n) == nil {
				return
			}
		}
	}
	if err := c.shift.Measured(o.Take.Build, at); err != nil {
		c.b.log.Info("a measured build did not count for the plan", zap.Error(err))
	}
}

// skipped tells the plan that a build it took will not be measured.
func (c *sampler) skipped(o *openState, why string, at time.Time) {
	if c.shift == nil || o.Take == nil || o.Take.Build != o.ID {
		return
	}
	if err := c.shift.Skipped(o.ID, why, at); err != nil {
		c.b.log.Info("a skipped build did not count for the plan", zap.Error(err))
	}
}

// notTasted tells the plan that a build it took will not be tasted.
func (c *sampler) notTasted(o *openState, why string, at time.Time) {
	if c.shift == nil || !o.Taste {
		return
	}
	if err := c.shift.NotTasted(o.ID, why, at); err != nil {
		c.b.log.Info("a build that is not tasted did not count for the plan", zap.Error(err))
	}
}

// shown notes that the verdict of a build was shown; it counts for those that wait
// to be tasted.
func (c *sampler) shown(build string) {
	if c.shift == nil || slices.Contains(c.s.Seen, build) ||
		!slices.ContainsFunc(c.shift.ToTaste(c.b.cfg.Now()), func(w sampling.Cup) bool { return w.Build == build }) {
		return
	}
	c.s.Seen = append(c.s.Seen, build)
}

// newRelease has the rest of the shift looked at more closely.
func (c *sampler) newRelease(number uint64, at time.Time) {
	c.s.NewRelease = true
	c.tighten(at, fmt.Sprintf("release %d came into force", number))
}

// drifts has the rest of the shift looked at more closely, once a series; true
// when this was the first word of it.
func (c *sampler) drifts(series string, at time.Time) bool {
	if c.shift == nil || slices.Contains(c.s.Signals, series) {
		return false
	}
	c.s.Signals = append(c.s.Signals, series)
	c.tighten(at, series+" drifts")
	return true
}

func (c *sampler) tighten(at time.Time, why string) {
	if c.shift == nil {
		return
	}
	if err := c.shift.Tighten(at, why); err != nil {
		c.b.log.Error("the plan was not tightened", zap.Error(err))
	}
}

// sums are the plan's cost and power, for a fault in one drink of ten.
func (c *sampler) sums() PlanSums {
	const oneInTen = 0.1
	level := c.s.History.Now()
	out := PlanSums{
		Minutes: int(math.Ceil(c.roster.Plan.Labour(level).Minutes())), DialIn: c.roster.Plan.DialInMin, Level: level, Fault: oneInTen,
	}
	var err error
	if out.Sights, err = c.roster.Plan.Sights(level, oneInTen); err != nil {
		c.b.log.Error("the plan's power cannot be stated", zap.Error(err))
	}
	return out
}
