package authority

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"maps"
	"path"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ResolveSite implements pb.OverlayServiceServer. The book is what the release
// holds, byte for byte; nothing is marshalled again.
func (s overlayService) ResolveSite(ctx context.Context, req *pb.ResolveSiteRequest) (*pb.ResolveSiteResponse, error) {
	var c check
	site := c.named("site", req.Site, "sites")
	if req.AtTime != nil && !req.AtTime.IsValid() {
		c.fail("at_time", "is no time; send one between the years 1 and 9999, or none for now")
	}
	if req.Drink != "" {
		c.slug("drink", req.Drink, "latte")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	at := s.now()
	if req.AtTime != nil {
		at = req.AtTime.AsTime()
	}
	v, err := s.followedBy(site, at)
	if err != nil {
		return nil, err
	}
	if err := s.signedAssignment(ctx, v.assignment); err != nil {
		return nil, err
	}
	info, err := s.store.Release(ctx, v.order.Release)
	if err != nil {
		return nil, gone(err)
	}
	envelope, err := s.envelope(ctx, v.order.Release)
	if err != nil {
		return nil, gone(err)
	}
	raw, rel, err := rawBook(envelope)
	if err != nil {
		return nil, fmt.Errorf("release %d: %w", v.order.Release, err)
	}
	digest := sha256.Sum256(raw)
	res := &pb.ResolveSiteResponse{Release: releaseInfo(info), Assignment: v.assignment, BookDigest: digest[:], Book: raw, Stops: v.stops}
	res.Origins, err = s.originsOf(ctx, rel, v.edition.Content, req.Drink)
	return res, err
}

// followed is what a site follows at a moment.
type followed struct {
	order      govern.Order
	edition    govern.Edition
	assignment *pb.Assignment
	stops      []*pb.Stop
}

func (s *Service) followedBy(site string, at time.Time) (v followed, err error) {
	s.view(func(st *govern.State) {
		if _, ok := st.Site(site); !ok {
			err = rpc.Fail(codes.NotFound, "SITE_NOT_FOUND",
				fmt.Sprintf("there is no site %q; add it first: samecup site add %s", clip(site, 80), clip(site, 80)), map[string]string{"site": clip(site, 80)})
			return
		}
		var ok bool
		if v.order, ok = st.InForce(site, at); !ok {
			err = rpc.Fail(codes.FailedPrecondition, "NO_RELEASE", fmt.Sprintf("%s follows no release at %s: none was ordered for it that early",
				site, at.UTC().Format(time.RFC3339)), nil)
			return
		}
		v.edition, _ = st.Edition(v.order.Edition)
		v.assignment = assignmentNow(st, site)
		v.stops = stopsToProto(st.StopsFor(site))
	})
	return v, err
}

// assignmentNow is what a site is told, without the times of its signing.
func assignmentNow(st *govern.State, site string) *pb.Assignment {
	orders, serial := st.Orders(site)
	version, _ := st.StopList()
	out := &pb.Assignment{Site: site, Serial: serial, StopList: version, KeyList: uint64(len(st.KeyLists())), Orders: ordersToProto(orders)}
	return out
}

// signedAssignment puts what was signed last in the place of an assignment that
// says the same; one that is not signed yet stays as it is.
func (s *Service) signedAssignment(ctx context.Context, a *pb.Assignment) error {
	subject := bus.AssignmentSubject(a.Site)
	docs, err := s.store.Documents(ctx, subject)
	if err != nil {
		return err
	}
	for _, d := range docs { // of other sites too, whose name begins alike
		var signed pb.Assignment
		if d.Subject != subject || payload(d.Envelope, &signed) != nil {
			continue
		}
		if proto.Equal(&pb.Assignment{Orders: signed.Orders}, &pb.Assignment{Orders: a.Orders}) {
			proto.Reset(a)
			proto.Merge(a, &signed)
		}
	}
	return nil
}

// bookField is the number of Release.book.
const bookField protowire.Number = 5

// rawBook is the bytes of the book as they stand in a release's payload.
func rawBook(envelope []byte) (book []byte, rel *pb.Release, err error) {
	env := &pb.Envelope{}
	if err := proto.Unmarshal(envelope, env); err != nil {
		return nil, nil, fmt.Errorf("read the envelope: %w", err)
	}
	rel = &pb.Release{}
	if err := proto.Unmarshal(env.Payload, rel); err != nil {
		return nil, nil, fmt.Errorf("read the payload: %w", err)
	}
	for b := env.Payload; len(b) > 0; {
		num, typ, n := protowire.ConsumeTag(b)
		if n < 0 {
			return nil, nil, fmt.Errorf("read the payload: %w", protowire.ParseError(n))
		}
		m := protowire.ConsumeFieldValue(num, typ, b[n:])
		if m < 0 {
			return nil, nil, fmt.Errorf("read the payload: %w", protowire.ParseError(m))
		}
		if num == bookField && typ == protowire.BytesType {
			if book != nil {
				return nil, nil, errors.New("the payload holds two books")
			}
			book, _ = protowire.ConsumeBytes(b[n:])
		}
		b = b[n+m:]
	}
	return book, rel, nil
}

// originsOf says where the fields of a release come from. Nothing is said where
// the sources do not give the very book that was released: a release that was
// published directly to a region or site has none here.
func (s *Service) originsOf(ctx context.Context, rel *pb.Release, content govern.Digest, drinkID string) ([]*pb.FieldOrigin, error) {
	if content == (govern.Digest{}) {
		return nil, nil
	}
	chain, err := s.bookFiles(ctx, content)
	if err != nil {
		return nil, err
	}
	pile, err := s.overlaysAt(ctx, rel)
	if err != nil {
		return nil, err
	}
	return s.originsIn(chain, pile, rel, drinkID), nil
}

// originsIn tells of the fields that overlays set and, where a drink is named, of
// all those of its file and of no other. Only the files told of are opened field
// by field, and the book that all of them give is remembered by their content: who
// asks for one drink mostly asks for others.
func (s *Service) originsIn(chain map[string][]byte, pile []overlay.Overlay, rel *pb.Release, drinkID string) []*pb.FieldOrigin {
	got, err := overlay.Resolve(partOf(chain, pile, drinkID), pile...)
	if err != nil {
		return nil // the release stands; only its origins cannot be told
	}
	files := maps.Clone(chain)
	maps.Copy(files, got.Files)
	if r := s.review(nil, files); r.Errors > 0 || !proto.Equal(wire.BookToProto(r.book), rel.Book) {
		return nil
	}
	var set, rest []*pb.FieldOrigin
	for _, o := range got.Origins {
		ofDrink := drinkID != "" && holdsDrink(o.File, drinkID)
		if !ofDrink && (o.Source == overlay.Base || drinkID != "") {
			continue
		}
		p := &pb.FieldOrigin{File: o.File, Path: o.Path, Line: int32(o.Line), Value: o.Value, Reason: o.Reason, Replaced: o.Replaced} //nolint:gosec // a line
		if o.Source == overlay.Base {
			p.Source = fmt.Sprintf("edition %d", rel.Edition)
			rest = append(rest, p)
			continue
		}
		p.Source = "overlays/" + o.Source
		set = append(set, p)
	}
	return append(set, rest...)
}

// partOf are the files that overlays set fields of, and the one of the drink.
func partOf(chain map[string][]byte, pile []overlay.Overlay, drinkID string) map[string][]byte {
	part := map[string][]byte{}
	for _, o := range pile {
		for _, e := range o.Edits {
			if src, ok := chain[e.File]; ok {
				part[e.File] = src
			}
		}
	}
	for file, src := range chain {
		if drinkID != "" && holdsDrink(file, drinkID) {
			part[file] = src
		}
	}
	return part
}

// holdsDrink tells whether a file is that of a drink, or has such a name. It need
// not be opened: a drink whose file is not named after its id is an error of the
// book, and no release is made of such a one.
func holdsDrink(file, drinkID string) bool {
	return strings.TrimSuffix(path.Base(file), path.Ext(file)) == drinkID
}

// overlaysAt are the overlays that were resolved into a release, with the edits
// that they had then.
func (s *Service) overlaysAt(ctx context.Context, rel *pb.Release) ([]overlay.Overlay, error) {
	if len(rel.Overlays) == 0 {
		return nil, nil
	}
	live, current := map[string]overlay.Overlay{}, true
	var err error
	s.view(func(st *govern.State) {
		if live, err = liveOverlays(st); err != nil {
			return
		}
		// What is live changes with a release only, so one that is not newer
		// than this release was live when it was made.
		for _, scope := range rel.Overlays {
			o, ok := st.Overlay(scope)
			current = current && ok && o.Live != nil && o.Live.Release <= rel.Number
		}
	})
	if err != nil {
		return nil, err
	}
	if !current {
		if live, err = s.liveWhen(ctx, rel.Number); err != nil {
			return nil, err
		}
	}
	out := make([]overlay.Overlay, 0, len(rel.Overlays))
	for _, scope := range rel.Overlays {
		if o, ok := live[scope]; ok {
			out = append(out, o)
		}
	}
	return out, nil
}

// liveWhen walks the record to what was live when a release was made.
func (s *Service) liveWhen(ctx context.Context, number uint64) (map[string]overlay.Overlay, error) {
	up, live := map[string]overlay.Overlay{}, map[string]overlay.Overlay{}
	made := func(rs []govern.ReleaseMade) bool {
		return slices.ContainsFunc(rs, func(r govern.ReleaseMade) bool { return r.Number == number })
	}
	for e, err := range s.store.Entries(ctx, 0) {
		if err != nil {
			return nil, err
		}
		a, err := govern.Decode(e)
		if err != nil {
			return nil, err
		}
		var releases []govern.ReleaseMade
		switch b := a.Body.(type) {
		case *govern.OverlayProposed:
			edits, err := decodeEdits(b.Edits)
			if err != nil {
				return nil, fmt.Errorf("entry %d: %w", e.Number, err)
			}
			up[b.Scope] = overlay.Overlay{Scope: b.Scope, Reason: b.Reason, BaseEdition: b.BaseEdition, Edits: edits}
		case *govern.OverlayReleased:
			live[b.Scope], releases = up[b.Scope], b.Releases
		case *govern.OverlayRetired:
			delete(live, b.Scope)
			releases = b.Releases
		case *govern.EditionMade:
			releases = b.Releases
		}
		if made(releases) {
			return live, nil
		}
	}
	return live, nil
}
