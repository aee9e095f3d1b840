package console

import (
	"context"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// scriptedStream answers the requests for the stream one after the other, each
// with its messages and then an end.
type scriptedStream struct {
	pb.QualityServiceClient
	answers [][]*pb.StreamDeviationsResponse
	asked   []*pb.StreamDeviationsRequest
}

func (s *scriptedStream) StreamDeviations(_ context.Context, req *pb.StreamDeviationsRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[pb.StreamDeviationsResponse], error) {
	s.asked = append(s.asked, req)
	return &scriptedAnswer{messages: s.answers[len(s.asked)-1]}, nil
}

type scriptedAnswer struct {
	grpc.ServerStreamingClient[pb.StreamDeviationsResponse]
	messages []*pb.StreamDeviationsResponse
}

func (a *scriptedAnswer) Header() (metadata.MD, error) { return nil, nil }

func (a *scriptedAnswer) Recv() (*pb.StreamDeviationsResponse, error) {
	if len(a.messages) == 0 {
		return nil, context.DeadlineExceeded
	}
	m := a.messages[0]
	a.messages = a.messages[1:]
	return m, nil
}

// A start must not replay a year; a cut must lose nothing, even one before the
// first deviation came.
func TestTheHubBeginsNowAndGoesOnFromACut(t *testing.T) {
	one := func(cursor uint64) *pb.StreamDeviationsResponse {
		return &pb.StreamDeviationsResponse{Cursor: cursor, Deviation: &pb.Deviation{Cursor: cursor, Build: &pb.Build{Id: "b"}}}
	}
	s := &scriptedStream{answers: [][]*pb.StreamDeviationsResponse{{}, {{Cursor: 700}}, {one(701), one(702)}, {}}}
	h := newHub(s, "", nil)
	for range s.answers {
		if err := h.follow(t.Context()); err == nil {
			t.Fatal("an ended stream is no error")
		}
	}
	for i, want := range []struct {
		after uint64
		now   bool
	}{{0, true}, {0, true}, {700, false}, {702, false}} {
		if got := s.asked[i]; got.AfterCursor != want.after || got.FromNow != want.now {
			t.Errorf("question %d: after %d, from now %v; want %d, %v", i+1, got.AfterCursor, got.FromNow, want.after, want.now)
		}
	}
	if before, last, _, _ := h.join(700); len(before) != 2 || last != 702 {
		t.Errorf("a page that had 700 gets %d more, up to %d; want 2, up to 702", len(before), last)
	}
}

func TestAStartDoesNotReplayThePast(t *testing.T) {
	ch := seasonChain(t)
	d := openDesk(t, ch, nil)
	ctx, cancel := context.WithTimeout(ch.asAdmin(t.Context()), time.Minute)
	defer cancel()
	go func() { _ = d.con.live.follow(ctx) }()
	if err := eventually("the hub begins", func() (bool, error) {
		d.con.live.mu.Lock()
		defer d.con.live.mu.Unlock()
		return d.con.live.begun, nil
	}); err != nil {
		t.Fatal(err)
	}
	d.con.live.mu.Lock()
	defer d.con.live.mu.Unlock()
	if len(d.con.live.kept) > 0 || d.con.live.last < 100 {
		t.Errorf("it was told %d old deviations and stands at %d; want none, and the season's last", len(d.con.live.kept), d.con.live.last)
	}
}
