package rpc_test

import (
	"context"
	"errors"
	"net"
	"strings"
	"testing"
	"unicode/utf8"

	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

type book struct {
	pb.UnimplementedBookServiceServer
}

func (book) GetRelease(ctx context.Context, r *pb.GetReleaseRequest) (*pb.GetReleaseResponse, error) {
	if _, ok := ctx.Deadline(); !ok {
		return nil, errors.New("no deadline")
	}
	switch r.Number {
	case 0:
		return nil, rpc.Invalid(rpc.Violation{Field: "number", Description: "0 is no release; write 1 or more"})
	case 4:
		// One byte into a two-byte letter when cut, and bytes that are none.
		return nil, rpc.Invalid(rpc.Violation{Field: "note", Description: "x" + strings.Repeat("é", 8<<10)}, rpc.Violation{Field: "a\xff", Description: "b\xfe"})
	case 1:
		panic("spilt")
	case 2:
		return nil, errors.New("secret path /var/lib")
	}
	return &pb.GetReleaseResponse{}, nil
}

func serve(t *testing.T, opts rpc.Options) pb.BookServiceClient {
	t.Helper()
	cc, err := rpc.Dial(listen(t, opts))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := cc.Close(); err != nil {
			t.Error(err)
		}
	})
	if res, err := healthpb.NewHealthClient(cc).Check(t.Context(), &healthpb.HealthCheckRequest{}); opts.Authorise == nil && (err != nil || res.Status != healthpb.HealthCheckResponse_SERVING) {
		t.Fatalf("health: %v %v", res, err)
	}
	return pb.NewBookServiceClient(cc)
}

func listen(t *testing.T, opts rpc.Options) string {
	t.Helper()
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), opts)
	pb.RegisterBookServiceServer(srv, book{})
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- rpc.Serve(ctx, srv, lis, zap.NewNop()) }()
	t.Cleanup(func() {
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return lis.Addr().String()
}

func TestErrorsShowTheCallerWhatHelpsAndNoMore(t *testing.T) {
	c := serve(t, rpc.Options{})
	_, err := c.GetRelease(t.Context(), &pb.GetReleaseRequest{})
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument {
		t.Fatal(err)
	}
	var fields []string
	for _, d := range st.Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			for _, v := range br.FieldViolations {
				fields = append(fields, v.Field)
			}
		}
	}
	if strings.Join(fields, ",") != "number" {
		t.Fatalf("violations %v", fields)
	}
	for _, n := range []uint64{1, 2} {
		_, err := c.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: n})
		if status.Code(err) != codes.Internal || strings.Contains(err.Error(), "secret") || strings.Contains(err.Error(), "spilt") {
			t.Errorf("%d: %v", n, err)
		}
	}
	if _, err := c.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 3}); err != nil {
		t.Fatalf("the server did not outlive a panic: %v", err)
	}
}

func TestViolationsArriveWhateverTheirBytes(t *testing.T) {
	c := serve(t, rpc.Options{})
	_, err := c.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 4})
	st := status.Convert(err)
	if st.Code() != codes.InvalidArgument || !utf8.ValidString(st.Message()) {
		t.Fatalf("%v %q", st.Code(), st.Message()[max(0, len(st.Message())-40):])
	}
	var got int
	for _, d := range st.Details() {
		if br, ok := d.(*errdetails.BadRequest); ok {
			got = len(br.FieldViolations)
		}
	}
	if got != 2 {
		t.Fatalf("%d violations of 2 arrived", got)
	}
}

func TestAMessageBeyondTheLimitIsRefused(t *testing.T) {
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer lis.Close()
	c := serve(t, rpc.Options{})
	_, err = c.CheckBook(t.Context(), &pb.CheckBookRequest{Files: []*pb.SourceFile{{Content: make([]byte, rpc.MaxMessageBytes+1)}}}, grpc.MaxCallSendMsgSize(64<<20))
	if status.Code(err) != codes.ResourceExhausted {
		t.Fatal(err)
	}
}

func TestTheInterceptorIsAskedAboutEveryCall(t *testing.T) {
	c := serve(t, rpc.Options{Authorise: func(context.Context, string) (rpc.Caller, error) {
		return rpc.Caller{}, rpc.Fail(codes.PermissionDenied, "TEST", "not you", nil)
	}})
	if _, err := c.GetRelease(t.Context(), &pb.GetReleaseRequest{Number: 3}); status.Code(err) != codes.PermissionDenied {
		t.Fatal(err)
	}
}

func TestLoopbackOnly(t *testing.T) {
	for addr, ok := range map[string]bool{"127.0.0.1": true, "127.8.8.8": true, "::1": true, "192.0.2.1": false, "0.0.0.0": false} {
		ctx := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.ParseIP(addr), Port: 1}})
		if _, err := rpc.LoopbackOnly(ctx, "/x"); (err == nil) != ok {
			t.Errorf("%s: %v", addr, err)
		}
	}
	if _, err := rpc.LoopbackOnly(t.Context(), "/x"); err == nil {
		t.Error("a caller without an address was let in")
	}
}

func TestListenLoopbackBindsThisMachineOnly(t *testing.T) {
	for _, addr := range []string{"0.0.0.0:0", ":0", "192.0.2.1:80", "[::]:0", "7100"} {
		if l, err := rpc.ListenLoopback(addr); err == nil {
			l.Close()
			t.Errorf("%s was bound", addr)
		}
	}
}

func TestAsLocalCountsAsThisMachine(t *testing.T) {
	far := peer.NewContext(t.Context(), &peer.Peer{Addr: &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1)}})
	if _, err := rpc.LoopbackOnly(far, "/x"); err == nil {
		t.Error("a caller from elsewhere is let in")
	}
	if _, err := rpc.LoopbackOnly(rpc.AsLocal(far), "/x"); err != nil {
		t.Error(err)
	}
}

func TestAViolationReadsAsASentence(t *testing.T) {
	for want, v := range map[string]rpc.Violation{
		`scope is "x"; write chain`:                            {Field: "scope", Description: `is "x"; write chain`},
		"site.people_count is -1; write 0 or more":             {Field: "site.people_count", Description: "is -1; write 0 or more"},
		`there is no draft "x"; list the drafts`:               {Field: "name", Description: `there is no draft "x"; list the drafts`},
		"waves: wave 2 has a share of 0 %":                     {Field: "waves", Description: "wave 2 has a share of 0 %"},
		"drinks/latte.yaml:3: checks: is wrong":                {Field: "drinks/latte.yaml:3: checks", Description: "is wrong"},
		"drinks/latte.yaml name: was changed by somebody else": {Field: "drinks/latte.yaml name", Description: "was changed by somebody else"},
		"it is late": {Description: "it is late"},
	} {
		if got := v.String(); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
