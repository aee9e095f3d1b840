package quality

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.uber.org/zap"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// cafe logs days of builds at eight bars. The shots of the first can run ever
// faster and less alike, as with worn burrs (common practice, no source); all
// else is random about its target.
type cafe struct {
	rng  *rand.Rand
	bars []*bar
	day  int
}

func newCafe(t testing.TB) *cafe {
	c := &cafe{rng: rand.New(rand.NewPCG(5, 6))}
	for _, site := range []string{"tannery-row", "lantern-hill", "oyster-steps", "quillmaker-street"} {
		c.bars = append(c.bars, newBar(t, site, "bar-1"), newBar(t, site, "bar-2"))
	}
	return c
}

const perShift = 6

var caseDay0 = time.Date(2026, 9, 7, 0, 0, 0, 0, time.UTC)

func (c *cafe) clock() time.Time { return caseDay0.AddDate(0, 0, c.day) }

// days logs n days of two shifts; the shot times of the first bar drift by as
// many seconds a day. A bar's records of a day are given to send together.
func (c *cafe) days(n int, drift float64, send func(b *bar, records ...[]byte)) {
	for day := range n {
		for i, b := range c.bars {
			var records [][]byte
			for _, hour := range []int{1, 9} {
				shift := c.rng.NormFloat64() * 0.4
				for k := range perShift {
					records = append(records, b.log(func(d *drink.Build) {
						start := c.clock().Add(time.Duration(hour+k) * time.Hour)
						d.StartedAt, d.FinishedAt = start, start.Add(2*time.Minute)
						d.By = fmt.Sprintf("p%d-%d", i, c.rng.IntN(3))
						for r := range d.Readings {
							d.Readings[r].EnteredAt, d.Readings[r].MeasuredAt = d.FinishedAt, time.Time{}
							if d.Readings[r].Check != "shot_time" {
								continue
							}
							v := 29 + shift + c.rng.NormFloat64()*0.8
							if i == 0 && drift != 0 {
								v += drift*float64(day+1) + c.rng.NormFloat64()*2
							}
							d.Readings[r].Value = drink.Milli(v) * 1000
						}
					}))
				}
			}
			send(b, records...)
		}
		c.day++
	}
}

// caseRig is a rig whose cases are followed and served.
type caseRig struct {
	*rig
	cases pb.CaseServiceClient
}

func (r *caseRig) watch() {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 2)
	db, err := r.svc.casework()
	if err != nil {
		r.t.Fatal(err)
	}
	w := newCaseworker(db, zap.NewNop())
	w.every, w.share = 20*time.Millisecond, 1
	go func() { done <- r.svc.followBuilds(ctx, w) }()
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		r.t.Fatal(err)
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	r.svc.registerCases(srv)
	go func() { _ = srv.Serve(lis) }()
	cc, err := rpc.Dial(lis.Addr().String())
	if err != nil {
		r.t.Fatal(err)
	}
	r.cases = pb.NewCaseServiceClient(cc)
	rest := r.stop
	r.stop = func() {
		cancel()
		if err := <-done; err != nil {
			r.t.Error(err)
		}
		_ = cc.Close()
		srv.Stop()
		rest()
		r.stop = func() {}
	}
}

// followed waits until the watch has saved all that was counted. Where the bus
// brought a message twice the numbers of builds have gaps, so that they tell nothing.
func (r *caseRig) followed() {
	r.t.Helper()
	r.drained()
	eventually(r.t, func() string {
		list, err := r.cases.ListCases(r.t.Context(), &pb.ListCasesRequest{PageSize: 1})
		if err != nil || list.WaitingBuilds > 0 {
			return fmt.Sprintf("the watch has not read %d builds: %v", list.GetWaitingBuilds(), err)
		}
		return ""
	})
}

func (r *caseRig) shotCase() *pb.Case {
	r.t.Helper()
	res, err := r.cases.ListCases(r.t.Context(), &pb.ListCasesRequest{Site: "tannery-row"})
	if err != nil {
		r.t.Fatal(err)
	}
	for _, k := range res.Cases {
		if k.Domain == "coffee" && k.MergedInto == "" {
			return k
		}
	}
	r.t.Fatalf("no case of the coffee at tannery-row among %v", res.Cases)
	return nil
}

func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if i, ok := d.(*errdetails.ErrorInfo); ok {
			return i.Reason
		}
	}
	return ""
}

func TestADriftOpensACaseThatOnlyTheBuildsCanCloseAndThatComesBack(t *testing.T) {
	r := &caseRig{rig: newRig(t)}
	r.publishRelease(1)
	r.start()
	r.watch()
	c := newCafe(t)
	send := r.builds
	c.days(12, 0, send)
	c.days(8, -0.5, send)
	r.followed()
	ctx := t.Context()

	k := r.shotCase()
	if k.Stage != pb.CaseStage_CASE_STAGE_OPEN || len(k.Suspects) == 0 || k.Suspects[0].Cause != "grinder" {
		t.Fatalf("case %v: want an open one that suspects the grinder first", k)
	}
	got, err := r.cases.GetCase(ctx, &pb.GetCaseRequest{Id: k.Id})
	if err != nil {
		t.Fatal(err)
	}
	shots := 0
	for _, g := range got.Evidence {
		if g.Station == "bar-1" && g.Measure == "shot_time" && g.Direction < 0 && len(g.BuildIds) > 0 {
			shots++
			for _, id := range g.BuildIds {
				if want := "tannery-row/bar-1/"; len(id) < len(want) || id[:len(want)] != want {
					t.Errorf("signal %s of %s/%s points at build %s", g.Id, g.Site, g.Station, id)
				}
			}
		}
	}
	if shots == 0 {
		t.Errorf("no signal of falling shot times with builds in %v", got.Evidence)
	}

	// What a person may and may not state.
	at := func(req *pb.UpdateCaseRequest) *pb.UpdateCaseRequest {
		req.RequestId, req.Id, req.Actor = uuid.NewString(), k.Id, "quality-lead"
		return req
	}
	told := &pb.CaseFix{Cause: "grinder", Explanation: "barista reminded", Done: "talked", Prevention: "will be more careful"}
	if _, err := r.cases.UpdateCase(ctx, at(&pb.UpdateCaseRequest{Owner: proto.String("store manager"), Fix: told})); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a reminder as a cause: %v", err)
	}
	if now := r.shotCase(); now.Etag != k.Etag {
		t.Error("a refused update left something behind")
	}
	own := at(&pb.UpdateCaseRequest{Owner: proto.String("store manager"), Containment: proto.String("shots are timed"), Note: proto.String("burrs are old"), Etag: k.Etag})
	first, err := r.cases.UpdateCase(ctx, own)
	if err != nil {
		t.Fatal(err)
	}
	again, err := r.cases.UpdateCase(ctx, own)
	if err != nil || !proto.Equal(first, again) {
		t.Errorf("the same request again: %v, %v; want %v", again, err, first)
	}
	own.Owner = proto.String("somebody else")
	if _, err := r.cases.UpdateCase(ctx, own); reason(err) != "REQUEST_REUSED" {
		t.Errorf("another request under its id: %v", err)
	}
	if _, err := r.cases.UpdateCase(ctx, at(&pb.UpdateCaseRequest{Owner: proto.String("x"), Etag: k.Etag})); reason(err) != "ETAG_DIFFERS" {
		t.Errorf("an old etag: %v", err)
	}
	done := &pb.CaseFix{Cause: "grinder", Explanation: "the burrs were worn", Done: "burrs replaced", Prevention: "burr age is on the monthly list", FixTime: stamp(c.clock())}
	if _, err := r.cases.UpdateCase(ctx, at(&pb.UpdateCaseRequest{Fix: done})); err != nil {
		t.Fatal(err)
	}
	shut := func() *pb.CloseCaseRequest {
		return &pb.CloseCaseRequest{RequestId: uuid.NewString(), Id: k.Id, Actor: "quality-lead"}
	}
	if _, err := r.cases.CloseCase(ctx, shut()); reason(err) != "CANNOT_CLOSE_YET" {
		t.Fatalf("closing without data after the fix: %v", err)
	}

	// Mended, closed, and back.
	c.days(8, 0, send)
	r.followed()
	closed, err := r.cases.CloseCase(ctx, shut())
	if err != nil {
		t.Fatal(err)
	}
	if closed.Case.Stage != pb.CaseStage_CASE_STAGE_CLOSED || closed.Effect.Outcome != pb.FixOutcome_FIX_OUTCOME_MENDED {
		t.Errorf("closed: %v", closed)
	}
	c.days(8, -0.6, send)
	r.followed()
	back := r.shotCase()
	if back.Id != k.Id || back.Stage != pb.CaseStage_CASE_STAGE_OPEN || back.ReopenedCount != 1 {
		t.Errorf("after it came back: %v", back)
	}
	r.pages()
}

// pages reads every list page by page.
func (r *caseRig) pages() {
	r.t.Helper()
	ctx := r.t.Context()
	whole, err := r.cases.ListSignals(ctx, &pb.ListSignalsRequest{PageSize: 500})
	if err != nil {
		r.t.Fatal(err)
	}
	var list []*pb.Signal
	req := &pb.ListSignalsRequest{PageSize: 1}
	for {
		page, err := r.cases.ListSignals(ctx, req)
		if err != nil {
			r.t.Fatal(err)
		}
		list = append(list, page.Signals...)
		if req.PageToken = page.NextPageToken; req.PageToken == "" {
			break
		}
	}
	if !proto.Equal(whole, &pb.ListSignalsResponse{Signals: list}) {
		r.t.Errorf("signals page by page: %d, whole: %d", len(list), len(whole.Signals))
	}
	if _, err := r.cases.ListSignals(ctx, &pb.ListSignalsRequest{PageToken: "x"}); status.Code(err) != codes.InvalidArgument {
		r.t.Errorf("a bad token: %v", err)
	}
	if _, err := r.cases.ListQuestions(ctx, &pb.ListQuestionsRequest{}); err != nil {
		r.t.Error(err)
	}
	if _, err := r.cases.GetCase(ctx, &pb.GetCaseRequest{Id: "C-99999"}); reason(err) != "CASE_NOT_FOUND" {
		r.t.Errorf("an unknown case: %v", err)
	}
}

// filled is a database with the builds of a café that drifts. Those of release
// 2 wait for it.
func filled(t testing.TB, path string) *store.SQL {
	t.Helper()
	db, err := store.OpenSQLite(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	set, err := verdict.CompileBook([]drink.Serving{latte()})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Write(t.Context(), func(tx store.Tx) error {
		_, err := tx.InsertRelease(store.Release{Number: 1, Scope: "chain", Digest: []byte{1}, Envelope: bookRelease(t, 1, latte()), Received: caseDay0})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	c := newCafe(t)
	var rows []*store.Build
	send := func(b *bar, records ...[]byte) {
		var j judge
		for _, rec := range records {
			row, err := j.record(b.site, b.station, rec, func(b *store.Build) *rules {
				if b.Release == 1 {
					return &rules{book: &rulebook{set: set, servings: map[string]*drink.Serving{}}}
				}
				return nil
			})
			if err != nil {
				t.Fatal(err)
			}
			row.Received = row.Started.Add(time.Minute)
			rows = append(rows, row)
		}
	}
	c.days(12, 0, send)
	c.days(6, -0.8, send)
	c.bars[1].release = 2
	c.days(1, -5, send)
	if err := db.Write(t.Context(), func(tx store.Tx) error {
		c := counter{tx: tx, stations: map[stationKey]*tally{}}
		if err := c.take(rows, nil); err != nil {
			return err
		}
		return c.save()
	}); err != nil {
		t.Fatal(err)
	}
	return db
}

func worker(db *store.SQL, most int) *caseworker {
	w := newCaseworker(db, zap.NewNop())
	w.most, w.every = most, time.Hour
	return w
}
