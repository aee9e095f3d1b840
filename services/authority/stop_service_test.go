package authority

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestAStopIsSeenAndLiftedByTwo(t *testing.T) {
	s := openSeason(t)
	s.run(t)
	order := &pb.CreateStopRequest{RequestId: uuid.NewString(), Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: "chocolate-powder",
		Reason: "glass in a bag of lot L-2231", Instruction: "set it aside"}
	v := must(s.ada.stops.CreateStop(t.Context(), order))(t).Stop
	if v.State != pb.StopState_STOP_STATE_OPEN || v.OpenSites != 4 || len(v.Sites) != 4 || len(v.Servings) == 0 || v.Stop.Author != "ada" {
		t.Fatalf("stop: %v", v)
	}
	if again := must(s.ada.stops.CreateStop(t.Context(), order))(t).Stop; again.Name != v.Name {
		t.Fatalf("the same request made %s and %s", v.Name, again.Name)
	}
	if got := s.resolve(t, "tannery-row", ""); len(got.Stops) != 1 {
		t.Fatalf("stops at tannery-row: %v", got.Stops)
	}

	code := must(s.admin.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: "tannery-row", Station: "bar-1"}))(t)
	must(s.admin.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code.Code}))(t)
	eventually(t, "a station holds the stop", func() bool {
		s.say(t, &pb.Presence{Site: "tannery-row", Station: "bar-1", StopList: s.pub.stopVer.Load()})
		got := must(s.ada.stops.GetStop(t.Context(), &pb.GetStopRequest{Name: v.Name}))(t).Stop
		return got.Sites[3].StationsHolding == 1 && got.Sites[3].Stations == 1
	})

	s.clock.forward(16 * time.Minute)
	ack := &pb.AcknowledgeStopRequest{RequestId: uuid.NewString(), Name: v.Name, Site: "tannery-row", Person: "Mo", Note: "two bags"}
	v = must(s.ada.stops.AcknowledgeStop(t.Context(), ack))(t).Stop
	if row := v.Sites[3]; row.Site != "tannery-row" || row.Person != "Mo" || row.Escalation != 0 || v.OpenSites != 3 || v.Sites[0].Escalation != 1 {
		t.Fatalf("after Mo: %v", v)
	}
	lift := func(who *desk, reason string) (*pb.LiftStopResponse, error) {
		return who.stops.LiftStop(t.Context(), &pb.LiftStopRequest{RequestId: uuid.NewString(), Name: v.Name, Reason: reason})
	}
	_, err := lift(s.fay, "")
	refused(t, err, codes.InvalidArgument, "BAD_REQUEST")
	if got := must(lift(s.fay, "the lot is destroyed"))(t).Stop; got.State != pb.StopState_STOP_STATE_LIFT_ASKED || got.LiftAskedBy != "fay" {
		t.Fatalf("asked: %v", got)
	}
	_, err = lift(s.fay, "")
	refused(t, err, codes.FailedPrecondition, "LIFT_NEEDS_SECOND")
	if got := must(lift(s.ben, ""))(t).Stop; got.State != pb.StopState_STOP_STATE_LIFTED || got.LiftedBy != "ben" {
		t.Fatalf("lifted: %v", got)
	}
	if got := must(s.ada.stops.ListStops(t.Context(), &pb.ListStopsRequest{OpenOnly: true}))(t); len(got.Stops) != 0 {
		t.Fatalf("open: %v", got.Stops)
	}
}

func TestStopsAreListedNewestFirst(t *testing.T) {
	s := openSeason(t)
	for _, target := range []string{"latte", "mocha", "espresso"} {
		must(s.ada.stops.CreateStop(t.Context(), &pb.CreateStopRequest{RequestId: uuid.NewString(), Kind: pb.StopKind_STOP_KIND_DRINK, Target: target, Reason: "recall"}))(t)
	}
	var got []string
	token := ""
	for {
		page := must(s.ada.stops.ListStops(t.Context(), &pb.ListStopsRequest{PageSize: 2, PageToken: token}))(t)
		for _, v := range page.Stops {
			got = append(got, v.Stop.Target)
		}
		if token = page.NextPageToken; token == "" {
			break
		}
	}
	if len(got) != 3 || got[0] != "espresso" || got[2] != "latte" {
		t.Fatalf("listed %q", got)
	}
}

func TestStopsThatCannotBeOrdered(t *testing.T) {
	s := openSeason(t)
	for name, c := range map[string]struct {
		edit   func(*pb.CreateStopRequest)
		code   codes.Code
		reason string
		field  string
	}{
		"no kind":      {func(r *pb.CreateStopRequest) { r.Kind = 0 }, codes.InvalidArgument, "BAD_REQUEST", "kind"},
		"no target":    {func(r *pb.CreateStopRequest) { r.Target = "" }, codes.InvalidArgument, "BAD_REQUEST", "target"},
		"no reason":    {func(r *pb.CreateStopRequest) { r.Reason = " " }, codes.InvalidArgument, "BAD_REQUEST", "reason"},
		"a bad scope":  {func(r *pb.CreateStopRequest) { r.Scopes = []string{"everywhere"} }, codes.InvalidArgument, "BAD_REQUEST", "scopes[0]"},
		"no such site": {func(r *pb.CreateStopRequest) { r.Scopes = []string{"site.nowhere"} }, codes.FailedPrecondition, "SCOPE_UNKNOWN", "scopes"},
	} {
		t.Run(name, func(t *testing.T) {
			req := &pb.CreateStopRequest{RequestId: uuid.NewString(), Kind: pb.StopKind_STOP_KIND_DRINK, Target: "latte", Reason: "recall"}
			c.edit(req)
			_, err := s.ada.stops.CreateStop(t.Context(), req)
			if fields := refused(t, err, c.code, c.reason); !hasField(fields, c.field) {
				t.Errorf("violations %v do not name %s", fields, c.field)
			}
		})
	}
	_, err := s.ada.stops.GetStop(t.Context(), &pb.GetStopRequest{Name: "stops/7"})
	refused(t, err, codes.NotFound, "STOP_NOT_FOUND")
	_, err = s.desk(t, "").stops.CreateStop(t.Context(), &pb.CreateStopRequest{RequestId: uuid.NewString()})
	refused(t, err, codes.Unauthenticated, "TOKEN_MISSING")
}
