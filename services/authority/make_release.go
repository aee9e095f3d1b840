package authority

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// bookToMake is a book about to become releases.
type bookToMake struct {
	Files map[string][]byte
	// Book that the files hold; it has no errors.
	Book *drink.Book
	// Problems as the release keeps them, a marshalled pb.CheckBookResponse.
	Problems     []byte
	Note, Author string
	// Effective is what the release says; its orders decide. Zero means now.
	Effective   time.Time
	RollsBackTo uint64
	// Safety marks a safety change whatever differs from the newest edition: the
	// edition that this one replaces was one, and some sites never had it.
	Safety bool
}

// toSeal is one release about to be signed.
type toSeal struct {
	bookToMake
	Number, Edition uint64
	Scope           string
	Overlays        []string
	NeedsRebase     []string
	Safety          bool
}

// seal signs a release and puts it into the turn.
func (s *Service) seal(t *turn, x toSeal) (govern.ReleaseMade, error) {
	at := t.At()
	if x.Effective.IsZero() {
		x.Effective = at
	}
	body := wire.BookToProto(x.Book)
	msg := &pb.Release{
		Number: x.Number, Scope: x.Scope, Edition: x.Edition, RollsBackTo: x.RollsBackTo,
		CreatedTime: timestamppb.New(at), EffectiveTime: timestamppb.New(x.Effective),
		Book: body, Note: x.Note, NeedsRebase: x.NeedsRebase, Overlays: x.Overlays, Safety: x.Safety, RecordHead: t.Head[:],
	}
	if size := proto.Size(msg) + envelopeExtra; size > s.maxEnvelope {
		return govern.ReleaseMade{}, &tooLargeError{size: size, most: s.maxEnvelope}
	}
	signers, _, _ := s.keys.signers()
	envelope, digest, err := signers.Release(msg)
	if err != nil {
		return govern.ReleaseMade{}, err
	}
	t.release(store.SealedRelease{Envelope: envelope, Release: store.Release{
		Number: x.Number, Scope: x.Scope, Edition: x.Edition, RollsBackTo: x.RollsBackTo, Safety: x.Safety, NeedsRebase: x.NeedsRebase,
		CreatedAt: at, EffectiveAt: x.Effective, Note: x.Note, Author: x.Author, Digest: digest,
		ServingCount: len(body.Servings), Chain: body.Chain, Problems: x.Problems,
	}})
	return govern.ReleaseMade{Number: x.Number, Scope: x.Scope, Digest: digest}, nil
}

// editionMaker makes an edition of a book: the chain's release, and one for
// each live overlay that still fits it. It belongs to one turn.
func (s *Service) editionMaker(ctx context.Context, t *turn, b bookToMake) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		content, err := t.sources(b.Files)
		if err != nil {
			return govern.Made{}, err
		}
		made := govern.Made{Content: content, Safety: b.Safety}
		before, err := s.editionBook(ctx, t.State, t.Newest())
		if err != nil {
			return govern.Made{}, err
		}
		if before != nil {
			made.Safety = made.Safety || overlay.Safety(before, b.Book).Any()
			made.Touched = touched(before, b.Book)
		}
		members, rebase, err := resolveOverlays(t.State, b.Files)
		if err != nil {
			return govern.Made{}, err
		}
		made.NeedsRebase = rebase
		var needs []string
		for _, r := range rebase {
			needs = append(needs, r.Scope)
		}
		chain, err := s.seal(t, toSeal{bookToMake: b, Number: first, Edition: first, Scope: "chain", NeedsRebase: needs, Safety: made.Safety})
		if err != nil {
			return govern.Made{}, err
		}
		made.Releases = append(made.Releases, chain)
		for _, m := range members {
			x := b
			x.Files, x.Book = nil, m.book
			r, err := s.seal(t, toSeal{bookToMake: x, Number: first + uint64(len(made.Releases)), Edition: first,
				Scope: m.scope, Overlays: m.overlays, NeedsRebase: needs, Safety: made.Safety})
			if err != nil {
				return govern.Made{}, err
			}
			made.Releases = append(made.Releases, r)
		}
		return made, nil
	}
}

// editionBook reads the chain's book of an edition; nil for edition 0 and one
// whose sources were never kept.
func (s *Service) editionBook(ctx context.Context, st *govern.State, number uint64) (*drink.Book, error) {
	e, ok := st.Edition(number)
	if !ok || e.Content == (govern.Digest{}) {
		return nil, nil
	}
	files, err := s.loadSources(ctx, e.Content)
	if err != nil {
		return nil, fmt.Errorf("read the sources of edition %d: %w", number, err)
	}
	book, _ := drink.LoadFiles(files)
	return book, nil
}

// maxTold bounds the lines of an act about what changed.
const maxTold = 100

// touched names the drinks and tells the changes from one book to the next.
func touched(before, after *drink.Book) govern.Touched {
	var out govern.Touched
	ids, drinks := map[string]bool{}, map[string]string{}
	for _, b := range []*drink.Book{before, after} {
		for _, v := range b.Servings() {
			drinks[v.ID] = v.Drink
		}
	}
	changes := drink.Diff(before, after)
	for i, c := range changes {
		for _, serving := range c.Reaches {
			if id, ok := drinks[serving]; ok {
				ids[id] = true
			}
		}
		switch {
		case i < maxTold:
			out.Changes = append(out.Changes, c.String())
		case i == maxTold:
			out.Changes = append(out.Changes, fmt.Sprintf("and %d more changes", len(changes)-maxTold))
		}
	}
	for id := range ids {
		out.Drinks = append(out.Drinks, id)
	}
	slices.Sort(out.Drinks)
	return out
}

// member is a resolved overlay's book.
type member struct {
	scope    string
	overlays []string
	book     *drink.Book
}

// resolveOverlays applies the live overlays to a chain's files, each site's on
// top of its region's. What does not fit is to be rebased, and keeps what it
// has; so does a site below a region that does not fit.
func resolveOverlays(st *govern.State, files map[string][]byte) ([]member, []govern.Rebase, error) {
	live := map[string]overlay.Overlay{}
	var scopes []string
	for _, o := range st.Overlays() {
		if o.Live == nil {
			continue
		}
		x, err := liveOverlay(o)
		if err != nil {
			return nil, nil, err
		}
		live[o.Scope] = x
		scopes = append(scopes, o.Scope)
	}
	var out []member
	var rebase []govern.Rebase
	unfit := map[string]bool{}
	for _, scope := range scopes { // sorted: regions before sites
		var pile []overlay.Overlay
		var names []string
		if site, ok := strings.CutPrefix(scope, "site."); ok {
			for _, wider := range st.Scopes(site) {
				if x, ok := live[wider]; ok && wider != scope {
					pile, names = append(pile, x), append(names, wider)
				}
			}
		}
		if slices.ContainsFunc(names, func(n string) bool { return unfit[n] }) {
			continue
		}
		pile, names = append(pile, live[scope]), append(names, scope)
		r, err := overlay.Resolve(files, pile...)
		var reasons []string
		if c, ok := errors.AsType[*overlay.ConflictError](err); ok {
			for _, one := range c.Conflicts {
				reasons = append(reasons, one.String())
			}
		} else if err != nil {
			return nil, nil, fmt.Errorf("resolve the overlay of %s: %w", scope, err)
		} else {
			for _, p := range r.Problems.At(drink.Error) {
				reasons = append(reasons, p.String())
			}
			if len(reasons) == 0 {
				if _, err := verdict.CompileBook(r.Book.Servings()); err != nil {
					reasons = append(reasons, err.Error())
				}
			}
		}
		if len(reasons) > 0 {
			unfit[scope] = true
			rebase = append(rebase, govern.Rebase{Scope: scope, Conflicts: reasons})
			continue
		}
		out = append(out, member{scope: scope, overlays: names, book: r.Book})
	}
	return out, rebase, nil
}

// liveOverlay reads an overlay as it was last approved.
func liveOverlay(o govern.Overlay) (overlay.Overlay, error) {
	edits, err := decodeEdits(o.Live.Edits)
	if err != nil {
		return overlay.Overlay{}, fmt.Errorf("overlay of %s: %w", o.Scope, err)
	}
	return overlay.Overlay{Scope: o.Scope, Reason: o.Live.Reason, BaseEdition: o.Live.BaseEdition, Edits: edits}, nil
}

// savedEdit is the form of an overlay's edits in the record.
type savedEdit struct {
	File  string `json:"file"`
	Path  string `json:"path"`
	Value string `json:"value,omitempty"`
	Base  string `json:"base,omitempty"`
}

func decodeEdits(raw json.RawMessage) ([]overlay.Edit, error) {
	var in []savedEdit
	if err := json.Unmarshal(raw, &in); err != nil {
		return nil, fmt.Errorf("read the edits: %w", err)
	}
	out := make([]overlay.Edit, len(in))
	for i, e := range in {
		out[i] = overlay.Edit(e)
	}
	return out, nil
}
