package sampling

import (
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// state is all that a restart must not lose. Times to come are not in it: whoever
// reads it at the bar learns nothing.
type state struct {
	Version   int          `json:"version"`
	Plan      Plan         `json:"plan"`
	Shift     Shift        `json:"shift"`
	Level     Level        `json:"level"`
	Tightened []Tightening `json:"tightened,omitempty"`
	// Now is the latest time seen.
	Now time.Time `json:"now"`
	// Prompts that became due, in that order.
	Prompts   []*promptState `json:"prompts,omitempty"`
	People    []string       `json:"people,omitempty"`
	PlantSold bool           `json:"plant_sold,omitempty"`
	Closed    bool           `json:"closed,omitempty"`
}

const stateVersion = 1

type promptState struct {
	ID        string       `json:"id"`
	Window    string       `json:"window"`
	Due       time.Time    `json:"due"`
	Taken     []takenBuild `json:"taken,omitempty"`
	Outcome   *Outcome     `json:"outcome,omitempty"`
	Delivered bool         `json:"delivered,omitempty"`
}

type takenBuild struct {
	Build    string    `json:"build"`
	By       string    `json:"by,omitempty"`
	Plant    bool      `json:"plant,omitempty"`
	At       time.Time `json:"at"`
	Measured bool      `json:"measured,omitempty"`
	Skipped  bool      `json:"skipped,omitempty"`
	Why      string    `json:"why,omitempty"`
}

func (s *state) find(id string) *promptState {
	for _, p := range s.Prompts {
		if p.ID == id {
			return p
		}
	}
	return nil
}

func (c *Scheduler) expire() time.Duration { return time.Duration(c.s.Plan.ExpireMin) * time.Minute }
func (c *Scheduler) grace() time.Duration  { return time.Duration(c.s.Plan.GraceMin) * time.Minute }

func (c *Scheduler) expires(p *promptState) time.Time { return p.Due.Add(c.expire()) }

func (c *Scheduler) window(p *promptState) *Window {
	for i := range c.s.Plan.Windows {
		if c.s.Plan.Windows[i].ID == p.Window {
			return &c.s.Plan.Windows[i]
		}
	}
	return &Window{} // not reached: Restore refuses such a state
}

// open is true while the prompt takes builds.
func (p *promptState) open(c *Scheduler, now time.Time) bool {
	return !c.s.Closed && p.Outcome == nil && len(p.Taken) < c.window(p).Builds && now.Before(c.expires(p))
}

// until is when a prompt is over at the latest: that which waits for a build when
// it expires, that which has them all once their grace is over.
func (c *Scheduler) until(p *promptState) time.Time {
	waiting := time.Time{}
	for _, t := range p.Taken {
		if !t.Measured && !t.Skipped {
			waiting = latest(waiting, t.At)
		}
	}
	if waiting.IsZero() {
		return c.expires(p)
	}
	until := waiting.Add(c.grace())
	if len(p.Taken) < c.window(p).Builds || c.grace() == 0 {
		until = latest(until, c.expires(p))
	}
	return until
}

// over is true when nothing can change the prompt's outcome any more.
func (c *Scheduler) over(p *promptState, now time.Time) bool {
	settled := !slices.ContainsFunc(p.Taken, func(t takenBuild) bool { return !t.Measured && !t.Skipped })
	return settled && len(p.Taken) >= c.window(p).Builds || !now.Before(c.until(p))
}

// advance moves time on: prompts become due, and those that are over are decided.
func (c *Scheduler) advance(now time.Time) {
	c.s.Now = latest(now, c.s.Now)
	if c.s.Closed {
		return
	}
	for _, d := range c.draws {
		if d.Due.After(c.s.Now) {
			break
		}
		if c.s.find(d.ID) == nil {
			p := c.begin(d)
			// Nobody looked while it waited.
			if !c.s.Now.Before(c.expires(p)) {
				c.decide(p, NotRunning)
			}
		}
	}
	for _, p := range c.s.Prompts {
		if p.Outcome == nil && c.over(p, c.s.Now) {
			c.decide(p, NoneSold)
		}
	}
}

func (c *Scheduler) begin(d Planned) *promptState {
	p := &promptState{ID: d.ID, Window: d.Window, Due: d.Due}
	c.s.Prompts = append(c.s.Prompts, p)
	return p
}

// decide gives a prompt its outcome, once. short is the reason where too few
// builds were taken and all of those were measured.
func (c *Scheduler) decide(p *promptState, short Reason) {
	if p.Outcome != nil {
		return
	}
	o := &Outcome{Prompt: p.ID, Window: p.Window, Due: p.Due, At: c.s.Now, Wanted: c.window(p).Builds, Taste: c.window(p).taste()}
	for _, t := range p.Taken {
		if t.Measured {
			o.Measured = append(o.Measured, t.Build)
			continue
		}
		o.Reason = Ignored
		if short == ShiftEnded && !t.Skipped {
			o.Reason = ShiftEnded
		}
		if o.Note == "" {
			o.Note = t.Why
		}
	}
	if o.Missed = len(o.Measured) < o.Wanted; o.Missed && o.Reason == "" {
		o.Reason = short
	}
	p.Outcome = o
}

// taken is the answer for a build that some prompt took, nil where none did.
func (c *Scheduler) taken(build string) *Take {
	var t Take
	for _, p := range c.s.Prompts {
		if slices.ContainsFunc(p.Taken, func(b takenBuild) bool { return b.Build == build }) {
			t.Prompts = append(t.Prompts, p.ID)
			if c.window(p).taste() {
				t.Taste = true
			} else {
				t.Checks = append(t.Checks, c.window(p).Checks...)
			}
		}
	}
	if t.Prompts == nil {
		return nil
	}
	slices.Sort(t.Checks)
	t.Checks = slices.Compact(t.Checks)
	t.Build = build
	switch {
	case len(t.Checks) == 0:
		t.Words = "taste this one"
	case t.Taste:
		t.Words = "taste this one, and measure: " + labels(t.Checks)
	default:
		t.Words = "measure this one: " + labels(t.Checks)
	}
	return &t
}

// MarshalJSON writes the state, without the secret and without times to come.
func (c *Scheduler) MarshalJSON() ([]byte, error) { return json.Marshal(&c.s) }

// Restore takes a shift up again from what MarshalJSON wrote. A state that does
// not follow from its plan and the secret is refused.
func Restore(b, secret []byte) (*Scheduler, error) {
	c := &Scheduler{key: slices.Clone(secret)}
	if err := json.Unmarshal(b, &c.s); err != nil {
		return nil, fmt.Errorf("reading a sampling state: %w", err)
	}
	if c.s.Version != stateVersion {
		return nil, fmt.Errorf("sampling state: version is %d, allowed: %d; begin the shift anew", c.s.Version, stateVersion)
	}
	if len(c.s.Tightened) > maxTightenings || len(c.s.People) > maxPeople {
		return nil, fmt.Errorf("sampling state: %d tightenings and %d people, allowed: %d and %d; begin the shift anew",
			len(c.s.Tightened), len(c.s.People), maxTightenings, maxPeople)
	}
	if err := c.redraw(); err != nil {
		return nil, fmt.Errorf("sampling state: %w", err)
	}
	drawn := make(map[string]Planned, len(c.draws))
	for _, d := range c.draws {
		drawn[d.ID] = d
	}
	for i, p := range c.s.Prompts {
		if p == nil {
			return nil, fmt.Errorf("sampling state: prompts[%d] is empty; begin the shift anew", i)
		}
		d, ok := drawn[p.ID]
		if !ok || !d.Due.Equal(p.Due) || d.Window != p.Window || len(p.Taken) > maxBuilds {
			return nil, fmt.Errorf("sampling state: prompt %q does not follow from the plan and the secret; begin the shift anew", p.ID)
		}
		delete(drawn, p.ID) // a second of the same is refused
	}
	return c, nil
}
