package authority

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	stopToken      = "x"
	maxStopScopes  = 1000
	maxTargetRunes = 100
)

var stopKindsFromProto = func() map[pb.StopKind]govern.StopKind {
	out := map[pb.StopKind]govern.StopKind{}
	for k, v := range stopKinds {
		out[v] = k
	}
	return out
}()

// CreateStop implements pb.StopServiceServer.
func (s stopService) CreateStop(ctx context.Context, req *pb.CreateStopRequest) (*pb.CreateStopResponse, error) {
	var c check
	kind, ok := stopKindsFromProto[req.Kind]
	switch {
	case !ok:
		c.fail("kind", "is %s; send STOP_KIND_DRINK, STOP_KIND_INGREDIENT or STOP_KIND_LOT", req.Kind)
	case kind == govern.StopLot:
		if release.NormaliseLot(req.Target) == "" {
			c.fail("target", "is empty; write the lot as it stands on the label")
		}
		c.text("target", req.Target, maxTargetRunes)
	default:
		c.slug("target", req.Target, "oat-drink")
	}
	if len(req.Scopes) > maxStopScopes {
		c.fail("scopes", "are %d; at most %d are taken, or none for the whole chain", len(req.Scopes), maxStopScopes)
	}
	for i, scope := range req.Scopes {
		if _, err := release.ParseScope(scope); err != nil {
			c.fail(fmt.Sprintf("scopes[%d]", i), "%s", err)
		}
	}
	c.prose("reason", req.Reason, maxTextRunes)
	c.prose("instruction", req.Instruction, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		q := govern.NewStop{Kind: kind, Target: req.Target, Scopes: req.Scopes, Reason: req.Reason, Instruction: req.Instruction}
		// An id that the book does not know is taken all the same: an older
		// book may still be in force somewhere, and a stop must never wait.
		book, err := s.editionBook(ctx, t.State, t.Newest())
		if err == nil && book != nil {
			q.Touched.Drinks = drinksOf(stoppedServings(book, govern.Stop{Kind: kind, Target: req.Target}))
		}
		if kind == govern.StopDrink {
			q.Touched.Drinks = []string{req.Target}
		}
		return t.OrderStop(t.Call, q)
	})
	if err != nil {
		return nil, err
	}
	made, _, err := firstAct[*govern.StopOrdered](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	v, err := s.stopStatus(ctx, made.Stop)
	return &pb.CreateStopResponse{Stop: v}, err
}

// stoppedServings are the servings of a book that a stop takes off, in its
// order. A lot is not known to a book: what is made with it is known at the
// counter.
func stoppedServings(book *drink.Book, stop govern.Stop) (out []string) {
	if book == nil {
		return nil
	}
	for _, v := range book.Servings() {
		if stop.Kind == govern.StopDrink && v.Drink == stop.Target || stop.Kind == govern.StopIngredient && servingHolds(&v, stop.Target) {
			out = append(out, v.ID)
		}
	}
	return out
}

func servingHolds(v *drink.Serving, ingredient string) bool {
	return v.Milk == ingredient || slices.Contains(v.Garnish, ingredient) ||
		slices.ContainsFunc(v.Parts, func(p drink.Part) bool { return p.Ingredient == ingredient }) ||
		slices.ContainsFunc(v.Steps, func(s drink.Step) bool { return s.Ingredient == ingredient })
}

func drinksOf(servings []string) (out []string) {
	for _, id := range servings {
		d, _, _ := strings.Cut(id, "/")
		out = append(out, d)
	}
	slices.Sort(out)
	return slices.Compact(out)
}

// GetStop implements pb.StopServiceServer.
func (s stopService) GetStop(ctx context.Context, req *pb.GetStopRequest) (*pb.GetStopResponse, error) {
	var c check
	id := c.named("name", req.Name, "stops")
	if err := c.err(); err != nil {
		return nil, err
	}
	v, err := s.stopStatus(ctx, id)
	return &pb.GetStopResponse{Stop: v}, err
}

// ListStops implements pb.StopServiceServer. The sites come with GetStop only;
// how many of them are open comes here too.
func (s stopService) ListStops(ctx context.Context, req *pb.ListStopsRequest) (*pb.ListStopsResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	book, err := s.newestBook(ctx)
	if err != nil {
		return nil, err
	}
	res := &pb.ListStopsResponse{}
	s.view(func(st *govern.State) {
		all := st.Stops()
		if req.OpenOnly {
			all = slices.DeleteFunc(all, func(v govern.Stop) bool { return v.State == govern.StopIsLifted })
		}
		// Newest first: the key falls where page wants it to rise.
		var part []govern.Stop
		part, res.NextPageToken, err = page(all, stopToken, req.PageToken, size, func(v govern.Stop) string {
			return fmt.Sprintf("%020d", ^numberOf(v.ID))
		})
		for _, v := range part {
			p := stopStatusToProto(v, book)
			p.OpenSites = openSites(st.StopSites(v.ID, s.now()))
			res.Stops = append(res.Stops, p)
		}
	})
	if err != nil {
		return nil, err
	}
	return res, nil
}

func numberOf(id string) (n uint64) {
	for _, r := range id {
		n = n*10 + uint64(r-'0') //nolint:gosec // ids of stops are decimal
	}
	return n
}

func openSites(sites []govern.StopSite) (n int32) {
	for _, x := range sites {
		if x.Ack == nil {
			n++
		}
	}
	return n
}

// AcknowledgeStop implements pb.StopServiceServer.
func (s stopService) AcknowledgeStop(ctx context.Context, req *pb.AcknowledgeStopRequest) (*pb.AcknowledgeStopResponse, error) {
	var c check
	id := c.named("name", req.Name, "stops")
	c.slug("site", req.Site, "tannery-row")
	c.text("person", req.Person, maxNameRunes)
	c.prose("note", req.Note, maxNoteRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	v, err := s.onStop(ctx, call, id, func(t *turn) ([]govern.Act, error) {
		return t.AcknowledgeStop(t.Call, govern.StopSeen{Stop: id, Site: req.Site, Person: strings.TrimSpace(req.Person), Note: req.Note})
	})
	return &pb.AcknowledgeStopResponse{Stop: v}, err
}

// LiftStop implements pb.StopServiceServer.
func (s stopService) LiftStop(ctx context.Context, req *pb.LiftStopRequest) (*pb.LiftStopResponse, error) {
	var c check
	id := c.named("name", req.Name, "stops")
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	v, err := s.onStop(ctx, call, id, func(t *turn) ([]govern.Act, error) { return t.LiftStop(t.Call, id, req.Reason) })
	return &pb.LiftStopResponse{Stop: v}, err
}

func (s *Service) onStop(ctx context.Context, call govern.Call, id string, decide func(*turn) ([]govern.Act, error)) (*pb.StopStatus, error) {
	if _, err := s.do(ctx, call, decide); err != nil {
		return nil, err
	}
	return s.stopStatus(ctx, id)
}

func (s *Service) newestBook(ctx context.Context) (book *drink.Book, err error) {
	s.view(func(st *govern.State) { book, err = s.editionBook(ctx, st, st.Newest()) })
	return book, gone(err)
}

// stopStatus is a stop with each site that it holds for.
func (s *Service) stopStatus(ctx context.Context, id string) (*pb.StopStatus, error) {
	book, err := s.newestBook(ctx)
	if err != nil {
		return nil, err
	}
	fleet, err := s.fleet(ctx, 0)
	if err != nil {
		return nil, err
	}
	var v govern.Stop
	var sites []govern.StopSite
	var found bool
	s.view(func(st *govern.State) {
		if v, found = st.Stop(id); found {
			sites = st.StopSites(id, s.now())
		}
	})
	if !found {
		return nil, rpc.Fail(codes.NotFound, "STOP_NOT_FOUND", fmt.Sprintf("there is no stop %q; list the stops to see their names", clip(id, 80)), nil)
	}
	out := stopStatusToProto(v, book)
	out.OpenSites = openSites(sites)
	first := uint64(0)
	if len(sites) > 0 {
		if first, err = s.stopListOf(ctx, id); err != nil {
			return nil, err
		}
	}
	stations, holding := map[string]int32{}, map[string]int32{}
	for _, x := range fleet {
		stations[x.Site]++
		if first > 0 && x.presence.GetStopList() >= first {
			holding[x.Site]++
		}
	}
	for _, x := range sites {
		p := &pb.StopSite{Site: x.Site, Escalation: int32(x.Escalation), Stations: stations[x.Site], StationsHolding: holding[x.Site]} //nolint:gosec // 0 to 3
		if x.Ack != nil {
			p.Person, p.AcknowledgeTime, p.Note = x.Ack.Person, timestamppb.New(x.Ack.At), x.Ack.Note
		}
		out.Sites = append(out.Sites, p)
	}
	return out, nil
}

// stopListOf is the version of the first stop list that was signed with a stop
// in it; 0 while there is none.
func (s *Service) stopListOf(ctx context.Context, id string) (uint64, error) {
	docs, err := s.store.Documents(ctx, strings.TrimSuffix(bus.StopListSubjects, "*"))
	if err != nil {
		return 0, err
	}
	for _, d := range docs {
		var list pb.StopList
		if err := payload(d.Envelope, &list); err != nil {
			return 0, fmt.Errorf("read the stored %s: %w", d.Subject, err)
		}
		if slices.ContainsFunc(list.Stops, func(x *pb.Stop) bool { return x.Id == id }) {
			return d.Version, nil
		}
	}
	return 0, nil
}

var stopStates = map[govern.StopState]pb.StopState{
	govern.StopIsOpen: pb.StopState_STOP_STATE_OPEN, govern.StopIsAsked: pb.StopState_STOP_STATE_LIFT_ASKED,
	govern.StopIsLifted: pb.StopState_STOP_STATE_LIFTED,
}

func stopStatusToProto(v govern.Stop, book *drink.Book) *pb.StopStatus {
	out := &pb.StopStatus{Name: "stops/" + v.ID, State: stopStates[v.State], LiftAskedBy: v.LiftAskedBy, LiftedBy: v.LiftedBy,
		LiftReason: v.LiftReason, Servings: stoppedServings(book, v)}
	out.Stop = stopsToProto([]govern.Stop{v})[0]
	if !v.Lifted.IsZero() {
		out.LiftTime = timestamppb.New(v.Lifted)
	}
	return out
}
