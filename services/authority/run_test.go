package authority

import (
	"context"
	"crypto/ed25519"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ask sends a presence as a station does; nil when nobody answers in time.
func (h *harness) ask(t *testing.T, subject string, data []byte, wait time.Duration) *pb.PresenceReply {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), wait)
	defer cancel()
	msg, err := h.client.RequestWithContext(ctx, subject, data)
	if err != nil {
		return nil
	}
	reply := new(pb.PresenceReply)
	if err := proto.Unmarshal(msg.Data, reply); err != nil {
		t.Fatal(err)
	}
	return reply
}

func marshal(t *testing.T, m proto.Message) []byte {
	t.Helper()
	b, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestPresence(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.enrol(t, "tannery-row", "bar-1")
	files := bookFiles(t)
	h.publish(t, request(files))
	site := request(files)
	site.Scope = "site.tannery-row"
	h.publish(t, site)
	h.run(t)

	said := &pb.Presence{
		Site: "tannery-row", Station: "bar-1", Release: 1, OutboxDepth: 3, Nonce: []byte("0123456789abcdef"), UsedReleases: []uint64{1},
		Refusals: []*pb.Refusal{{Release: 7, Reason: "BAD_SIGNATURE", Detail: "bit flipped", RefusedTime: timestamppb.New(h.clock.now())}},
	}
	subject := bus.PresenceSubject("tannery-row", "bar-1")
	var reply *pb.PresenceReply
	eventually(t, "an answer", func() bool {
		reply = h.ask(t, subject, marshal(t, said), time.Second)
		return reply != nil
	})
	// The database keeps microseconds, and an answer must not change when what
	// is remembered goes to disk.
	now := h.clock.now().Truncate(time.Microsecond)
	if reply.CentreTime == nil || !reply.CentreTime.AsTime().Equal(now) {
		t.Errorf("centre time is %v, want %v", reply.CentreTime.AsTime(), now)
	}
	standing, err := h.follower(t).VerifyStanding(reply.Standing, "tannery-row", "bar-1", said.Nonce, now)
	if err != nil {
		t.Fatal(err)
	}
	want := &pb.Standing{Site: "tannery-row", Station: "bar-1", Nonce: said.Nonce, CentreTime: timestamppb.New(now), Assignment: 2, KeyList: 1, Placement: h.pub.placedAt(key("tannery-row", "bar-1"))}
	if d := cmp.Diff(want, standing, protocmp.Transform()); d != "" {
		t.Errorf("standing (-want +got):\n%s", d)
	}
	list, err := h.fleet.ListStations(t.Context(), &pb.ListStationsRequest{})
	if err != nil || len(list.Stations) != 1 {
		t.Fatalf("stations: %v, %v", list, err)
	}
	got := list.Stations[0]
	if d := cmp.Diff(said, got.Presence, protocmp.Transform()); d != "" {
		t.Errorf("presence (-sent +listed):\n%s", d)
	}
	if got.ExpectedRelease != 2 || !got.PresenceTime.AsTime().Equal(now) {
		t.Errorf("expected release %d, presence time %v", got.ExpectedRelease, got.PresenceTime.AsTime())
	}
	eventually(t, "the refusal on disk", func() bool {
		rows, err := h.store.Refusals(t.Context(), key("tannery-row", "bar-1"))
		return err == nil && len(rows) == 1 && rows[0].Reason == "BAD_SIGNATURE" && rows[0].Release == 7
	})
	eventually(t, "nothing waiting", func() bool { return len(h.seen.all()) == 0 })
}

func TestPresenceThatIsIgnored(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.enrol(t, "tannery-row", "bar-1")
	good := func(edit func(*pb.Presence)) []byte {
		p := &pb.Presence{Site: "tannery-row", Station: "bar-1"}
		edit(p)
		return marshal(t, p)
	}
	for _, c := range []struct {
		name, subject string
		data          []byte
	}{
		{"another station's name", bus.PresenceSubject("tannery-row", "bar-1"), good(func(p *pb.Presence) { p.Station = "bar-2" })},
		{"another site's name", bus.PresenceSubject("tannery-row", "bar-1"), good(func(p *pb.Presence) { p.Site = "oyster-steps" })},
		{"a stranger", bus.PresenceSubject("tannery-row", "bar-9"), good(func(p *pb.Presence) { p.Station = "bar-9" })},
		{"garbage", bus.PresenceSubject("tannery-row", "bar-1"), []byte{0xff, 0xff}},
		{"too long", bus.PresenceSubject("tannery-row", "bar-1"), good(func(p *pb.Presence) {
			p.Refusals = []*pb.Refusal{{Detail: strings.Repeat("x", maxPresenceBytes)}}
		})},
		{"no station in the subject", "samecup.presence.tannery-row", good(func(*pb.Presence) {})},
	} {
		t.Run(c.name, func(t *testing.T) {
			if reply, err := h.takePresence(c.subject, c.data); err == nil {
				t.Errorf("answered %v", reply)
			}
			if n := len(h.seen.all()); n != 0 {
				t.Errorf("%d presences noted", n)
			}
		})
	}
}

func TestRefusalsAreCutToSize(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.enrol(t, "tannery-row", "bar-1")
	p := &pb.Presence{Site: "tannery-row", Station: "bar-1"}
	for i := range maxRefusals + 5 {
		p.Refusals = append(p.Refusals, &pb.Refusal{Release: uint64(i), Reason: "OLDER", Detail: strings.Repeat("é", maxDetailBytes)})
	}
	if _, err := h.takePresence(bus.PresenceSubject("tannery-row", "bar-1"), marshal(t, p)); err != nil {
		t.Fatal(err)
	}
	h.flush(t.Context())
	rows, err := h.store.Refusals(t.Context(), key("tannery-row", "bar-1"))
	if err != nil || len(rows) != maxRefusals {
		t.Fatalf("%d refusals, %v; want %d", len(rows), err, maxRefusals)
	}
	if last := rows[0]; last.Release != maxRefusals+4 || len(last.Detail) > maxDetailBytes+len("…") || !last.RefusedAt.Equal(h.clock.now().Truncate(time.Microsecond)) {
		t.Errorf("newest refusal is %+v", last)
	}
}

func TestReconcileRefillsALostStream(t *testing.T) {
	for name, lose := range map[string]func(*testing.T, *harness) error{
		"purged": func(t *testing.T, h *harness) error {
			s, err := h.jetstream(t).Stream(t.Context(), bus.StreamBook)
			if err != nil {
				return err
			}
			return s.Purge(t.Context())
		},
		"deleted": func(t *testing.T, h *harness) error { return h.jetstream(t).DeleteStream(t.Context(), bus.StreamBook) },
	} {
		t.Run(name, func(t *testing.T) {
			h := start(t)
			h.addSite(t, "tannery-row", "north")
			files := bookFiles(t)
			site := request(files)
			site.Scope = "site.tannery-row"
			for _, req := range []*pb.CreateReleaseRequest{request(files), site, request(files)} {
				h.publish(t, req)
			}
			all := func() [][]byte {
				return slices.Concat(h.on(t, bus.KeyListSubjects), h.on(t, bus.AssignmentSubjects), h.stream(t, "site.tannery-row"))
			}
			if err := h.Reconcile(t.Context()); err != nil {
				t.Fatal(err)
			}
			before := all()
			if len(before) != 3 || len(h.stream(t, "chain")) != 2 {
				t.Fatalf("%d messages before, want 3", len(before))
			}
			if err := lose(t, h); err != nil {
				t.Fatal(err)
			}
			h.run(t)
			eventually(t, "the stream filled again", func() bool { return len(all()) == 3 && len(h.stream(t, "chain")) > 0 })
			if d := cmp.Diff(before, all()); d != "" {
				t.Errorf("the bytes differ from those first published")
			}
			// A second pass finds nothing to do.
			if err := h.Reconcile(t.Context()); err != nil {
				t.Fatal(err)
			}
			// The site follows its own release; of the chain's only the newest,
			// for sites to come, is needed.
			if n := len(h.stream(t, "chain")); n != 1 {
				t.Errorf("%d messages of the chain after another pass, want 1", n)
			}
		})
	}
}

func TestReleaseMadeWhileTheBusIsAway(t *testing.T) {
	dir, streams := t.TempDir(), t.TempDir()
	srv := startBus(t, streams)
	h := startOn(t, srv.URL(), dir)
	srv.Shutdown()
	h.busWait = 100 * time.Millisecond
	res := h.publish(t, request(bookFiles(t)))
	if res.Release.Number != 1 {
		t.Errorf("number is %d", res.Release.Number)
	}
	// The bus comes back elsewhere, and the authority is started again.
	h2 := startOn(t, startBus(t, streams).URL(), dir)
	if !h2.PublicKey().Equal(h.PublicKey()) {
		t.Error("the signing key changed over a restart")
	}
	h2.run(t)
	eventually(t, "the release on the stream", func() bool { return len(h2.stream(t, "chain")) == 1 })
}

func TestReconcileMendsForeignBytes(t *testing.T) {
	h := start(t)
	h.publish(t, request(bookFiles(t)))
	if _, err := h.jetstream(t).Publish(t.Context(), bus.ReleaseSubject("chain", 1), []byte("not a release")); err != nil {
		t.Fatal(err)
	}
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	msgs := h.stream(t, "chain")
	v, err := release.Verify(msgs[len(msgs)-1], []ed25519.PublicKey{h.PublicKey()})
	if err != nil || v.Release.Number != 1 {
		t.Errorf("last message: %v, %v", v, err)
	}
}

func TestNumbersStayAboveWhatTheBusHolds(t *testing.T) {
	// As after the database was restored from a copy older than the bus.
	for _, scope := range []string{"chain", "site.tannery-row"} {
		t.Run(scope, func(t *testing.T) {
			h := start(t)
			h.publish(t, request(bookFiles(t)))
			signers, _, _ := h.keys.signers()
			envelope, _, err := signers.Release(&pb.Release{Number: 41, Scope: scope, Book: &pb.Book{Chain: "Harbour & Finch"}})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := h.jetstream(t).Publish(t.Context(), bus.ReleaseSubject(scope, 41), envelope); err != nil {
				t.Fatal(err)
			}
			if err := h.Reconcile(t.Context()); err != nil {
				t.Fatal(err)
			}
			if n := h.publish(t, request(bookFiles(t))).Release.Number; n != 42 {
				t.Errorf("next number is %d, want 42", n)
			}
		})
	}
}
