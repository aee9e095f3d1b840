package govern

import (
	"fmt"
	"slices"
	"time"
)

// RolloutReplaced ends a halted rollout, in whose place another begins. It is
// the way out of an edition that can neither go on nor be rolled back, as when
// only it declares an allergen that is known today.
type RolloutReplaced struct {
	// Edition that is left, By the one that takes its place.
	Edition uint64 `json:"edition"`
	By      uint64 `json:"by"`
	Touched
}

func (*RolloutReplaced) kind() string { return "rollout.replaced" }

func (b *RolloutReplaced) tell() string {
	return fmt.Sprintf("put edition %d in the place of edition %d, whose rollout was halted", b.By, b.Edition)
}

func (b *RolloutReplaced) apply(s *State, a *Act) error {
	r, e := s.t.Rollouts[b.Edition], s.t.Editions[b.Edition]
	if r == nil || e == nil {
		return fmt.Errorf("no rollout %d", b.Edition)
	}
	r.State, r.ReplacedBy, r.Changed = RolloutIsReplaced, b.By, a.Number
	for i := range r.Waves {
		r.Waves[i].Waiting = nil
	}
	// Nobody gets it any more: no site that is added, none that is rebased.
	e.Held, e.Everywhere = nil, false
	return nil
}

// inPlaceOf is the halted rollout that a new one takes the place of; nil where
// none is open and none was named.
func (s *State) inPlaceOf(edition uint64) (*Rollout, error) {
	r := s.unfinished()
	switch {
	case edition == 0:
		return nil, s.noRollout()
	case r == nil || r.Edition != edition:
		named, err := s.rollout(edition)
		if err != nil {
			return nil, err
		}
		return nil, blocked("ROLLOUT_NOT_HALTED", "replaces", "is %d, whose rollout is %s; only a halted one can be replaced, so name none", edition, stateWord(named.State))
	case r.State != RolloutIsHalted:
		return nil, blocked("ROLLOUT_NOT_HALTED", "replaces", "is %d, whose rollout is running; halt it first", edition)
	}
	return r, nil
}

// astray are the sites whose last order is of an edition that was halted,
// replaced or rolled back, with that edition: they are the first to be led away.
// Most follow it now; some will, or were held there by an overlay.
func (s *State) astray() map[string]uint64 {
	out := map[string]uint64{}
	for site, f := range s.t.Follows {
		if len(f.Base) == 0 || s.t.Sites[site] == nil {
			continue
		}
		edition := f.Base[len(f.Base)-1].Edition
		if r := s.t.Rollouts[edition]; r != nil && slices.Contains([]RolloutState{RolloutIsHalted, RolloutIsReplaced, RolloutIsUndone}, r.State) {
			out[site] = edition
		}
	}
	return out
}

// notMeanwhile moves the start of a site's order forward to where the edition
// that is left would still have begun, so that it never does.
func (s *State) notMeanwhile(so *SiteOrder, left uint64, at time.Time) {
	f := s.t.Follows[so.Site]
	if f == nil {
		return
	}
	if i := inForce(f.Base, at); i >= 0 && f.Base[i].Edition == left {
		return // it has begun
	}
	i := slices.IndexFunc(f.Base, func(o Order) bool { return o.Edition == left && o.Start.After(at) })
	if i >= 0 && f.Base[i].Start.Before(so.Start) {
		o := f.Base[i]
		so.Start, so.BusinessDay, so.Minute = o.Start, o.BusinessDay, o.Minute
	}
}
