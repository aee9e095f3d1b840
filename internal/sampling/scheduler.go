package sampling

import (
	"fmt"
	"slices"
	"sort"
	"strings"
	"time"
)

// Started is a build that begins.
type Started struct {
	// Build is its ID.
	Build string `json:"build"`
	// Serving and Milk are IDs in the book.
	Serving string `json:"serving"`
	Milk    string `json:"milk,omitempty"`
	// Shots is the number of single-equivalents; Steamed is true for a build
	// with steamed milk, Plant for one with plant milk, Glass where it can be
	// made in clear glass.
	Shots   int  `json:"shots"`
	Steamed bool `json:"steamed,omitempty"`
	Plant   bool `json:"plant,omitempty"`
	Glass   bool `json:"glass,omitempty"`
	// Checks are the measures that can be taken on it, by code; nil where that is
	// not known, and then all can be.
	Checks []string `json:"checks,omitempty"`
	// By is a pseudonym; empty where nobody tapped.
	By string    `json:"by,omitempty"`
	At time.Time `json:"at"`
}

// Take says that a build is to be measured, or tasted, or both.
type Take struct {
	Build string `json:"build"`
	// Prompts that it serves, and the measures that they ask for, sorted.
	Prompts []string `json:"prompts"`
	Checks  []string `json:"checks"`
	// Taste is true where the cup is to be tasted.
	Taste bool   `json:"taste,omitempty"`
	Words string `json:"words"`
}

// Cup is a build that waits to be tasted.
type Cup struct {
	Build, Prompt string
	// Until is when the tasting is over; it counts as missed then.
	Until time.Time
}

// Prompt is one that waits for a build to begin.
type Prompt struct {
	ID      string    `json:"id"`
	Window  string    `json:"window"`
	Want    Want      `json:"want"`
	Checks  []string  `json:"checks"`
	Due     time.Time `json:"due"`
	Expires time.Time `json:"expires"`
	// Left is how many builds it still asks for.
	Left  int    `json:"left"`
	Words string `json:"words"`
}

// Reason is why a prompt was missed.
type Reason string

// The reasons.
const (
	// NoneSold: too few such builds began while it waited.
	NoneSold Reason = "none_sold"
	// Ignored: a build was taken and not measured.
	Ignored Reason = "ignored"
	// NotRunning: the station was off while it waited.
	NotRunning Reason = "not_running"
	// ShiftEnded: the shift was closed before it ran out.
	ShiftEnded Reason = "shift_ended"
)

// Outcome is how a prompt ended. Each prompt of a shift has one in the end, and
// no more than one.
type Outcome struct {
	Prompt string    `json:"prompt"`
	Window string    `json:"window"`
	Due    time.Time `json:"due"`
	At     time.Time `json:"at"`
	// Taste is true for a prompt that asked for a tasting; what is said of measuring
	// below is then said of tasting.
	Taste bool `json:"taste,omitempty"`
	// Missed is false when all builds asked for were measured; Reason says why
	// not, Note what a person gave as the cause.
	Missed bool   `json:"missed"`
	Reason Reason `json:"reason,omitempty"`
	Note   string `json:"note,omitempty"`
	// Wanted builds, and those measured, by ID.
	Wanted   int      `json:"wanted"`
	Measured []string `json:"measured,omitempty"`
}

// Words is the outcome as a person reads it.
func (o Outcome) Words() string {
	done := "measured"
	if o.Taste {
		done = "tasted"
	}
	if !o.Missed {
		return fmt.Sprintf("%s: %s", o.Prompt, done)
	}
	why := map[Reason]string{
		NoneSold: "no such drink was made in time", Ignored: "the drink was made and not " + done,
		NotRunning: "the station was off", ShiftEnded: "the shift ended",
	}[o.Reason]
	if o.Note != "" {
		why += " (" + o.Note + ")"
	}
	return fmt.Sprintf("%s: MISSED, %d of %d %s: %s", o.Prompt, len(o.Measured), o.Wanted, done, why)
}

// Scheduler follows one plan through one shift. It is not safe for concurrent
// use. A time before one already seen counts as that one.
type Scheduler struct {
	s     state
	draws []Planned
	key   []byte
}

// New begins a shift at a level. The secret is not part of the state.
func New(p Plan, s Shift, l Level, secret []byte) (*Scheduler, error) {
	sched := &Scheduler{s: state{Version: stateVersion, Plan: p, Shift: s, Level: l}, key: slices.Clone(secret)}
	sched.s.Shift.Baristas = slices.Clone(s.Baristas)
	return sched, sched.redraw()
}

func (c *Scheduler) redraw() (err error) {
	c.draws, err = Draw(&c.s.Plan, &c.s.Shift, c.s.Level, c.s.Tightened, c.key)
	return err
}

// Next returns the prompt that waits for a build at now, the oldest first. What
// is to come is not told. Ask at least once a minute: a prompt that nobody looked
// at while it waited counts as missed because the station was off.
func (c *Scheduler) Next(now time.Time) (Prompt, bool) {
	c.advance(now)
	for _, p := range c.s.Prompts {
		if p.open(c, c.s.Now) {
			return c.prompt(p), true
		}
	}
	return Prompt{}, false
}

func (c *Scheduler) prompt(p *promptState) Prompt {
	w := c.window(p)
	out := Prompt{ID: p.ID, Window: w.ID, Want: w.Want, Checks: slices.Clone(w.Checks), Due: p.Due, Expires: c.expires(p), Left: w.Builds - len(p.Taken)}
	noun := map[Want]string{Shots: "shot", Milk: "milk drink", Glass: "milk drink, made in the clear glass", AnyBuild: "drink"}[w.Want]
	switch {
	case w.taste():
		out.Words = fmt.Sprintf("taste the next %d, each a %s", out.Left, noun)
		if out.Left == 1 {
			out.Words = "taste the next " + noun
		}
	case out.Left == 1:
		out.Words = fmt.Sprintf("measure the next %s: %s", noun, labels(w.Checks))
	default:
		out.Words = fmt.Sprintf("measure the next %d, each a %s: %s", out.Left, noun, labels(w.Checks))
	}
	return out
}

// Offer tells of a build that begins and returns what to measure on it, or nil.
// The same build again gets the same answer.
func (c *Scheduler) Offer(b Started) (*Take, error) {
	if b.Build == "" || len(b.Build) > 128 || len(b.By) > 128 {
		return nil, fmt.Errorf("sampling: build is %q by %q, allowed: ids of 1 to 128 bytes", b.Build, b.By)
	}
	c.advance(b.At)
	if t := c.taken(b.Build); t != nil {
		return t, nil
	}
	if c.s.Closed {
		return nil, nil
	}
	c.notice(&b)
	for _, p := range c.s.Prompts {
		w := c.window(p)
		if p.open(c, c.s.Now) && w.takes(&b) && c.fits(p, w, &b) {
			p.Taken = append(p.Taken, takenBuild{Build: b.Build, By: b.By, Plant: b.Plant, At: c.s.Now})
		}
	}
	return c.taken(b.Build), nil
}

// fits keeps a prompt for a barista or a milk that has not been met yet, for four
// fifths of its time; after that any build is better than none.
func (c *Scheduler) fits(p *promptState, w *Window, b *Started) bool {
	if !w.EveryBarista && !w.PlantMilk || c.s.Now.Sub(p.Due) >= c.expire()*4/5 {
		return true
	}
	met, plantMet := map[string]bool{}, false
	for _, q := range c.s.Prompts {
		for _, t := range q.Taken {
			if q.Window == w.ID {
				met[t.By], plantMet = true, plantMet || t.Plant
			}
		}
	}
	unmet, meets := false, false
	if w.EveryBarista {
		for _, who := range c.s.People {
			if !met[who] {
				unmet, meets = true, meets || who == b.By
			}
		}
	}
	if w.PlantMilk && c.s.PlantSold && !plantMet {
		unmet, meets = true, meets || b.Plant
	}
	return meets || !unmet
}

// notice keeps who makes milk drinks and whether a plant milk is sold.
func (c *Scheduler) notice(b *Started) {
	if b.Steamed && b.By != "" && !slices.Contains(c.s.People, b.By) && len(c.s.People) < maxPeople {
		c.s.People = append(c.s.People, b.By)
	}
	c.s.PlantSold = c.s.PlantSold || b.Steamed && b.Plant
}

// Measured says that a build which was taken has all its readings.
func (c *Scheduler) Measured(build string, at time.Time) error {
	return c.settle(build, at, false, takenBuild{Measured: true})
}

// Skipped says that a build which was taken will not be measured, and why.
func (c *Scheduler) Skipped(build, why string, at time.Time) error {
	return c.skip(build, why, at, false)
}

// Tasted says that a build which was taken was tasted.
func (c *Scheduler) Tasted(build string, at time.Time) error {
	return c.settle(build, at, true, takenBuild{Measured: true})
}

// NotTasted says that a build which was taken will not be tasted, and why.
func (c *Scheduler) NotTasted(build, why string, at time.Time) error {
	return c.skip(build, why, at, true)
}

// ToTaste lists the cups that wait to be tasted, in the order taken.
func (c *Scheduler) ToTaste(now time.Time) []Cup {
	c.advance(now)
	var out []Cup
	for _, p := range c.s.Prompts {
		if p.Outcome != nil || !c.window(p).taste() {
			continue
		}
		for _, t := range p.Taken {
			if !t.Measured && !t.Skipped {
				out = append(out, Cup{Build: t.Build, Prompt: p.ID, Until: c.until(p)})
			}
		}
	}
	return out
}

func (c *Scheduler) skip(build, why string, at time.Time, taste bool) error {
	if len(why) > 200 {
		return fmt.Errorf("sampling: the reason for skipping has %d bytes, allowed: 200; shorten it", len(why))
	}
	return c.settle(build, at, taste, takenBuild{Skipped: true, Why: why})
}

// settle marks a build in the prompts that took it to be tasted, or in those that
// took it to be measured.
func (c *Scheduler) settle(build string, at time.Time, taste bool, as takenBuild) error {
	// Look before time moves on: a reading that comes as the grace runs out counts.
	found, counted := false, false
	for _, p := range c.s.Prompts {
		if c.window(p).taste() != taste {
			continue
		}
		for i := range p.Taken {
			t := &p.Taken[i]
			if t.Build != build {
				continue
			}
			found, counted = true, counted || t.Measured || t.Skipped
			if p.Outcome == nil && !t.Measured && !t.Skipped && !c.over(p, latest(at, c.s.Now)) {
				t.Measured, t.Skipped, t.Why = as.Measured, as.Skipped, as.Why
				counted = true
			}
		}
	}
	c.advance(at)
	what := "measuring"
	if taste {
		what = "tasting"
	}
	if !found {
		return fmt.Errorf("sampling: build %q was not taken for %s", build, what)
	}
	if !counted {
		return fmt.Errorf("sampling: build %q came after its prompt had ended; it stays missed", build)
	}
	return nil
}

// Tighten looks more closely for the rest of the shift: after a signal of drift,
// or when a new release comes into force. A second one adds no more prompts.
func (c *Scheduler) Tighten(at time.Time, why string) error {
	c.advance(at)
	if c.s.Closed || len(c.s.Tightened) >= maxTightenings {
		return nil
	}
	c.s.Tightened = append(c.s.Tightened, Tightening{At: c.s.Now, Why: clip(why)})
	return c.redraw()
}

const maxTightenings = 16

// Close ends the shift: what has not run out is missed.
func (c *Scheduler) Close(at time.Time) {
	c.advance(at)
	if c.s.Closed {
		return
	}
	for _, d := range c.draws {
		p := c.s.find(d.ID)
		if p == nil {
			p = c.begin(d)
		}
		if p.Outcome == nil {
			c.decide(p, ShiftEnded)
		}
	}
	c.s.Closed = true
}

// Outcomes lists those not yet delivered, in the order decided. They are given
// again, with the same prompt IDs, until Delivered.
func (c *Scheduler) Outcomes() []Outcome {
	var out []Outcome
	for _, p := range c.s.Prompts {
		if p.Outcome != nil && !p.Delivered {
			out = append(out, *p.Outcome)
		}
	}
	sort.SliceStable(out, func(i, j int) bool { return out[i].At.Before(out[j].At) })
	return out
}

// Delivered says that these outcomes are kept elsewhere.
func (c *Scheduler) Delivered(prompts ...string) {
	for _, id := range prompts {
		if p := c.s.find(id); p != nil && p.Outcome != nil {
			p.Delivered = true
		}
	}
}

// Summary is how the shift went so far; signals and release are the caller's to
// add.
func (c *Scheduler) Summary() Summary {
	var s Summary
	for _, p := range c.s.Prompts {
		if p.Outcome == nil {
			continue
		}
		s.Prompts++
		if p.Outcome.Missed {
			s.Missed++
		}
	}
	return s
}

// Shift returns what the scheduler follows.
func (c *Scheduler) Shift() Shift { return c.s.Shift }

func labels(checks []string) string {
	return strings.ReplaceAll(strings.Join(checks, ", "), "_", " ")
}

func clip(s string) string {
	if r := []rune(strings.ToValidUTF8(s, "")); len(r) > 200 {
		return string(r[:200])
	}
	return strings.ToValidUTF8(s, "")
}

func latest(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
