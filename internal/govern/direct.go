package govern

import (
	"fmt"
	"time"
)

// DirectPublished puts a release in force for a scope without approval, as the
// local caller of an unclaimed installation may.
type DirectPublished struct {
	Scope   string    `json:"scope"`
	Release uint64    `json:"release"`
	Start   time.Time `json:"start"`
	Note    string    `json:"note,omitempty"`
	// Made is set for a region's or a site's release, which belongs to no new
	// edition.
	Made    *ReleaseMade `json:"made,omitempty"`
	Edition uint64       `json:"edition,omitempty"`
	Orders  []SiteOrder  `json:"orders,omitempty"`
	Held    []SiteOrder  `json:"held,omitempty"`
	Touched
}

func (*DirectPublished) kind() string { return "release.published" }

func (b *DirectPublished) tell() string {
	return fmt.Sprintf("published release %d directly to %s, in force from %s", b.Release, scopeWords(b.Scope), b.Start.Format(time.RFC3339))
}

func scopeWords(scope string) string {
	level, name, _ := scopeParts(scope)
	if level == "chain" {
		return "the whole chain"
	}
	return level + " " + name
}

func (b *DirectPublished) apply(s *State, a *Act) error {
	if b.Made == nil {
		e := s.t.Editions[b.Release]
		if e == nil {
			return fmt.Errorf("no edition %d", b.Release)
		}
		e.Everywhere, e.Start = true, b.Start
		s.hold(b.Held)
		s.obey(b.Orders, a.At)
		return nil
	}
	if b.Release <= s.t.LastRelease {
		return fmt.Errorf("release %d is not above release %d", b.Release, s.t.LastRelease)
	}
	s.keep([]ReleaseMade{*b.Made}, b.Edition, a.At)
	s.t.Direct[b.Scope] = cut(live(s.t.Direct[b.Scope], a.At), s.order(SiteOrder{Release: b.Release, Start: b.Start}))
	for _, site := range s.SitesOf(b.Scope) {
		s.refollow(site, a.At)
	}
	return nil
}

// DirectRelease is what PublishDirect takes.
type DirectRelease struct {
	// Scope is "chain", "region.<region>" or "site.<site>".
	Scope string
	// Start may be in the past or the future; zero means now.
	Start time.Time
	Note  string
	// Make returns, for the chain, the chain's release and one for each overlay;
	// for another scope, that one release.
	Make Maker
}

// PublishDirect publishes without approval, while nobody was added as a person.
// A region's or site's release is followed there in preference to wider ones
// until a newer one of the same or a narrower scope, an approved overlay of that
// scope, or RetireOverlay replaces it.
func (s *State) PublishDirect(c Call, rules Rules, q DirectRelease) ([]Act, error) {
	if s.Claimed() {
		return nil, blocked("NEEDS_APPROVAL", "", "this installation has people, so a book is released by an approved draft: begin one, propose it, have it approved, roll it out")
	}
	if err := s.may(c, "publish directly"); err != nil {
		return nil, err
	}
	if err := s.scopeKnown("scope", q.Scope); err != nil {
		return nil, err
	}
	at := s.stamp(c)
	start := q.Start.UTC().Truncate(time.Microsecond)
	if q.Start.IsZero() {
		start = at
	}
	if q.Scope != "chain" {
		m, err := s.make(q.Make, func(i int, r ReleaseMade) bool { return i == 0 && r.Scope == q.Scope })
		if err != nil {
			return nil, err
		}
		return s.acts(c, &DirectPublished{Scope: q.Scope, Release: m.Releases[0].Number, Start: start, Note: q.Note,
			Made: &m.Releases[0], Edition: s.t.Newest, Touched: m.Touched}), nil
	}
	if err := s.noRollout(); err != nil {
		return nil, err
	}
	m, err := s.make(q.Make, s.chainFirst)
	if err != nil {
		return nil, err
	}
	e := newEditionMade(m)
	e.Note = q.Note
	b := &DirectPublished{Scope: "chain", Release: e.Edition, Start: start, Note: q.Note, Touched: m.Touched}
	if b.Orders, b.Held, err = s.place(rules, *e.edition(c.Actor.Person, at), s.SitesOf("chain"), When{}, start); err != nil {
		return nil, err
	}
	return s.acts(c, e, b), nil
}
