package authority

import (
	"cmp"
	"context"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap/zaptest"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const goodBook = "../../testdata/harbour-finch-counter"

// harness is an authority with its bus, called over gRPC.
type harness struct {
	*Service
	books  pb.BookServiceClient
	fleet  pb.FleetServiceClient
	client *nats.Conn // as a station's
	clock  *clock
}

type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) forward(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

func startBus(t *testing.T, dir string) *bus.Server {
	t.Helper()
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, Port: -1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(srv.Shutdown)
	return srv
}

func connect(t *testing.T, url string) *nats.Conn {
	t.Helper()
	nc, err := bus.Connect(t.Context(), url, "test", zaptest.NewLogger(t))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

// start starts an authority on a bus of its own; Run is up to the test.
func start(t *testing.T) *harness {
	t.Helper()
	return startOn(t, startBus(t, t.TempDir()).URL(), t.TempDir())
}

func startOn(t *testing.T, url, dir string) *harness {
	t.Helper()
	h := &harness{client: connect(t, url), clock: &clock{at: time.Date(2026, 3, 2, 9, 30, 0, 123_456_789, time.UTC)}}
	var err error
	h.Service, err = Open(t.Context(), Config{
		Dir: dir, Log: zaptest.NewLogger(t), Now: h.clock.now, NATS: connect(t, url), BusURL: "nats://bus.example:4222",
		ReconcileEvery: 20 * time.Millisecond, FlushEvery: 5 * time.Millisecond, TickEvery: 20 * time.Millisecond,
		shared: true, // some tests start a second one before the first has ended
	})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := h.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	lis := bufconn.Listen(1 << 20)
	srv := rpc.NewServer(zaptest.NewLogger(t), rpc.Options{})
	h.Register(srv)
	served := make(chan error, 1)
	go func() { served <- srv.Serve(lis) }()
	t.Cleanup(func() {
		srv.Stop()
		if err := <-served; err != nil {
			t.Errorf("serve: %v", err)
		}
	})
	cc, err := grpc.NewClient("passthrough:///authority",
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return lis.DialContext(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cc.Close() })
	h.books, h.fleet = pb.NewBookServiceClient(cc), pb.NewFleetServiceClient(cc)
	return h
}

// run runs the authority until the test ends.
func (h *harness) run(t *testing.T) {
	t.Helper()
	ctx, stop := context.WithCancel(context.WithoutCancel(t.Context()))
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

func bookFiles(t *testing.T) map[string][]byte {
	t.Helper()
	files, problems := drink.ReadFiles(os.DirFS(filepath.FromSlash(goodBook)))
	if err := problems.Err(); err != nil {
		t.Fatal(err)
	}
	return files
}

func request(files map[string][]byte) *pb.CreateReleaseRequest {
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: "Spring menu", Author: "ada"}
	for path, content := range files {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: content})
	}
	return req
}

func (h *harness) publish(t *testing.T, req *pb.CreateReleaseRequest) *pb.CreateReleaseResponse {
	t.Helper()
	res, err := h.books.CreateRelease(t.Context(), req)
	if err != nil {
		t.Fatalf("CreateRelease: %v", err)
	}
	return res
}

func (h *harness) addSite(t *testing.T, id, region string) {
	t.Helper()
	_, err := h.fleet.CreateSite(t.Context(), &pb.CreateSiteRequest{
		Site: &pb.Site{Id: id, Name: "Site " + id, Region: region, TimeZone: "Europe/London"}})
	if err != nil {
		t.Fatal(err)
	}
}

func (h *harness) enrol(t *testing.T, site, station string) *pb.EnrolStationResponse {
	t.Helper()
	code, err := h.fleet.CreateEnrolment(t.Context(), &pb.CreateEnrolmentRequest{Site: site, Station: station})
	if err != nil {
		t.Fatal(err)
	}
	res, err := h.fleet.EnrolStation(t.Context(), &pb.EnrolStationRequest{Code: code.Code})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

func (h *harness) jetstream(t *testing.T) jetstream.JetStream {
	t.Helper()
	js, err := jetstream.New(h.client)
	if err != nil {
		t.Fatal(err)
	}
	return js
}

// on reads the messages of a subject of BOOK in their order; nil when the
// stream is not there.
func (h *harness) on(t *testing.T, subject string) [][]byte {
	t.Helper()
	s, err := h.jetstream(t).Stream(t.Context(), bus.StreamBook)
	if err != nil {
		return nil
	}
	info, err := s.Info(t.Context(), jetstream.WithSubjectFilter(subject))
	if err != nil {
		return nil
	}
	type at struct {
		seq  uint64
		data []byte
	}
	var found []at
	for name := range info.State.Subjects {
		if m, err := s.GetLastMsgForSubject(t.Context(), name); err == nil {
			found = append(found, at{m.Sequence, m.Data})
		}
	}
	slices.SortFunc(found, func(a, b at) int { return cmp.Compare(a.seq, b.seq) })
	var out [][]byte
	for _, f := range found {
		out = append(out, f.data)
	}
	return out
}

// stream lists a scope's releases on the bus.
func (h *harness) stream(t *testing.T, scope string) [][]byte {
	t.Helper()
	return h.on(t, bus.ReleaseSubjects(scope))
}

// follower trusts what a station does that enrolled here.
func (h *harness) follower(t *testing.T) *release.Trust {
	t.Helper()
	trust, err := trustOf(h.KeyLists())
	if err != nil {
		t.Fatal(err)
	}
	return trust
}

// assignment reads what stands on the bus for a site; nil for none.
func (h *harness) assignment(t *testing.T, site string) *pb.Assignment {
	t.Helper()
	msgs := h.on(t, bus.AssignmentSubject(site))
	if len(msgs) == 0 {
		return nil
	}
	a, err := h.follower(t).VerifyAssignment(msgs[0], site)
	if err != nil {
		t.Fatal(err)
	}
	return a.Assignment
}

// eventually polls until ok returns true.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.NewTimer(15 * time.Second)
	defer deadline.Stop()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			t.Fatalf("not in time: %s", what)
		case <-tick.C:
		}
	}
}

// wantStatus checks an error's code and reason and returns its violations.
func wantStatus(t *testing.T, err error, code codes.Code, reason string) map[string]string {
	t.Helper()
	st := status.Convert(err)
	if st.Code() != code {
		t.Errorf("code is %v (%s), want %v", st.Code(), st.Message(), code)
	}
	got, fields := "", map[string]string{}
	for _, d := range st.Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			got = d.Reason
		case *errdetails.BadRequest:
			for _, v := range d.FieldViolations {
				fields[v.Field] = v.Description
			}
		}
	}
	if got != reason {
		t.Errorf("reason is %q, want %q", got, reason)
	}
	return fields
}

func hasField(fields map[string]string, part string) bool {
	for f := range fields {
		if strings.Contains(f, part) {
			return true
		}
	}
	return false
}
