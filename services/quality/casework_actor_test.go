package quality

import (
	"context"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// casesFor serves the cases of a café that drifts to callers that are named.
func casesFor(t *testing.T, who func() rpc.Caller) (pb.CaseServiceClient, string) {
	t.Helper()
	db := filled(t, filepath.Join(t.TempDir(), "q.db"))
	if err := worker(db, 1<<30).run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	svc := &Service{cfg: Config{Now: time.Now}, log: zap.NewNop(), store: db}
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{Authorise: func(context.Context, string) (rpc.Caller, error) { return who(), nil }})
	svc.registerCases(srv)
	go func() { _ = srv.Serve(lis) }()
	t.Cleanup(srv.Stop)
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	cases := pb.NewCaseServiceClient(cc)
	list, err := cases.ListCases(t.Context(), &pb.ListCasesRequest{OpenOnly: true})
	if err != nil || len(list.Cases) == 0 {
		t.Fatalf("cases %v, %v; the test needs one", list, err)
	}
	return cases, list.Cases[0].Id
}

func TestACasesHistoryNamesThePersonWhoActed(t *testing.T) {
	who := rpc.Caller{}
	cases, id := casesFor(t, func() rpc.Caller { return who })
	ctx := t.Context()
	note := func(request, actor, text string) error {
		_, err := cases.UpdateCase(ctx, &pb.UpdateCaseRequest{RequestId: request, Id: id, Actor: actor, Note: proto.String(text)})
		return err
	}
	first := uuid.NewString()
	for _, tc := range []struct {
		who            rpc.Caller
		request, actor string
	}{
		{rpc.Caller{}, uuid.NewString(), "store manager"},
		{rpc.Caller{Person: "lea", Name: "Lea"}, first, "somebody else"},
		{rpc.Caller{Person: "lea", Name: "Lea"}, uuid.NewString(), ""},
		{rpc.Caller{Person: "max"}, uuid.NewString(), "watch"},
	} {
		who = tc.who
		if err := note(tc.request, tc.actor, "looked at it"); err != nil {
			t.Fatalf("by %v as %q: %v", tc.who, tc.actor, err)
		}
	}
	res, err := cases.GetCase(ctx, &pb.GetCaseRequest{Id: id})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range res.History {
		if strings.HasPrefix(e.Text, "note: ") {
			got = append(got, e.Actor)
		}
	}
	if want := []string{"store manager", "Lea (lea)", "Lea (lea)", "max"}; !slices.Equal(got, want) {
		t.Errorf("the history names %q, want %q", got, want)
	}

	// A request id is its person's.
	who = rpc.Caller{Person: "lea", Name: "Lea"}
	if err := note(first, "yet another name", "looked at it"); err != nil {
		t.Errorf("the same request of the same person: %v", err)
	}
	who = rpc.Caller{Person: "max"}
	if err := note(first, "somebody else", "looked at it"); reason(err) != "REQUEST_REUSED" {
		t.Errorf("the same request of another person: %v", err)
	}
	who = rpc.Caller{}
	for _, actor := range []string{"", "watch", strings.Repeat("x", maxActor+1)} {
		if err := note(uuid.NewString(), actor, "x"); status.Code(err) != codes.InvalidArgument {
			t.Errorf("nobody, as %q: %v", actor, err)
		}
	}
}
