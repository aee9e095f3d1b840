package station

import (
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestActsSurviveARestartAndAreSentOnce(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir})
	takeIn(t, a, bus.StopListSubject(1), stopList(t, 1, stopDrink("s-1", "espresso")))
	svc := &service{agent: a}
	seen := &pb.StationServiceAcknowledgeStopRequest{Stop: "s-1", Person: "b-07", Note: "two bags set aside"}
	for range 2 {
		// A second tap on the same button is no second act.
		if _, err := svc.AcknowledgeStop(t.Context(), seen); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := svc.AcknowledgeCard(t.Context(), &pb.StationServiceAcknowledgeCardRequest{Edition: 4, Person: "b-07", Servings: []string{"espresso/cup"}}); err != nil {
		t.Fatal(err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir})
	stop := run(t, a)
	waiting := func() int {
		acts, err := a.store.Acts(t.Context(), 10)
		if err != nil {
			t.Fatal(err)
		}
		return len(acts)
	}
	until(t, "the stream has them", func() bool { return waiting() == 0 })
	stop()
	run(t, a)
	cons, err := bus.EnsureIntakeConsumer(t.Context(), c.js, bus.StreamActs, "acts")
	if err != nil {
		t.Fatal(err)
	}
	info, err := cons.Info(t.Context())
	if err != nil || info.NumPending != 2 {
		t.Fatalf("%d acts on the bus (%v), want 2", info.NumPending, err)
	}
	for i := range 2 {
		m, err := cons.Next(jetstream.FetchMaxWait(patience))
		if err != nil {
			t.Fatal(err)
		}
		var act pb.StationAct
		if err := proto.Unmarshal(m.Data(), &act); err != nil {
			t.Fatal(err)
		}
		if act.GetSite() != testSite || act.GetStation() != testStation || act.GetPerson() != "b-07" ||
			m.Headers().Get("Nats-Msg-Id") != act.GetId() || time.Since(act.GetActTime().AsTime()) > time.Hour {
			t.Errorf("act %v under id %s", &act, m.Headers().Get("Nats-Msg-Id"))
		}
		if i == 0 && act.GetStopSeen().GetNote() != seen.GetNote() || i == 1 && act.GetCardSeen().GetEdition() != 4 {
			t.Errorf("act %d is %v", i, &act)
		}
		if err := m.Ack(); err != nil {
			t.Fatal(err)
		}
	}
	res, err := (&service{agent: a}).ListStops(t.Context(), &pb.StationServiceListStopsRequest{})
	if err != nil || len(res.GetAcknowledged()) != 1 || res.GetAcknowledged()[0] != "s-1" {
		t.Errorf("acknowledged %v, %v; want s-1", res.GetAcknowledged(), err)
	}
}

func TestActsAreChecked(t *testing.T) {
	a := offline(t)
	svc := &service{agent: a}
	for name, tc := range map[string]struct {
		req  *pb.StationServiceAcknowledgeStopRequest
		code codes.Code
	}{
		"nobody":            {&pb.StationServiceAcknowledgeStopRequest{Stop: "s-1"}, codes.InvalidArgument},
		"no stop":           {&pb.StationServiceAcknowledgeStopRequest{Person: "b-07"}, codes.InvalidArgument},
		"text not in UTF-8": {&pb.StationServiceAcknowledgeStopRequest{Stop: "s-1", Person: "\xff"}, codes.InvalidArgument},
		"an unknown stop":   {&pb.StationServiceAcknowledgeStopRequest{Stop: "s-1", Person: "b-07"}, codes.NotFound},
	} {
		if _, err := svc.AcknowledgeStop(t.Context(), tc.req); status.Code(err) != tc.code {
			t.Errorf("%s: %v, want %s", name, err, tc.code)
		}
	}
	for name, req := range map[string]*pb.StationServiceAcknowledgeCardRequest{
		"no edition":        {Person: "b-07"},
		"nobody":            {Edition: 1},
		"too many servings": {Edition: 1, Person: "b-07", Servings: make([]string, maxActServings+1)},
	} {
		if _, err := svc.AcknowledgeCard(t.Context(), req); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v, want InvalidArgument", name, err)
		}
	}
}
