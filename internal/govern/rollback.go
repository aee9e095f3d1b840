package govern

import (
	"cmp"
	"fmt"
	"strings"

	"samecup.example/samecup/internal/stat"
)

// RolledBack ends a rollout for a new edition with old content.
type RolledBack struct {
	// Edition that is left; To whose content comes back; By the new edition.
	Edition uint64      `json:"edition"`
	To      uint64      `json:"to"`
	By      uint64      `json:"by"`
	Reason  string      `json:"reason"`
	When    When        `json:"when,omitzero"`
	Sites   []string    `json:"sites,omitempty"`
	All     bool        `json:"all,omitempty"`
	Orders  []SiteOrder `json:"orders,omitempty"`
	Held    []SiteOrder `json:"held,omitempty"`
	Touched
}

func (*RolledBack) kind() string { return "rollout.rolled_back" }

func (b *RolledBack) tell() string {
	return fmt.Sprintf("rolled edition %d back to the content of edition %d, as edition %d: %q", b.Edition, b.To, b.By, b.Reason)
}

func (b *RolledBack) apply(s *State, a *Act) error {
	e := s.t.Editions[b.By]
	if e == nil {
		return fmt.Errorf("no edition %d", b.By)
	}
	if r := s.t.Rollouts[b.Edition]; r != nil {
		r.State, r.Reason, r.Changed = RolloutIsUndone, b.Reason, a.Number
		for i := range r.Waves {
			r.Waves[i].Waiting = nil
		}
	}
	if old := s.t.Editions[b.Edition]; old != nil {
		old.Held = nil
	}
	spec := WaveSpec{Sites: b.Sites}
	if b.All {
		spec = WaveSpec{All: true}
		e.Everywhere, e.Start, e.When = true, a.At, b.When
	}
	test, _ := stat.WaveTest{}.Filled()
	s.t.Rollouts[b.By] = &Rollout{Edition: b.By, State: RolloutIsDone, When: b.When, Test: test, Author: a.By, Created: a.At, Reason: b.Reason,
		Advice: stat.AdviceCannotTell, Changed: a.Number, Open: 1,
		Waves: []Wave{{WaveSpec: spec, When: b.When, Opened: a.At, Reached: b.Sites}}}
	s.hold(b.Held)
	s.obey(b.Orders, a.At)
	return nil
}

// RollBackTo is what RollBack takes.
type RollBackTo struct {
	// Edition whose content comes back; 0 means the one before the newest that
	// was not replaced.
	Edition uint64
	Reason  string
	When    When
	// Objections are why that content fails today's allergen or lot facts, a
	// sentence each; any refuses.
	Objections []string
	Make       Maker
}

// RollBackTarget resolves the edition that a roll-back would bring back, so
// that its content can be held against today's facts.
func (s *State) RollBackTarget(edition uint64) (uint64, error) {
	if s.t.Newest == 0 {
		return 0, blocked("NO_EDITION", "", "there is no edition yet, so nothing can be rolled back; release the chain's book first")
	}
	if edition == 0 {
		for n := range s.t.Editions {
			if r := s.t.Rollouts[n]; n < s.t.Newest && (r == nil || r.State != RolloutIsReplaced) {
				edition = max(edition, n)
			}
		}
		if edition == 0 {
			return 0, blocked("NOTHING_BEFORE", "", "before edition %d there is none to go back to; mend it in a draft, and put that in its place", s.t.Newest)
		}
	}
	switch {
	case s.t.Editions[edition] == nil:
		return 0, noEdition("to_edition", edition)
	case edition == s.t.Newest:
		return 0, bad("to_edition", "is %d, the newest itself; name an older one", edition)
	}
	return edition, nil
}

// RollBack makes a new edition with an older one's content, for the sites that
// got the newest one, or were left on an edition before it that was halted; it
// ends the newest one's rollout.
func (s *State) RollBack(c Call, rules Rules, q RollBackTo) ([]Act, error) {
	if err := s.may(c, "roll back", FleetManager); err != nil {
		return nil, err
	}
	to, err := s.RollBackTarget(q.Edition)
	switch {
	case err != nil:
		return nil, err
	case strings.TrimSpace(q.Reason) == "":
		return nil, noReason("roll back")
	case len(q.Objections) > 0:
		return nil, blocked("ROLLBACK_BLOCKED", "to_edition", "the content of edition %d fails today's facts: %s; mend the newest edition in a draft instead, and put that in its place (replaces) where its rollout is halted", to, strings.Join(q.Objections, "; "))
	}
	at := s.stamp(c)
	from := s.t.Editions[s.t.Newest]
	all := from.Everywhere
	sites, astray := s.SitesOf("chain"), s.astray()
	if r := s.t.Rollouts[from.Number]; !all && r != nil {
		sites = without(r.Reached(), r.WaitingSites())
		for _, h := range from.Held {
			sites = without(sites, []string{h.Site})
		}
		for site := range astray {
			sites = with(sites, site)
		}
	}
	// A day that a site cannot resolve is found before anything is signed.
	probe := Edition{Members: map[string]uint64{"chain": 1}}
	if _, _, err := s.place(rules, probe, sites, q.When, at); err != nil {
		return nil, err
	}
	m, err := s.make(q.Make, s.chainFirst)
	if err != nil {
		return nil, err
	}
	e := newEditionMade(m)
	e.RollsBackTo, e.Note = to, q.Reason
	b := &RolledBack{Edition: from.Number, To: to, By: e.Edition, Reason: q.Reason, When: q.When, Sites: nilIfEmpty(sites), All: all, Touched: m.Touched}
	if b.Orders, b.Held, err = s.place(rules, *e.edition(c.Actor.Person, at), sites, q.When, at); err != nil {
		return nil, err
	}
	for i := range b.Orders {
		s.notMeanwhile(&b.Orders[i], cmp.Or(astray[b.Orders[i].Site], from.Number), at)
	}
	return s.acts(c, e, b), nil
}
