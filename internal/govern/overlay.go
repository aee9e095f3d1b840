package govern

import (
	"encoding/json"
	"fmt"
	"time"
)

// OverlayState is how an overlay stands.
type OverlayState string

// The states of an overlay.
const (
	OverlayIsUp     OverlayState = "PROPOSED"
	OverlayIsActive OverlayState = "ACTIVE"
	// OverlayIsBehind: the base changed a field that it touches.
	OverlayIsBehind  OverlayState = "NEEDS_REBASE"
	OverlayIsRetired OverlayState = "RETIRED"
)

// Overlay is a region's or site's departure from the chain's book; one a scope.
type Overlay struct {
	Scope  string       `json:"scope"`
	State  OverlayState `json:"state"`
	Etag   string       `json:"etag"`
	Reason string       `json:"reason"`
	Author string       `json:"author"`
	// Editors of the edits as they stand, sorted; none of them may approve.
	Editors []string `json:"editors"`
	// BaseEdition that it is pinned to.
	BaseEdition uint64 `json:"base_edition"`
	// Edits are the caller's, opaque here.
	Edits     json.RawMessage `json:"edits"`
	Approvals []Approval      `json:"approvals,omitempty"`
	Created   time.Time       `json:"created"`
	Updated   time.Time       `json:"updated"`
	// Conflicts are why it needs rebasing, a sentence a field.
	Conflicts []string `json:"conflicts,omitempty"`
	// Live is what was last approved and still counts; nil for none.
	Live *LiveOverlay `json:"live,omitempty"`
	Touched
}

// LiveOverlay is an approved overlay, which new editions are resolved with.
type LiveOverlay struct {
	BaseEdition uint64          `json:"base_edition"`
	Reason      string          `json:"reason"`
	Edits       json.RawMessage `json:"edits"`
	// Release that was made when it was approved.
	Release uint64 `json:"release"`
}

// Overlay finds one by its scope.
func (s *State) Overlay(scope string) (Overlay, bool) { return get(s.t.Overlays, scope) }

// Overlays lists them by scope.
func (s *State) Overlays() []Overlay { return list(s.t.Overlays) }

// OverlayProposed proposes an overlay, the first time or anew.
type OverlayProposed struct {
	Scope       string          `json:"scope"`
	Reason      string          `json:"reason"`
	Etag        string          `json:"etag"`
	BaseEdition uint64          `json:"base_edition"`
	Edits       json.RawMessage `json:"edits"`
	// Rebase marks a further proposal, Editors those of its edits.
	Rebase  bool     `json:"rebase,omitempty"`
	Editors []string `json:"editors"`
	Touched
}

func (*OverlayProposed) kind() string { return "overlay.proposed" }

func (b *OverlayProposed) tell() string {
	if b.Rebase {
		return fmt.Sprintf("proposed the overlay of %s anew on edition %d: %q", scopeWords(b.Scope), b.BaseEdition, b.Reason)
	}
	return fmt.Sprintf("proposed an overlay for %s on edition %d: %q", scopeWords(b.Scope), b.BaseEdition, b.Reason)
}

func (b *OverlayProposed) apply(s *State, a *Act) error {
	o := s.t.Overlays[b.Scope]
	if o == nil {
		o = &Overlay{Scope: b.Scope, Created: a.At}
		s.t.Overlays[b.Scope] = o
	}
	o.State, o.Etag, o.Reason, o.Author, o.Editors = OverlayIsUp, b.Etag, b.Reason, a.By, b.Editors
	o.BaseEdition, o.Edits, o.Approvals, o.Updated, o.Touched = b.BaseEdition, b.Edits, nil, a.At, b.Touched
	return nil
}

// OverlayApproved is one approval.
type OverlayApproved struct {
	Scope        string   `json:"scope"`
	Etag         string   `json:"etag"`
	Role         Role     `json:"role"`
	Cautions     []string `json:"cautions,omitempty"`
	CautionTexts []string `json:"caution_texts,omitempty"`
	Review       string   `json:"review,omitempty"`
	Final        bool     `json:"final,omitempty"`
	Touched
}

func (*OverlayApproved) kind() string { return "overlay.approved" }

func (b *OverlayApproved) tell() string {
	return fmt.Sprintf("approved the overlay of %s as %s%s%s", scopeWords(b.Scope), b.Role, acknowledged(b.Cautions), still(b.Final))
}

func (b *OverlayApproved) apply(s *State, a *Act) error {
	o, err := s.overlay(b.Scope)
	if err != nil {
		return err
	}
	o.Approvals = append(o.Approvals[:len(o.Approvals):len(o.Approvals)], Approval{Person: a.By, Role: b.Role, Created: a.At, Cautions: b.Cautions, Review: b.Review})
	o.Updated = a.At
	return nil
}

// OverlayReleased puts an approved overlay in force.
type OverlayReleased struct {
	Scope    string        `json:"scope"`
	Edition  uint64        `json:"edition"`
	Releases []ReleaseMade `json:"releases"`
	Orders   []SiteOrder   `json:"orders,omitempty"`
	Touched
}

func (*OverlayReleased) kind() string { return "overlay.released" }

func (b *OverlayReleased) tell() string {
	return fmt.Sprintf("released the overlay of %s on edition %d as release %d", scopeWords(b.Scope), b.Edition, b.Releases[0].Number)
}

func (b *OverlayReleased) apply(s *State, a *Act) error {
	o, err := s.overlay(b.Scope)
	e := s.t.Editions[b.Edition]
	if err != nil || e == nil || len(b.Releases) == 0 {
		return fmt.Errorf("overlay %q on edition %d: %w", b.Scope, b.Edition, err)
	}
	o.State, o.Conflicts, o.Updated = OverlayIsActive, nil, a.At
	o.Live = &LiveOverlay{BaseEdition: o.BaseEdition, Reason: o.Reason, Edits: o.Edits, Release: b.Releases[0].Number}
	s.keep(b.Releases, b.Edition, a.At)
	s.members(e, b.Scope, b.Releases, false)
	delete(s.t.Direct, b.Scope)
	s.obey(b.Orders, a.At)
	for _, site := range s.SitesOf(b.Scope) {
		s.refollow(site, a.At)
	}
	return nil
}

// members takes an overlay's releases into an edition; on retiring, the scope
// itself goes out of it.
func (s *State) members(e *Edition, scope string, made []ReleaseMade, retire bool) {
	next := make(map[string]uint64, len(e.Members)+1)
	for k, v := range e.Members {
		next[k] = v
	}
	if retire {
		delete(next, scope)
	}
	for _, r := range made {
		next[r.Scope] = r.Number
	}
	e.Members = next
	e.Waits = nilIfEmpty(without(e.Waits, []string{scope}))
}

// OverlayRetired returns a scope to the wider book.
type OverlayRetired struct {
	Scope   string `json:"scope"`
	Reason  string `json:"reason"`
	Edition uint64 `json:"edition,omitempty"`
	// Releases of narrower overlays, resolved without this one.
	Releases []ReleaseMade `json:"releases,omitempty"`
	Orders   []SiteOrder   `json:"orders,omitempty"`
	Touched
}

func (*OverlayRetired) kind() string { return "overlay.retired" }

func (b *OverlayRetired) tell() string {
	return fmt.Sprintf("retired what was particular to %s: %q", scopeWords(b.Scope), b.Reason)
}

func (b *OverlayRetired) apply(s *State, a *Act) error {
	if o := s.t.Overlays[b.Scope]; o != nil {
		o.State, o.Conflicts, o.Live, o.Approvals, o.Updated = OverlayIsRetired, nil, nil, nil, a.At
	}
	if e := s.t.Editions[b.Edition]; e != nil {
		s.keep(b.Releases, b.Edition, a.At)
		s.members(e, b.Scope, b.Releases, true)
	}
	delete(s.t.Direct, b.Scope)
	s.obey(b.Orders, a.At)
	for _, site := range s.SitesOf(b.Scope) {
		s.refollow(site, a.At)
	}
	return nil
}

func (s *State) overlay(scope string) (*Overlay, error) {
	if o := s.t.Overlays[scope]; o != nil {
		return o, nil
	}
	return nil, refuse(NotFound, "OVERLAY_NOT_FOUND", "name", "there is no overlay of %.80q; list the overlays to see their scopes", scope)
}
