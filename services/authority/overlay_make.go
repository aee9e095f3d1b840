package authority

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// authored is a saved edit with those who wrote its value before it was pinned
// anew; they may not approve it.
type authored struct {
	savedEdit
	By []string `json:"by,omitempty"`
}

// pinnedBy are those who wrote the edits before somebody else rebased them.
func pinnedBy(raw json.RawMessage) (out []string) {
	var edits []authored
	if json.Unmarshal(raw, &edits) != nil {
		return nil // decodeEdits reports it
	}
	for _, e := range edits {
		out = append(out, e.By...)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// basis is what an overlay of a scope departs from: an edition after the wider
// overlays.
type basis struct {
	edition uint64
	chain   map[string][]byte
	pile    []overlay.Overlay
	files   map[string][]byte
}

func (s *Service) overlayBasis(ctx context.Context, st *govern.State, scope string, edition uint64) (basis, error) {
	e, ok := st.Edition(edition)
	if !ok {
		return basis{}, rpc.Blocked("NO_EDITION", rpc.Violation{Field: "scope", Description: "has no edition yet to depart from; release the chain's book first"})
	}
	if e.Content == (govern.Digest{}) {
		return basis{}, noSources(edition)
	}
	b := basis{edition: edition}
	var err error
	if b.chain, err = s.bookFiles(ctx, e.Content); err != nil {
		return b, err
	}
	live, err := liveOverlays(st)
	if err != nil {
		return b, err
	}
	if b.pile = wider(st, live, scope); len(b.pile) == 0 {
		b.files = b.chain
		return b, nil
	}
	r, err := overlay.Resolve(b.chain, b.pile...)
	if err != nil {
		return b, needsRebase(err, "rebase that one first")
	}
	b.files = r.Files
	return b, nil
}

// noSources refuses what needs the sources of an edition that an earlier version
// published, which kept none.
func noSources(edition uint64) error {
	return rpc.Blocked("NO_SOURCES", rpc.Violation{Field: "edition",
		Description: fmt.Sprintf("is %d, which an earlier version published without keeping its YAML; release the chain's book once more", edition)})
}

// needsRebase tells a conflict as a status, a violation an edit; other errors
// stay what they are.
func needsRebase(err error, mend string) error {
	c, ok := errors.AsType[*overlay.ConflictError](err)
	if !ok {
		return err
	}
	var out []rpc.Violation
	for i, x := range c.Conflicts {
		if i == maxViolations {
			break
		}
		out = append(out, rpc.Violation{Field: c.Scope + ": " + x.Edit.File + " " + x.Edit.Path, Description: x.Text + "; " + mend})
	}
	return rpc.Blocked("NEEDS_REBASE", out...)
}

// pinOverlay pins edits on the newest edition and refuses a resolved book with
// errors.
func (s *Service) pinOverlay(ctx context.Context, t *turn, scope, reason string, edits []overlay.Edit, authors []string) (govern.NewOverlay, error) {
	b, err := s.overlayBasis(ctx, t.State, scope, t.Newest())
	if err != nil {
		return govern.NewOverlay{}, err
	}
	if edits, err = overlay.Pin(b.files, edits); err != nil {
		return govern.NewOverlay{}, rpc.Invalid(rpc.Violation{Field: "edits", Description: err.Error()})
	}
	saved := make([]authored, len(edits))
	slices.Sort(authors)
	for i, e := range edits {
		saved[i].savedEdit = savedEdit(e)
	}
	saved[0].By = slices.Compact(authors)
	raw, err := json.Marshal(saved)
	if err != nil {
		return govern.NewOverlay{}, fmt.Errorf("write the edits: %w", err)
	}
	r, err := s.reviewEdits(b, overlay.Overlay{Scope: scope, Reason: reason, BaseEdition: b.edition, Edits: edits})
	if err != nil {
		return govern.NewOverlay{}, err
	}
	if err := r.blocks(); err != nil {
		return govern.NewOverlay{}, err
	}
	etag := sha256.Sum256(fmt.Appendf(nil, "%s\x00%d\x00%s\x00%s", scope, b.edition, reason, raw))
	return govern.NewOverlay{Scope: scope, Reason: reason, Etag: hex.EncodeToString(etag[:]), Edits: raw, Review: r.Review}, nil
}

// reviewOverlay reviews an overlay as it was last proposed, on its edition.
func (s *Service) reviewOverlay(ctx context.Context, st *govern.State, o govern.Overlay) (*reviewed, error) {
	b, err := s.overlayBasis(ctx, st, o.Scope, o.BaseEdition)
	if err != nil {
		return nil, err
	}
	edits, err := decodeEdits(o.Edits)
	if err != nil {
		return nil, fmt.Errorf("overlay of %s: %w", o.Scope, err)
	}
	return s.reviewEdits(b, overlay.Overlay{Scope: o.Scope, Reason: o.Reason, BaseEdition: o.BaseEdition, Edits: edits})
}

// reviewEdits reviews the resolved book against what the scope has without the
// overlay. Cautions that it has without it are not asked for again.
func (s *Service) reviewEdits(b basis, o overlay.Overlay) (*reviewed, error) {
	got, err := overlay.Resolve(b.chain, append(slices.Clone(b.pile), o)...)
	if err != nil {
		return nil, needsRebase(err, "rebase the overlay")
	}
	known := map[string]bool{}
	for _, c := range s.review(nil, b.files).cautions {
		known[c.ID] = true
	}
	r := *s.review(b.files, got.Files)
	r.cautions = slices.DeleteFunc(slices.Clone(r.cautions), func(c overlay.Caution) bool { return known[c.ID] })
	r.Cautions = slices.DeleteFunc(slices.Clone(r.Cautions), func(c govern.Caution) bool { return known[c.ID] })
	r.Digest = r.sum()
	return &r, nil
}

// overlayMaker makes an approved overlay's release and, for a region, those of
// the sites in it that have an overlay of their own.
func (s *Service) overlayMaker(ctx context.Context, t *turn, o govern.Overlay, r *reviewed) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		live, err := liveOverlays(t.State)
		if err != nil {
			return govern.Made{}, err
		}
		edits, err := decodeEdits(o.Edits)
		if err != nil {
			return govern.Made{}, err
		}
		live[o.Scope] = overlay.Overlay{Scope: o.Scope, Reason: o.Reason, BaseEdition: o.BaseEdition, Edits: edits}
		made := govern.Made{Safety: len(r.SafetyReasons) > 0, Touched: r.Touched}
		x, err := s.overlayToSeal(t, o.Scope, live, r)
		if err != nil {
			return made, err
		}
		x.Number, x.Note = first, o.Reason
		own, err := s.seal(t, x)
		if err != nil {
			return made, tooLarge(err)
		}
		made.Releases = append(made.Releases, own)
		return made, s.makeNarrower(ctx, t, &made, first+1, o.Scope, live, "retire it, or rebase it to other fields, first")
	}
}

func (s *Service) overlayToSeal(t *turn, scope string, live map[string]overlay.Overlay, r *reviewed) (toSeal, error) {
	kept, err := proto.Marshal(&pb.CheckBookResponse{Problems: problemsToProto(r.problems)})
	if err != nil {
		return toSeal{}, fmt.Errorf("marshal the problems: %w", err)
	}
	x := toSeal{Scope: scope, Edition: t.Newest(), Safety: len(r.SafetyReasons) > 0,
		bookToMake: bookToMake{Book: r.book, Problems: kept, Author: t.Call.Actor.Person, Note: live[scope].Reason}}
	for _, o := range wider(t.State, live, scope) {
		x.Overlays = append(x.Overlays, o.Scope)
	}
	x.Overlays = append(x.Overlays, scope)
	return x, nil
}

// makeNarrower makes the newest edition's releases of the sites' overlays
// within a region, with live as the overlays that there are then. One that does
// not fit refuses the whole: to keep what it has would be a silent merge.
func (s *Service) makeNarrower(ctx context.Context, t *turn, made *govern.Made, first uint64, region string, live map[string]overlay.Overlay, mend string) error {
	e, _ := t.Edition(t.Newest())
	if !strings.HasPrefix(region, "region.") {
		return nil
	}
	if e.Content == (govern.Digest{}) {
		return noSources(e.Number)
	}
	chain, err := s.bookFiles(ctx, e.Content)
	if err != nil {
		return err
	}
	for _, site := range t.SitesOf(region) {
		scope := "site." + site
		o, ok := live[scope]
		if !ok {
			continue
		}
		pile := wider(t.State, live, scope)
		under, err := overlay.Resolve(chain, pile...)
		if err != nil {
			return needsRebase(err, mend)
		}
		got, err := overlay.Resolve(chain, append(pile, o)...)
		if err != nil {
			return needsRebase(err, mend)
		}
		r := s.review(under.Files, got.Files)
		if err := r.blocks(); err != nil {
			return err
		}
		x, err := s.overlayToSeal(t, scope, live, r)
		if err != nil {
			return err
		}
		x.Number = first
		one, err := s.seal(t, x)
		if err != nil {
			return tooLarge(err)
		}
		made.Releases = append(made.Releases, one)
		first++
	}
	return nil
}

// tooLarge tells a release that does not fit on the bus as a status.
func tooLarge(err error) error {
	if x, ok := errors.AsType[*tooLargeError](err); ok {
		return rpc.Blocked("RELEASE_TOO_LARGE", rpc.Violation{Field: "files", Description: x.Error()})
	}
	return err
}
