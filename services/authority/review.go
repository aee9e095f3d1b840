package authority

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// maxChangeLines bounds what one act keeps of a change in words; the sources
// under its digest have it all.
const maxChangeLines = 200

// reviewed is what there is to see of a book against the one before it. It is
// not changed once made.
type reviewed struct {
	govern.Review
	book     *drink.Book
	problems drink.Problems
	cautions []overlay.Caution
	changes  []drink.Change
}

type reviewKey struct{ base, files [32]byte }

// review compares the files of a book with those of the one before, nil for
// none. It is worked out once for the same content.
func (s *Service) review(base, files map[string][]byte) *reviewed {
	key := reviewKey{files: filesSum(files)}
	if base != nil {
		key.base = filesSum(base)
	}
	r, _ := s.office.reviews.get(key, func() (*reviewed, error) { return reviewFiles(base, files), nil })
	return r
}

func reviewFiles(base, files map[string][]byte) *reviewed {
	r := &reviewed{}
	r.book, r.problems = loadAndCheck(files)
	if !r.problems.HasErrors() {
		// What a station cannot compile it would refuse, site by site.
		if _, err := verdict.CompileBook(r.book.Servings()); err != nil {
			r.problems = append(r.problems, drink.Problem{Level: drink.Error, Fault: err.Error()})
		}
	}
	r.Errors = len(r.problems.At(drink.Error))
	r.cautions = overlay.Cautions(r.problems)
	for _, c := range r.cautions {
		r.Cautions = append(r.Cautions, govern.Caution{ID: c.ID, Text: c.Problem.String()})
	}
	if r.Errors == 0 {
		r.compare(base)
	}
	r.Digest = r.sum()
	return r
}

// compare fills in what changes; an edition that cannot be read any more counts
// as none, and everything is new then.
func (r *reviewed) compare(base map[string][]byte) {
	before := &drink.Book{}
	if base != nil {
		if b, problems := drink.LoadFiles(base); !problems.HasErrors() {
			before = b
			safety := overlay.Safety(before, r.book)
			r.SafetyReasons = append(slices.Clone(safety.NeedsFoodSafety), safety.Grows...)
			r.NeedsFoodSafety = len(safety.NeedsFoodSafety) > 0
		}
	}
	r.changes = drink.Diff(before, r.book)
	r.Touched = touchedBy(r.changes)
}

// touchedBy names the drinks and tells the changes, a line each.
func touchedBy(changes []drink.Change) govern.Touched {
	var t govern.Touched
	drinks := map[string]bool{}
	for i, c := range changes {
		for _, serving := range append(slices.Clone(c.Reaches), c.Subject) {
			if id, _, ok := strings.Cut(serving, "/"); ok {
				drinks[id] = true
			}
		}
		switch {
		case i < maxChangeLines:
			line, _, _ := strings.Cut(c.String(), "\n")
			t.Changes = append(t.Changes, line)
		case i == maxChangeLines:
			t.Changes = append(t.Changes, fmt.Sprintf("%d more changes", len(changes)-i))
		}
	}
	t.Drinks = slices.Sorted(maps.Keys(drinks))
	return t
}

// sum stands for all that an approver must see.
func (r *reviewed) sum() string {
	b, err := json.Marshal(struct {
		Errors   int
		Cautions []govern.Caution
		Safety   []string
		Needs    bool
		Changes  []drink.Change
	}{r.Errors, r.Cautions, r.SafetyReasons, r.NeedsFoodSafety, r.changes})
	if err != nil { // plain data always marshals
		panic(fmt.Sprintf("marshal a review: %v", err))
	}
	h := sha256.Sum256(b)
	return hex.EncodeToString(h[:16])
}

// blocks is the error, a violation a finding, for a book with errors; nil
// without any. govern refuses it too, but only counts them.
func (r *reviewed) blocks() error {
	if r.Errors == 0 {
		return nil
	}
	return rpc.Blocked("BOOK_HAS_ERRORS", violations(r.problems.At(drink.Error))...)
}

func changesToProto(changes []drink.Change) []*pb.BookChange {
	out := make([]*pb.BookChange, len(changes))
	for i, c := range changes {
		out[i] = &pb.BookChange{Kind: string(c.Kind), Safety: c.Safety, Subject: c.Subject, Field: c.Field, Old: c.Old, New: c.New,
			Reaches: c.Reaches, Text: c.String()}
		for _, e := range c.Effects {
			out[i].Effects = append(out[i].Effects, &pb.BookEffect{Serving: e.Serving, Fact: e.Fact, Old: e.Old, New: e.New})
		}
	}
	return out
}

func cautionsToProto(cautions []overlay.Caution) []*pb.ReviewCaution {
	out := make([]*pb.ReviewCaution, len(cautions))
	for i, c := range cautions {
		out[i] = &pb.ReviewCaution{Id: c.ID, Problem: problemsToProto(drink.Problems{c.Problem})[0]}
	}
	return out
}

func rolesToProto(roles []govern.Role) []string {
	out := make([]string, len(roles))
	for i, r := range roles {
		out[i] = string(r)
	}
	return out
}

// newestFiles are the sources of the newest edition; nil and 0 for none, nil for
// one whose sources were never kept.
func (s *Service) newestFiles(ctx context.Context, st *govern.State) (files map[string][]byte, edition uint64, err error) {
	e, ok := st.Edition(st.Newest())
	if !ok || e.Content == (govern.Digest{}) {
		return nil, e.Number, nil
	}
	files, err = s.bookFiles(ctx, e.Content)
	return files, e.Number, err
}

// bookFiles are the sources under a digest; do not change them.
func (s *Service) bookFiles(ctx context.Context, content govern.Digest) (map[string][]byte, error) {
	return s.office.books.get(content, func() (map[string][]byte, error) {
		files, err := s.loadSources(ctx, content)
		return files, gone(err)
	})
}

// filesSum is the digest that sources would keep the files under.
func filesSum(files map[string][]byte) govern.Digest {
	digest, err := new(turn).sources(files)
	if err != nil { // a list of paths and digests always marshals
		panic(fmt.Sprintf("list the sources: %v", err))
	}
	return digest
}

// liveOverlays are the approved overlays by scope.
func liveOverlays(st *govern.State) (map[string]overlay.Overlay, error) {
	out := map[string]overlay.Overlay{}
	for _, o := range st.Overlays() {
		if o.Live == nil {
			continue
		}
		var err error
		if out[o.Scope], err = liveOverlay(o); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// wider lists the overlays that come before one of scope, the widest first.
func wider(st *govern.State, live map[string]overlay.Overlay, scope string) (out []overlay.Overlay) {
	site, ok := strings.CutPrefix(scope, "site.")
	if !ok {
		return nil
	}
	for _, sc := range st.Scopes(site) {
		if o, ok := live[sc]; ok && sc != scope {
			out = append(out, o)
		}
	}
	return out
}
