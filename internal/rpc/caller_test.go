package rpc_test

import (
	"context"
	"errors"
	"io"
	"testing"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestACallerIsNamedByWhatIsNobodyElses(t *testing.T) {
	for want, c := range map[string]rpc.Caller{
		"": {}, "ada": {Person: "ada"}, "Ada Finch (ada)": {Person: "ada", Name: "Ada Finch"},
		"watch (ada)": {Person: "ada", Name: "watch"},
	} {
		if got := c.String(); got != want {
			t.Errorf("%+v: %q, want %q", c, got, want)
		}
	}
	if got := (rpc.Caller{Name: "Ada"}).String(); got != "" {
		t.Errorf("a name without a person: %q", got)
	}
	if rpc.CallerOf(t.Context()) != (rpc.Caller{}) {
		t.Error("somebody calls where nobody does")
	}
}

// askedBy tells who called it.
type askedBy struct {
	pb.UnimplementedQualityServiceServer
	heard chan rpc.Caller
}

func (a askedBy) GetIntake(ctx context.Context, _ *pb.GetIntakeRequest) (*pb.GetIntakeResponse, error) {
	a.heard <- rpc.CallerOf(ctx)
	return &pb.GetIntakeResponse{}, nil
}

func (a askedBy) StreamDeviations(_ *pb.StreamDeviationsRequest, out grpc.ServerStreamingServer[pb.StreamDeviationsResponse]) error {
	a.heard <- rpc.CallerOf(out.Context())
	return nil
}

func TestAHandlerLearnsWhoCalls(t *testing.T) {
	ada := rpc.Caller{Person: "ada", Name: "Ada"}
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: func(context.Context, string) (rpc.Caller, error) { return ada, nil }})
	heard := make(chan rpc.Caller, 1)
	pb.RegisterQualityServiceServer(srv, askedBy{heard: heard})
	served := make(chan error, 1)
	go func() { served <- srv.Serve(lis) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-served; err != nil {
			t.Error(err)
		}
	})
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	c := pb.NewQualityServiceClient(cc)
	if _, err := c.GetIntake(t.Context(), &pb.GetIntakeRequest{}); err != nil {
		t.Fatal(err)
	}
	if got := <-heard; got != ada {
		t.Errorf("the handler of a call is told of %+v", got)
	}
	stream, err := c.StreamDeviations(t.Context(), &pb.StreamDeviationsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := stream.Recv(); !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	if got := <-heard; got != ada {
		t.Errorf("the handler of a stream is told of %+v", got)
	}
}
