package govern

import (
	"fmt"
	"slices"
	"time"
)

// Release is one signed book.
type Release struct {
	Number  uint64    `json:"number"`
	Scope   string    `json:"scope"`
	Edition uint64    `json:"edition"`
	Digest  Digest    `json:"digest"`
	Made    time.Time `json:"made"`
}

// Edition is a version of the chain's book, with the releases made of it. Its
// number is that of its chain release.
type Edition struct {
	Number uint64 `json:"number"`
	// Content is the digest of its sources.
	Content Digest `json:"content"`
	Draft   string `json:"draft,omitempty"`
	Author  string `json:"author"`
	Note    string `json:"note,omitempty"`
	// Made is when it was numbered.
	Made        time.Time `json:"made"`
	RollsBackTo uint64    `json:"rolls_back_to,omitempty"`
	// NeedsRebase lists the scopes whose overlay touches what it changed, as it
	// was made; Waits those that are still to be rebased.
	NeedsRebase []string `json:"needs_rebase,omitempty"`
	Waits       []string `json:"waits,omitempty"`
	Safety      bool     `json:"safety,omitempty"`
	// Members are its releases by scope; the newest of each.
	Members map[string]uint64 `json:"members"`
	// Everywhere is set once every site may have it, from Start or, where When
	// has a business day, from then.
	Everywhere bool      `json:"everywhere,omitempty"`
	Start      time.Time `json:"start,omitzero"`
	When       When      `json:"when,omitzero"`
	// Held are sites that it reached, and whose overlay must be rebased first.
	Held []SiteOrder `json:"held,omitempty"`
	Touched
}

// Edition finds one by number.
func (s *State) Edition(number uint64) (Edition, bool) { return get(s.t.Editions, number) }

// Editions lists them, the first first.
func (s *State) Editions() []Edition { return list(s.t.Editions) }

func noEdition(field string, number uint64) *Refused {
	return refuse(NotFound, "EDITION_NOT_FOUND", field, "there is no edition %d; list the rollouts or releases to see their numbers", number)
}

// Newest is the newest edition's number, 0 for none.
func (s *State) Newest() uint64 { return s.t.Newest }

// Release finds one by number.
func (s *State) Release(number uint64) (Release, bool) { return get(s.t.Releases, number) }

// NextRelease is the number that the next release will have.
func (s *State) NextRelease() uint64 { return s.t.LastRelease + 1 }

// ReleaseMade is a signed release, as a Maker returns it.
type ReleaseMade struct {
	Number uint64 `json:"number"`
	Scope  string `json:"scope"`
	Digest Digest `json:"digest"`
}

// Rebase is an overlay that must be rebased first.
type Rebase struct {
	Scope string `json:"scope"`
	// Conflicts, a sentence a field.
	Conflicts []string `json:"conflicts"`
}

// Made is what a Maker made.
type Made struct {
	// Content is the digest of the edition's sources.
	Content Digest
	// Releases are numbered from the number that the Maker got, without gaps;
	// for an edition, the chain's first.
	Releases    []ReleaseMade
	NeedsRebase []Rebase
	Safety      bool
	Touched
}

// Maker resolves and signs releases, numbered from first on. It is called once
// everything else about a decision has been found in order, so that nothing is
// signed that is then refused.
type Maker func(first uint64) (Made, error)

// make calls the maker and checks what it made.
func (s *State) make(m Maker, scopes func(i int, r ReleaseMade) bool) (Made, error) {
	first := s.NextRelease()
	got, err := m(first)
	if err != nil {
		return Made{}, err
	}
	seen := map[string]bool{}
	for i, r := range got.Releases {
		if r.Number != first+uint64(i) || seen[r.Scope] || !scopes(i, r) { //nolint:gosec // an index
			return Made{}, fmt.Errorf("the maker returned release %d for %q at place %d; numbers rise from %d by one, and a scope comes once", r.Number, r.Scope, i, first)
		}
		seen[r.Scope] = true
	}
	if len(got.Releases) == 0 {
		return Made{}, fmt.Errorf("the maker returned no release")
	}
	return got, nil
}

// chainFirst is the rule for an edition's releases.
func (s *State) chainFirst(i int, r ReleaseMade) bool {
	_, _, ok := scopeParts(r.Scope)
	return ok && (r.Scope == "chain") == (i == 0)
}

// EditionMade numbers a new edition.
type EditionMade struct {
	Edition     uint64        `json:"edition"`
	Content     Digest        `json:"content"`
	Draft       string        `json:"draft,omitempty"`
	Note        string        `json:"note,omitempty"`
	RollsBackTo uint64        `json:"rolls_back_to,omitempty"`
	Releases    []ReleaseMade `json:"releases"`
	NeedsRebase []Rebase      `json:"needs_rebase,omitempty"`
	Safety      bool          `json:"safety,omitempty"`
	Touched
}

func newEditionMade(m Made) *EditionMade {
	return &EditionMade{Edition: m.Releases[0].Number, Content: m.Content, Releases: m.Releases, NeedsRebase: m.NeedsRebase, Safety: m.Safety, Touched: m.Touched}
}

func (*EditionMade) kind() string { return "edition.made" }

func (b *EditionMade) tell() string {
	out := fmt.Sprintf("made edition %d", b.Edition)
	if b.Draft != "" {
		out += " of draft " + b.Draft
	}
	if b.RollsBackTo != 0 {
		out += fmt.Sprintf(" with the content of edition %d", b.RollsBackTo)
	}
	if b.Safety {
		out += ", a safety change"
	}
	return out
}

// edition is the state that the act makes.
func (b *EditionMade) edition(by string, at time.Time) *Edition {
	e := &Edition{Number: b.Edition, Content: b.Content, Draft: b.Draft, Author: by, Note: b.Note, Made: at,
		RollsBackTo: b.RollsBackTo, Safety: b.Safety, Members: map[string]uint64{}, Touched: b.Touched}
	for _, r := range b.Releases {
		e.Members[r.Scope] = r.Number
	}
	for _, n := range b.NeedsRebase {
		e.NeedsRebase = append(e.NeedsRebase, n.Scope)
		e.Waits = with(e.Waits, n.Scope)
	}
	return e
}

func (b *EditionMade) apply(s *State, a *Act) error {
	if b.Edition <= s.t.LastRelease {
		return fmt.Errorf("edition %d is not above release %d", b.Edition, s.t.LastRelease)
	}
	s.t.Editions[b.Edition] = b.edition(a.By, a.At)
	s.t.Newest = b.Edition
	s.keep(b.Releases, b.Edition, a.At)
	for _, n := range b.NeedsRebase {
		if o := s.t.Overlays[n.Scope]; o != nil && o.Live != nil {
			o.Conflicts = n.Conflicts
			if o.State == OverlayIsActive {
				o.State = OverlayIsBehind
			}
		}
	}
	if d := s.t.Drafts[b.Draft]; d != nil {
		d.State, d.Edition, d.Updated = DraftIsOut, b.Edition, a.At
	}
	s.forgetTraining()
	return nil
}

func (s *State) keep(made []ReleaseMade, edition uint64, at time.Time) {
	for _, r := range made {
		s.t.Releases[r.Number] = &Release{Number: r.Number, Scope: r.Scope, Edition: edition, Digest: r.Digest, Made: at}
		s.t.LastRelease = max(s.t.LastRelease, r.Number)
	}
}

// hold remembers sites that an edition reached and that wait for a rebase. The
// release of each is the edition's number.
func (s *State) hold(held []SiteOrder) {
	for _, h := range held {
		if e := s.t.Editions[h.Release]; e != nil {
			e.Held = append(slices.Clip(e.Held), h)
		}
	}
}

// best is the release of an edition that a site follows: its most specific
// scope's.
func best(e Edition, site Site) uint64 {
	for _, scope := range slices.Backward(site.scopes()) {
		if n := e.Members[scope]; n != 0 {
			return n
		}
	}
	return 0
}

// rebaseHolds reports whether an overlay of the site must be rebased before it
// can follow the edition.
func (s *State) rebaseHolds(e Edition, site Site) bool {
	for _, scope := range site.scopes() {
		if slices.Contains(e.Waits, scope) {
			return true
		}
	}
	return false
}

// place resolves, for each site, when it starts to follow an edition; sites
// whose overlay needs rebasing keep what they have.
func (s *State) place(rules Rules, e Edition, sites []string, w When, at time.Time) (orders, held []SiteOrder, err error) {
	for _, id := range sites {
		site := *s.t.Sites[id]
		so := SiteOrder{Site: id, Release: best(e, site), Start: at}
		if w.BusinessDay != "" {
			t, err := rules.start(site, w)
			if err != nil {
				return nil, nil, err
			}
			so.Start, so.BusinessDay, so.Minute = later(t, at), w.BusinessDay, w.Minute
		}
		if s.rebaseHolds(e, site) {
			so.Release = e.Number
			held = append(held, so)
		} else {
			orders = append(orders, so)
		}
	}
	return orders, held, nil
}
