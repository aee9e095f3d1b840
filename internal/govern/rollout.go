package govern

import (
	"fmt"
	"slices"
	"time"

	"samecup.example/samecup/internal/stat"
)

// RolloutState is how a rollout stands.
type RolloutState string

// The states of a rollout.
const (
	RolloutRuns     RolloutState = "RUNNING"
	RolloutIsHalted RolloutState = "HALTED"
	RolloutIsDone   RolloutState = "COMPLETE"
	RolloutIsUndone RolloutState = "ROLLED_BACK"
	// RolloutIsReplaced: it was halted, and a mended edition took its place.
	RolloutIsReplaced RolloutState = "REPLACED"
)

// WaveSpec says whom a wave reaches; exactly one field is set.
type WaveSpec struct {
	Sites []string `json:"sites,omitempty"`
	// SharePercent of all sites, 1 to 99, by a fixed shuffle; sites of earlier
	// waves count towards it.
	SharePercent int  `json:"share_percent,omitempty"`
	All          bool `json:"all,omitempty"`
}

// Wave is one step of a rollout.
type Wave struct {
	WaveSpec
	When When `json:"when,omitzero"`
	// Opened is zero until it opens.
	Opened time.Time `json:"opened,omitzero"`
	// Reached are the sites that it added, sorted.
	Reached []string `json:"reached,omitempty"`
	// Waiting are those of them whose people have not read the cards yet, with
	// the start that they would have had.
	Waiting []SiteOrder `json:"waiting,omitempty"`
}

// Rollout is an edition on its way.
type Rollout struct {
	Edition uint64       `json:"edition"`
	Draft   string       `json:"draft,omitempty"`
	State   RolloutState `json:"state"`
	Waves   []Wave       `json:"waves"`
	// Open counts the waves that opened.
	Open            int           `json:"open"`
	When            When          `json:"when,omitzero"`
	Test            stat.WaveTest `json:"test"`
	TrainingPercent int           `json:"training_percent,omitempty"`
	// Replaces is the halted edition that it took the place of, ReplacedBy the
	// one that took its own; 0 for none.
	Replaces   uint64    `json:"replaces,omitempty"`
	ReplacedBy uint64    `json:"replaced_by,omitempty"`
	Author     string    `json:"author"`
	Created    time.Time `json:"created"`
	Note       string    `json:"note,omitempty"`
	// Reason why it halted or was rolled back.
	Reason string `json:"reason,omitempty"`
	// Advice on the open waves, and the report when it last changed.
	Advice   stat.Advice      `json:"advice"`
	Report   *stat.WaveReport `json:"report,omitempty"`
	Reported time.Time        `json:"reported,omitzero"`
	// Findings that halted it already, by id.
	Findings []string `json:"findings,omitempty"`
	// Changed is the act that last changed its state, waves or advice.
	Changed uint64 `json:"changed"`
}

// Etag changes with the rollout's state, open waves and advice.
func (r Rollout) Etag() string { return fmt.Sprintf("%d-%d", r.Edition, r.Changed) }

// Reached lists the sites of the open waves, sorted.
func (r Rollout) Reached() []string {
	var out []string
	for _, w := range r.Waves[:r.Open] {
		out = append(out, w.Reached...)
	}
	slices.Sort(out)
	return out
}

// WaitingSites lists the sites that wait for training, sorted.
func (r Rollout) WaitingSites() []string {
	var out []string
	for _, w := range r.Waves[:r.Open] {
		for _, o := range w.Waiting {
			out = append(out, o.Site)
		}
	}
	slices.Sort(out)
	return out
}

// Rollout finds one by its edition.
func (s *State) Rollout(edition uint64) (Rollout, bool) {
	r, ok := get(s.t.Rollouts, edition)
	r.Waves = slices.Clone(r.Waves)
	return r, ok
}

// Rollouts lists them, the first first.
func (s *State) Rollouts() []Rollout {
	out := list(s.t.Rollouts)
	for i := range out {
		out[i].Waves = slices.Clone(out[i].Waves)
	}
	return out
}

// Unfinished is the rollout that is running or halted, if any.
func (s *State) Unfinished() (Rollout, bool) {
	if r := s.unfinished(); r != nil {
		return s.Rollout(r.Edition)
	}
	return Rollout{}, false
}

// unfinished can only be the newest edition's.
func (s *State) unfinished() *Rollout {
	if r := s.t.Rollouts[s.t.Newest]; r != nil && (r.State == RolloutRuns || r.State == RolloutIsHalted) {
		return r
	}
	return nil
}

func (s *State) running() *Rollout {
	if r := s.unfinished(); r != nil && r.State == RolloutRuns {
		return r
	}
	return nil
}

func (s *State) noRollout() error {
	if r := s.unfinished(); r != nil {
		if r.State == RolloutIsHalted {
			return blocked("ROLLOUT_OPEN", "", "rollout %d is halted; resume it, roll it back, or let an approved draft take its place (replaces)", r.Edition)
		}
		return blocked("ROLLOUT_OPEN", "", "rollout %d is running; open its last wave, or halt it and roll it back or replace it", r.Edition)
	}
	return nil
}

func stateWord(st RolloutState) string {
	return map[RolloutState]string{RolloutRuns: "running", RolloutIsHalted: "halted", RolloutIsDone: "complete", RolloutIsUndone: "rolled back", RolloutIsReplaced: "replaced"}[st]
}

// RolloutStarted sets an edition on its way.
type RolloutStarted struct {
	Edition         uint64        `json:"edition"`
	Draft           string        `json:"draft,omitempty"`
	Waves           []WaveSpec    `json:"waves"`
	When            When          `json:"when,omitzero"`
	Test            stat.WaveTest `json:"test"`
	TrainingPercent int           `json:"training_percent,omitempty"`
	Replaces        uint64        `json:"replaces,omitempty"`
	Note            string        `json:"note,omitempty"`
	Touched
}

func (*RolloutStarted) kind() string { return "rollout.started" }

func (b *RolloutStarted) tell() string {
	return fmt.Sprintf("began to roll out edition %d in %d %s", b.Edition, len(b.Waves), plural(len(b.Waves), "wave"))
}

func plural(n int, word string) string {
	if n == 1 {
		return word
	}
	return word + "s"
}

func (b *RolloutStarted) apply(s *State, a *Act) error {
	if s.t.Editions[b.Edition] == nil {
		return fmt.Errorf("no edition %d", b.Edition)
	}
	r := &Rollout{Edition: b.Edition, Draft: b.Draft, State: RolloutRuns, When: b.When, Test: b.Test, TrainingPercent: b.TrainingPercent,
		Replaces: b.Replaces, Author: a.By, Created: a.At, Note: b.Note, Advice: stat.AdviceCannotTell, Changed: a.Number}
	for _, w := range b.Waves {
		r.Waves = append(r.Waves, Wave{WaveSpec: w})
	}
	s.t.Rollouts[b.Edition] = r
	return nil
}

// WaveOpened lets an edition take effect at the sites of a wave.
type WaveOpened struct {
	Edition uint64 `json:"edition"`
	// Wave counts from 0.
	Wave int  `json:"wave"`
	When When `json:"when,omitzero"`
	// Against names the advice that it was opened against or before.
	Against stat.Advice `json:"against,omitempty"`
	Reason  string      `json:"reason,omitempty"`
	Reached []string    `json:"reached,omitempty"`
	Waiting []SiteOrder `json:"waiting,omitempty"`
	Orders  []SiteOrder `json:"orders,omitempty"`
	Held    []SiteOrder `json:"held,omitempty"`
	Touched
}

func (*WaveOpened) kind() string { return "wave.opened" }

func (b *WaveOpened) tell() string {
	out := fmt.Sprintf("opened wave %d of edition %d for %d %s", b.Wave+1, b.Edition, len(b.Reached), plural(len(b.Reached), "site"))
	if n := len(b.Waiting); n > 0 {
		out += fmt.Sprintf(", %d of which %s for training", n, map[bool]string{true: "waits", false: "wait"}[n == 1])
	}
	if b.Reason != "" {
		out += fmt.Sprintf(": %q", b.Reason)
	}
	return out
}

func (b *WaveOpened) apply(s *State, a *Act) error {
	r, e := s.t.Rollouts[b.Edition], s.t.Editions[b.Edition]
	if r == nil || e == nil || b.Wave != r.Open || b.Wave >= len(r.Waves) {
		return fmt.Errorf("wave %d of edition %d is not the next", b.Wave, b.Edition)
	}
	w := &r.Waves[b.Wave]
	w.When, w.Opened, w.Reached, w.Waiting = b.When, a.At, b.Reached, b.Waiting
	if w.All {
		e.Everywhere, e.Start, e.When = true, a.At, b.When
	}
	r.Open++
	r.Advice, r.Report, r.Changed = stat.AdviceCannotTell, nil, a.Number
	s.hold(b.Held)
	s.obey(b.Orders, a.At)
	return nil
}

// SitesJoined are sites whose people have read the cards now.
type SitesJoined struct {
	Edition uint64      `json:"edition"`
	Sites   []string    `json:"sites"`
	Orders  []SiteOrder `json:"orders,omitempty"`
	Held    []SiteOrder `json:"held,omitempty"`
}

func (*SitesJoined) kind() string { return "sites.joined" }

func (b *SitesJoined) tell() string {
	if len(b.Sites) == 1 {
		return fmt.Sprintf("completed the training of %s for edition %d, which takes effect there", b.Sites[0], b.Edition)
	}
	return fmt.Sprintf("completed the training of %d sites for edition %d, which takes effect there", len(b.Sites), b.Edition)
}

func (b *SitesJoined) apply(s *State, a *Act) error {
	r := s.t.Rollouts[b.Edition]
	if r == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	for i := range r.Waves {
		r.Waves[i].Waiting = nilIfEmpty(slices.DeleteFunc(slices.Clone(r.Waves[i].Waiting), func(o SiteOrder) bool { return slices.Contains(b.Sites, o.Site) }))
	}
	s.hold(b.Held)
	s.obey(b.Orders, a.At)
	return nil
}

func nilIfEmpty[T any](s []T) []T {
	if len(s) == 0 {
		return nil
	}
	return s
}

// WaveAdvised is a change of what the sequential test says.
type WaveAdvised struct {
	Edition uint64          `json:"edition"`
	Report  stat.WaveReport `json:"report"`
	Touched
}

func (*WaveAdvised) kind() string { return "wave.advised" }

func (b *WaveAdvised) tell() string {
	return fmt.Sprintf("advises on edition %d: %s", b.Edition, trimStop(b.Report.Text))
}

func trimStop(s string) string {
	if n := len(s); n > 0 && s[n-1] == '.' {
		return s[:n-1]
	}
	return s
}

func (b *WaveAdvised) apply(s *State, a *Act) error {
	r := s.t.Rollouts[b.Edition]
	if r == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	r.Advice, r.Report, r.Reported, r.Changed = b.Report.Advice, &b.Report, a.At, a.Number
	return nil
}

// RolloutHalted keeps further waves shut.
type RolloutHalted struct {
	Edition uint64 `json:"edition"`
	Reason  string `json:"reason"`
	// Finding is the id of the safety finding that halted it, if one did.
	Finding string `json:"finding,omitempty"`
	Touched
}

func (*RolloutHalted) kind() string { return "rollout.halted" }

func (b *RolloutHalted) tell() string {
	return fmt.Sprintf("halted the rollout of edition %d: %q", b.Edition, b.Reason)
}

func (b *RolloutHalted) apply(s *State, a *Act) error {
	r := s.t.Rollouts[b.Edition]
	if r == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	r.State, r.Reason, r.Changed = RolloutIsHalted, b.Reason, a.Number
	if b.Finding != "" {
		r.Findings = with(r.Findings, b.Finding)
	}
	return nil
}

// RolloutResumed lets waves be opened again.
type RolloutResumed struct {
	Edition uint64 `json:"edition"`
	Reason  string `json:"reason"`
	Touched
}

func (*RolloutResumed) kind() string { return "rollout.resumed" }

func (b *RolloutResumed) tell() string {
	return fmt.Sprintf("resumed the rollout of edition %d: %q", b.Edition, b.Reason)
}

func (b *RolloutResumed) apply(s *State, a *Act) error {
	r := s.t.Rollouts[b.Edition]
	if r == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	r.State, r.Reason, r.Changed = RolloutRuns, "", a.Number
	return nil
}

// RolloutCompleted ends a rollout: every site has its order.
type RolloutCompleted struct {
	Edition uint64 `json:"edition"`
	Touched
}

func (*RolloutCompleted) kind() string { return "rollout.completed" }

func (b *RolloutCompleted) tell() string {
	return fmt.Sprintf("completed the rollout of edition %d", b.Edition)
}

func (b *RolloutCompleted) apply(s *State, a *Act) error {
	r := s.t.Rollouts[b.Edition]
	if r == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	r.State, r.Changed = RolloutIsDone, a.Number
	return nil
}
