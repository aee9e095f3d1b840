package authority

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"go.uber.org/zap/zaptest"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/record"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

var local = govern.Call{Actor: govern.Actor{Person: govern.Local}}

func snapshot(t *testing.T, s *Service) string {
	t.Helper()
	var b []byte
	var err error
	s.view(func(st *govern.State) { b, err = st.Snapshot() })
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// order decides on a stop as a person at head office does.
func (h *harness) order(t *testing.T, target string) string {
	t.Helper()
	out, err := h.do(t.Context(), local, func(t *turn) ([]govern.Act, error) {
		return t.OrderStop(t.Call, govern.NewStop{Kind: govern.StopLot, Target: target, Reason: "Glass found in a carton"})
	})
	if err != nil {
		t.Fatal(err)
	}
	return out.Acts[0].Body.(*govern.StopOrdered).Stop
}

func TestReplayEqualsSnapshot(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	stop := h.order(t, "L-1")
	for i := range snapshotEvery + 20 {
		h.order(t, fmt.Sprintf("L-2%d", i))
	}
	if snap, err := h.store.Snapshot(t.Context()); err != nil || snap.Number < snapshotEvery {
		t.Fatalf("snapshot: %d, %v", snap.Number, err)
	}
	want := snapshot(t, h.Service)
	again := startOn(t, url, dir)
	if d := cmp.Diff(want, snapshot(t, again.Service)); d != "" {
		t.Errorf("state from the snapshot (-want +got):\n%s", d)
	}
	if err := h.store.SaveSnapshot(t.Context(), store.Snapshot{}); err != nil {
		t.Fatal(err)
	}
	again = startOn(t, url, dir)
	if d := cmp.Diff(want, snapshot(t, again.Service)); d != "" {
		t.Errorf("state from the record (-want +got):\n%s", d)
	}
	again.view(func(st *govern.State) {
		if v, ok := st.Stop(stop); !ok || v.Target != "L-1" {
			t.Errorf("stop is %+v", v)
		}
	})
	head, n, err := record.Verify(h.store.Entries(t.Context(), 0))
	if number, hash := again.head(); err != nil || n != number || head != hash {
		t.Errorf("record verifies to %d, %v; the state stands after %d", n, err, number)
	}
}

func TestASnapshotThatIsNotOfTheRecordIsNoticed(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	body := []byte(snapshot(t, h.Service))
	if err := h.store.SaveSnapshot(t.Context(), store.Snapshot{Number: 2, Head: [32]byte{1}, Body: body}); err != nil {
		t.Fatal(err)
	}
	_, err := Open(t.Context(), Config{Dir: dir, shared: true, Log: zaptest.NewLogger(t), NATS: connect(t, url)})
	if !errors.Is(err, record.ErrCut) {
		t.Errorf("opened with %v", err)
	}
}

func TestDecisionsAreTakenOneAtATime(t *testing.T) {
	h := start(t)
	const n = 20
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { h.addSite(t, fmt.Sprintf("site-%d", i%(n/2)), "north") })
	}
	wg.Wait()
	h.view(func(st *govern.State) {
		if got := len(st.Sites()); got != n/2 || st.Number() != n/2+1 {
			t.Errorf("%d sites after %d acts, want %d sites", got, st.Number(), n/2)
		}
	})
}

func TestARecordThatMovedIsReadAgain(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	a, b := startOn(t, url, dir), startOn(t, url, dir)
	a.addSite(t, "tannery-row", "north")
	b.addSite(t, "oyster-steps", "north") // decided on what a wrote meanwhile
	b.view(func(st *govern.State) {
		if len(st.Sites()) != 2 {
			t.Errorf("sites are %v", st.Sites())
		}
	})
	if _, _, err := record.Verify(a.store.Entries(t.Context(), 0)); err != nil {
		t.Error(err)
	}
}

// flaky commits and then says that it failed, as a disk may when the power
// goes, or fails without committing.
type flaky struct {
	store.Store
	after, before error
}

func (f *flaky) Commit(ctx context.Context, c store.Commit) error {
	if f.before != nil {
		return f.before
	}
	if err := f.Store.Commit(ctx, c); err != nil {
		return err
	}
	return f.after
}

func TestCommitOfUnknownOutcome(t *testing.T) {
	h := start(t)
	broken := &flaky{Store: h.store, after: errors.New("I/O error")}
	h.store = broken
	h.addSite(t, "tannery-row", "north") // it was stored, and that is what counts
	broken.after, broken.before = nil, errors.New("disk full")
	_, err := h.fleet.CreateSite(t.Context(), &pb.CreateSiteRequest{Site: &pb.Site{Id: "oyster-steps", Name: "Oyster Steps", TimeZone: "Europe/London"}})
	if err == nil {
		t.Fatal("answered as if it were stored")
	}
	broken.before = nil
	h.addSite(t, "oyster-steps", "north")
	h.view(func(st *govern.State) {
		if len(st.Sites()) != 2 {
			t.Errorf("sites are %v", st.Sites())
		}
	})
}

func TestCrashBetweenCommitAndPublishIsMended(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	req := request(bookFiles(t))
	call, err := h.call(t.Context(), req.RequestId, requestDigest(req))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := h.publishDirect(t.Context(), call, req); err != nil {
		t.Fatal(err)
	}
	stop := h.order(t, "L-2231")
	// Here the process ends, with nothing published and nothing signed.
	if n := len(h.on(t, ">")); n != 0 {
		t.Fatalf("%d messages on the bus", n)
	}
	again := startOn(t, url, dir)
	if err := again.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	a := again.assignment(t, "tannery-row")
	if a == nil || len(a.Orders) != 1 || a.Orders[0].Release != 1 || a.StopList != 1 {
		t.Errorf("assignment is %v", a)
	}
	v, err := again.follower(t).VerifyRelease(again.stream(t, "chain")[0])
	if err != nil || !bytes.Equal(v.Digest[:], a.Orders[0].Digest) || len(v.Release.RecordHead) != 32 {
		t.Errorf("release on the bus: %v, %v", v, err)
	}
	l, err := again.follower(t).VerifyStopList(again.on(t, bus.StopListSubjects)[0])
	if err != nil || len(l.List.Stops) != 1 || l.List.Stops[0].Id != stop {
		t.Errorf("stop list on the bus: %v, %v", l, err)
	}
	// And the call's retry gets its answer.
	if n := again.publish(t, req).Release.Number; n != 1 {
		t.Errorf("the retry made release %d", n)
	}
}

func TestSerialRisesOnlyWhenOrdersChange(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	h.addSite(t, "oyster-steps", "")
	files := bookFiles(t)
	h.publish(t, request(files))
	first := h.on(t, bus.AssignmentSubject("oyster-steps"))[0]
	regional := request(files)
	regional.Scope = "region.north"
	h.publish(t, regional)
	h.order(t, "L-2231")
	h.settle(t.Context())
	if a := h.assignment(t, "tannery-row"); a.Serial != 2 || a.Orders[len(a.Orders)-1].Release != 2 {
		t.Errorf("assignment is %v", a)
	}
	again := startOn(t, url, dir)
	again.clock.forward(24 * time.Hour)
	if err := again.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(first, again.on(t, bus.AssignmentSubject("oyster-steps"))[0]) {
		t.Error("other bytes for a site whose orders did not change")
	}
	// At half of its life it is signed anew, above what there was.
	again.clock.forward(assignmentLife / 2)
	again.settle(t.Context())
	a := again.assignment(t, "oyster-steps")
	if a.Serial != 2 || !a.ExpireTime.AsTime().After(again.clock.now().Add(assignmentLife-time.Hour)) {
		t.Errorf("renewed assignment is %v", a)
	}
	third := startOn(t, url, dir)
	third.clock.forward(assignmentLife/2 + 24*time.Hour)
	third.publish(t, request(files))
	if a := third.assignment(t, "oyster-steps"); a.Serial != 3 || a.Orders[len(a.Orders)-1].Release != 3 {
		t.Errorf("assignment after another release is %v", a)
	}
}

func TestDocumentsStayAboveWhatTheBusHolds(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	_, online, _ := h.keys.signers()
	now := h.clock.now()
	old := h.assignment(t, "tannery-row")
	old.Serial, old.Orders = 17, nil
	envelope, _, err := online.Assignment(old)
	if err != nil {
		t.Fatal(err)
	}
	stops, _, err := online.StopList(&pb.StopList{Version: 9, IssuedTime: timestamppb.New(now)})
	if err != nil {
		t.Fatal(err)
	}
	for subject, data := range map[string][]byte{bus.AssignmentSubject("tannery-row"): envelope, bus.StopListSubject(9): stops} {
		if _, err := h.jetstream(t).Publish(t.Context(), subject, data); err != nil {
			t.Fatal(err)
		}
	}
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	if a := h.assignment(t, "tannery-row"); a.Serial != 18 || len(a.Orders) != 1 {
		t.Errorf("assignment is %v", a)
	}
	h.order(t, "L-2231")
	h.settle(t.Context())
	lists := h.on(t, bus.StopListSubjects)
	if l, err := h.follower(t).VerifyStopList(lists[len(lists)-1]); err != nil || l.List.Version != 11 || len(l.List.Stops) != 1 {
		t.Errorf("stop list is %v, %v", l, err)
	}
}

func TestQuietStreamCostsOneQuestion(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	for range 3 {
		if err := h.Reconcile(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	quiet := h.pub.quiet
	if quiet.messages != 3 {
		t.Errorf("the stream is taken for %+v", quiet)
	}
	if err := h.Reconcile(t.Context()); err != nil || h.pub.quiet != quiet {
		t.Errorf("moved to %+v, %v", h.pub.quiet, err)
	}
}

func TestStationActs(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.enrol(t, "tannery-row", "bar-1")
	h.publish(t, request(bookFiles(t)))
	stop := h.order(t, "L-2231")
	h.run(t)
	act := func(edit func(*pb.StationAct)) *pb.StationAct {
		a := &pb.StationAct{Id: uuid.NewString(), Site: "tannery-row", Station: "bar-1", ActTime: timestamppb.New(h.clock.now()), Person: "Mo",
			Act: &pb.StationAct_StopSeen{StopSeen: &pb.StopSeen{Stop: stop, Note: "six cartons set aside"}}}
		if edit != nil {
			edit(a)
		}
		return a
	}
	subject := bus.ActSubject("tannery-row", "bar-1")
	js := h.jetstream(t)
	eventually(t, "the stream of acts", func() bool { _, err := js.Stream(t.Context(), bus.StreamActs); return err == nil })
	seen := act(nil)
	for _, data := range [][]byte{
		[]byte("garbage"),
		marshal(t, act(func(a *pb.StationAct) { a.Site = "oyster-steps" })),
		marshal(t, act(func(a *pb.StationAct) { a.Id = "7" })),
		marshal(t, act(func(a *pb.StationAct) { a.Person = " " })),
		marshal(t, act(func(a *pb.StationAct) { a.Act = nil })),
		marshal(t, act(func(a *pb.StationAct) {
			a.Act = &pb.StationAct_CardSeen{CardSeen: &pb.CardSeen{Edition: 99}}
		})),
		marshal(t, seen), marshal(t, seen),
		marshal(t, act(func(a *pb.StationAct) {
			a.Act = &pb.StationAct_CardSeen{CardSeen: &pb.CardSeen{Edition: 1}}
		})),
	} {
		if _, err := js.Publish(t.Context(), subject, data); err != nil {
			t.Fatal(err)
		}
	}
	eventually(t, "the acts taken or refused", func() bool {
		s, err := js.Stream(t.Context(), bus.StreamActs)
		return err == nil && s.CachedInfo().State.Msgs == 0
	})
	h.view(func(st *govern.State) {
		v, _ := st.Stop(stop)
		if ack := v.Acks["tannery-row"]; ack.Person != "Mo" || ack.Note != "six cartons set aside" {
			t.Errorf("acknowledged by %+v", v.Acks)
		}
		if tr := st.Training(1); len(tr) != 1 || tr[0].Acknowledged != 1 {
			t.Errorf("training is %+v", tr)
		}
	})
}

func TestOnlyAnInstallationWithoutPeoplePublishesDirectly(t *testing.T) {
	h := start(t)
	_, err := h.do(t.Context(), local, func(t *turn) ([]govern.Act, error) {
		return t.AddPerson(t.Call, govern.NewPerson{ID: "ada", Name: "Ada", Roles: govern.Roles(), TokenHash: tokenHash("secret")})
	})
	if err != nil {
		t.Fatal(err)
	}
	_, err = h.do(t.Context(), govern.Call{Actor: govern.Actor{Person: "ada", Roles: govern.Roles()}}, func(t *turn) ([]govern.Act, error) {
		return t.PublishDirect(t.Call, rules(), govern.DirectRelease{Scope: "chain"})
	})
	wantStatus(t, err, codes.FailedPrecondition, "NEEDS_APPROVAL")
}

func TestStationsOfAnEarlierVersionGoOn(t *testing.T) {
	// The rows as the migration leaves them, and an empty record.
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.publish(t, request(bookFiles(t)))
	row, err := h.store.Release(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	envelope, err := h.store.Envelope(t.Context(), 1)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	old, err := store.OpenSQLite(t.Context(), dir+"/authority.db")
	if err != nil {
		t.Fatal(err)
	}
	row.Number = 4
	err = old.Commit(t.Context(), store.Commit{Sites: []store.Site{{ID: "tannery-row", Name: "Tannery Row", TimeZone: "Europe/London"}},
		Releases: []store.SealedRelease{{Release: row, Envelope: envelope}}})
	if err := errors.Join(err, old.Close()); err != nil {
		t.Fatal(err)
	}
	again := startOn(t, startBus(t, t.TempDir()).URL(), dir)
	again.view(func(st *govern.State) {
		if o, ok := st.InForce("tannery-row", h.clock.now()); !ok || o.Release != 4 || st.NextRelease() != 5 {
			t.Errorf("in force is %+v, the next release %d", o, st.NextRelease())
		}
	})
	if again.publish(t, request(bookFiles(t))).Release.Number != 5 {
		t.Error("numbers do not go on")
	}
}
