package govern

import (
	"encoding/json"
	"slices"
	"strings"
	"time"
)

// NewOverlay is what CreateOverlay and RebaseOverlay take.
type NewOverlay struct {
	Scope  string
	Reason string
	// Etag is a hash of the scope, base and edits.
	Etag string
	// Edits are kept as they are; empty keeps the ones there are when rebasing.
	Edits json.RawMessage
	// BaseEtag is the one that a rebase was asked on; empty is not compared.
	BaseEtag string
	Review   Review
}

// CreateOverlay proposes a scope's overlay, pinned to the newest edition.
func (s *State) CreateOverlay(c Call, q NewOverlay) ([]Act, error) {
	if err := s.may(c, "propose an overlay", Author); err != nil {
		return nil, err
	}
	if q.Scope == "chain" {
		return nil, bad("scope", "is chain; what holds for the whole chain belongs into its book: edit a draft")
	}
	if err := s.scopeKnown("scope", q.Scope); err != nil {
		return nil, err
	}
	if o := s.t.Overlays[q.Scope]; o != nil && o.State != OverlayIsRetired {
		return nil, refuse(AlreadyExists, "OVERLAY_EXISTS", "scope", "is %s, which has an overlay already (%s); rebase it with other edits, or retire it", q.Scope, strings.ToLower(string(o.State)))
	}
	return s.propose(c, q, false, []string{c.Actor.Person})
}

func (s *State) propose(c Call, q NewOverlay, rebase bool, editors []string) ([]Act, error) {
	switch {
	case s.t.Newest == 0:
		return nil, blocked("NO_EDITION", "", "there is no edition yet to depart from; release the chain's book first")
	case strings.TrimSpace(q.Reason) == "":
		return nil, noReason("depart from the chain's book")
	case q.Etag == "":
		return nil, bad("etag", "is missing; send the digest of the edits")
	case len(q.Edits) == 0:
		return nil, bad("edits", "is empty; name at least one field")
	case !json.Valid(q.Edits):
		return nil, bad("edits", "is not JSON; send a list of edits")
	case q.Review.Errors > 0:
		return nil, hasErrors(q.Review.Errors)
	}
	return s.acts(c, &OverlayProposed{Scope: q.Scope, Reason: q.Reason, Etag: q.Etag, BaseEdition: s.t.Newest, Edits: q.Edits,
		Rebase: rebase, Editors: editors, Touched: q.Review.Touched}), nil
}

// RebaseOverlay proposes an overlay anew on the newest edition. While its edits
// stay, so do the people who may not approve it.
func (s *State) RebaseOverlay(c Call, q NewOverlay) ([]Act, error) {
	if err := s.may(c, "rebase an overlay", Author); err != nil {
		return nil, err
	}
	o, err := s.overlay(q.Scope)
	switch {
	case err != nil:
		return nil, err
	case o.State == OverlayIsRetired:
		return nil, blocked("OVERLAY_RETIRED", "name", "the overlay of %s is retired; create it anew", q.Scope)
	case q.BaseEtag != "" && q.BaseEtag != o.Etag:
		return nil, etagDiffers("the overlay", q.BaseEtag, o.Etag, nil)
	}
	editors := []string{c.Actor.Person}
	if len(q.Edits) == 0 {
		q.Edits, editors = o.Edits, with(o.Editors, c.Actor.Person)
	}
	return s.propose(c, q, true, editors)
}

// OverlayNeeds lists the roles that still have to approve an overlay.
func (s *State) OverlayNeeds(scope string, r Review) []Role {
	o := s.t.Overlays[scope]
	if o == nil || o.State != OverlayIsUp {
		return nil
	}
	return needed(o.Approvals, "", r)
}

// OverlayApproval is what ApproveOverlay takes.
type OverlayApproval struct {
	Scope, Etag string
	Role        Role
	Cautions    []string
	Review      Review
	// Make returns, on the last approval, the scope's release and, for a region,
	// one for each site in it that has an overlay of its own.
	Make Maker
}

// ApproveOverlay is refused to who edited it. The last approval releases it to
// the sites of its scope that follow, or will follow, the edition it is pinned
// to; the others get it with that edition.
func (s *State) ApproveOverlay(c Call, q OverlayApproval) ([]Act, error) {
	if err := s.mayApprove(c, q.Role); err != nil {
		return nil, err
	}
	o, err := s.overlay(q.Scope)
	switch {
	case err != nil:
		return nil, err
	case o.State != OverlayIsUp:
		return nil, blocked("OVERLAY_NOT_PROPOSED", "name", "the overlay of %s is %s; only a proposed one can be approved", q.Scope, strings.ToLower(string(o.State)))
	case q.Etag != o.Etag:
		return nil, etagDiffers("the overlay", q.Etag, o.Etag, nil)
	case o.BaseEdition != s.t.Newest:
		return nil, blocked("NEEDS_REBASE", "name", "the overlay of %s is pinned to edition %d, and %d is the newest; rebase it", q.Scope, o.BaseEdition, s.t.Newest)
	}
	seen, err := s.approves(c, o.Editors, o.Approvals, q.Cautions, q.Review)
	if err != nil {
		return nil, err
	}
	b := &OverlayApproved{Scope: q.Scope, Etag: o.Etag, Role: q.Role, Review: q.Review.Digest, Touched: q.Review.Touched}
	for _, k := range seen {
		b.Cautions = append(b.Cautions, k.ID)
		b.CautionTexts = append(b.CautionTexts, k.Text)
	}
	if b.Final = s.unclaimedCall(c) || len(needed(o.Approvals, q.Role, q.Review)) == 0; !b.Final {
		return s.acts(c, b), nil
	}
	m, err := s.make(q.Make, func(i int, r ReleaseMade) bool {
		return i == 0 && r.Scope == q.Scope || i > 0 && s.within(r.Scope, q.Scope)
	})
	if err != nil {
		return nil, err
	}
	out := &OverlayReleased{Scope: q.Scope, Edition: s.t.Newest, Releases: m.Releases, Touched: q.Review.Touched}
	out.Orders = s.reissue(q.Scope, m.Releases, false, s.stamp(c))
	return s.acts(c, b, out), nil
}

// within reports whether a site's scope lies in a region's.
func (s *State) within(inner, outer string) bool {
	level, name, ok := scopeParts(inner)
	return ok && level == "site" && inner != outer && slices.Contains(s.scopes(name), outer)
}

// reissue orders the newest edition's changed releases for the sites of a scope.
func (s *State) reissue(scope string, made []ReleaseMade, retire bool, at time.Time) (out []SiteOrder) {
	old := s.t.Editions[s.t.Newest]
	// The edition as it will be, and its releases, which are not kept yet.
	next := *old
	s.members(&next, scope, made, retire)
	for _, id := range s.SitesOf(scope) {
		site := *s.t.Sites[id]
		if s.rebaseHolds(next, site) {
			continue
		}
		if i := slices.IndexFunc(old.Held, func(h SiteOrder) bool { return h.Site == id }); i >= 0 {
			so := old.Held[i]
			so.Release = best(next, site)
			if !so.Start.After(at) {
				so.Start, so.BusinessDay, so.Minute = at, "", nil
			}
			out = append(out, so)
			continue
		}
		f := s.t.Follows[id]
		if f == nil {
			continue
		}
		out = append(out, s.reorder(site, f.Base, at, func(o Order) (uint64, time.Time) {
			if s.sameContent(o.Edition, old.Number) {
				return best(next, site), o.Start
			}
			return o.Release, o.Start
		})...)
	}
	return out
}

// sameContent: a roll-back's edition holds what the one that it brings back
// held, so an overlay on the one fits the sites on the other.
func (s *State) sameContent(a, b uint64) bool {
	x, y := s.t.Editions[a], s.t.Editions[b]
	return a == b || x != nil && y != nil && x.Content == y.Content
}

// RetireOverlay returns a scope to the wider book: its overlay, and what was
// published directly for it. Make returns the newest edition's releases of
// narrower overlays, resolved without this one; it is not called for a scope
// that has none.
func (s *State) RetireOverlay(c Call, scope, reason string, m Maker) ([]Act, error) {
	if err := s.may(c, "retire an overlay", Approver, FoodSafety, FleetManager); err != nil {
		return nil, err
	}
	o := s.t.Overlays[scope]
	direct := s.t.Direct[scope] != nil
	switch {
	case (o == nil || o.State == OverlayIsRetired) && !direct:
		return nil, refuse(NotFound, "OVERLAY_NOT_FOUND", "name", "there is no overlay of %.80q, nor anything published directly for it; list the overlays to see their scopes", scope)
	case strings.TrimSpace(reason) == "":
		return nil, noReason("retire an overlay")
	}
	b := &OverlayRetired{Scope: scope, Reason: reason}
	if o != nil {
		b.Touched = o.Touched
	}
	e := s.t.Editions[s.t.Newest]
	if e == nil {
		return s.acts(c, b), nil
	}
	b.Edition = e.Number
	narrower := slices.ContainsFunc(s.Overlays(), func(v Overlay) bool { return v.Live != nil && s.within(v.Scope, scope) })
	if narrower && o != nil && o.Live != nil {
		got, err := s.make(m, func(_ int, r ReleaseMade) bool { return s.within(r.Scope, scope) })
		if err != nil {
			return nil, err
		}
		b.Releases = got.Releases
	}
	b.Orders = s.reissue(scope, b.Releases, true, s.stamp(c))
	return s.acts(c, b), nil
}
