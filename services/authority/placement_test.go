package authority

import (
	"bytes"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// placement reads what stands on the bus for a station, as the station would.
func (h *harness) placement(t *testing.T, site, station string) *pb.Placement {
	t.Helper()
	got := h.on(t, bus.PlacementSubject(site, station))
	if len(got) != 1 {
		t.Fatalf("%d placements stand on the bus for %s/%s", len(got), site, station)
	}
	return must(h.follower(t).VerifyPlacement(got[0], site, station))(t)
}

func (h *harness) change(t *testing.T, id string, site *pb.Site, fields ...string) []string {
	t.Helper()
	return must(h.fleet.UpdateSite(t.Context(), &pb.UpdateSiteRequest{RequestId: id, Site: site, UpdateMask: &fieldmaskpb.FieldMask{Paths: fields}}))(t).MovingStations
}

func TestASiteThatMovesTakesItsStationsAlong(t *testing.T) {
	url, dir := startBus(t, t.TempDir()).URL(), t.TempDir()
	h := startOn(t, url, dir)
	h.addSite(t, "tannery-row", "north")
	h.addSite(t, "oyster-steps", "south")
	files := bookFiles(t)
	h.publish(t, request(files))
	south := request(files)
	south.Scope = "region.south"
	h.publish(t, south)
	h.enrol(t, "oyster-steps", "bar-1")
	h.enrol(t, "tannery-row", "bar-2")
	answer := h.enrol(t, "tannery-row", "bar-1")
	first := must(h.follower(t).VerifyPlacement(answer.Placement, "tannery-row", "bar-1"))(t)
	if first.Region != "north" || !slices.Equal(answer.Scopes, []string{"chain", "region.north", "site.tannery-row"}) {
		t.Fatalf("enrolled in %q with the scopes %q", first.Region, answer.Scopes)
	}
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	elsewhere := h.placement(t, "oyster-steps", "bar-1")

	pushed := make(chan *nats.Msg, 64)
	for _, subject := range []string{bus.AssignmentSubjects, bus.PlacementSubjects} {
		must(h.client.ChanSubscribe(subject, pushed))(t)
	}
	if err := h.client.Flush(); err != nil {
		t.Fatal(err)
	}
	if got := h.change(t, uuid.NewString(), &pb.Site{Id: "tannery-row", TimeZone: "Europe/Lisbon"}, "time_zone"); len(got) != 0 {
		t.Errorf("another time zone moves %q", got)
	}
	id := uuid.NewString()
	for range 2 { // the same request again says the same and does nothing
		if got := h.change(t, id, &pb.Site{Id: "tannery-row", Region: "south"}, "region"); !slices.Equal(got, []string{"bar-1", "bar-2"}) {
			t.Errorf("another region moves %q", got)
		}
	}
	if err := h.Service.publish(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{bus.PlacementSubject("tannery-row", "bar-1"), bus.PlacementSubject("tannery-row", "bar-2"), bus.AssignmentSubject("tannery-row")} {
		select {
		case m := <-pushed:
			if m.Subject != want {
				t.Errorf("%s was sent, where %s is wanted", m.Subject, want)
			}
		case <-time.After(15 * time.Second):
			t.Fatalf("%s was not sent", want)
		}
	}
	moved := h.placement(t, "tannery-row", "bar-1")
	if moved.Region != "south" || moved.Serial <= first.Serial {
		t.Errorf("placed in %s by %d after %d", moved.Region, moved.Serial, first.Serial)
	}
	if a := h.assignment(t, "tannery-row"); a.Orders[len(a.Orders)-1].Scope != "region.south" {
		t.Errorf("orders %v", a.Orders)
	}
	if got := h.placement(t, "oyster-steps", "bar-1"); got.Serial != elsewhere.Serial {
		t.Errorf("a station that stays was placed anew: %d after %d", got.Serial, elsewhere.Serial)
	}

	// The bytes of a serial outlive a restart, and a stream that was lost.
	before := h.on(t, bus.PlacementSubjects)
	again := startOn(t, url, dir)
	if err := again.jetstream(t).DeleteStream(t.Context(), bus.StreamBook); err != nil {
		t.Fatal(err)
	}
	if err := again.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	if after := again.on(t, bus.PlacementSubjects); !slices.EqualFunc(before, after, bytes.Equal) {
		t.Errorf("%d placements came back as %d, or with other bytes", len(before), len(after))
	}
}

// A database that was restored from an older copy goes on above what stations
// hold by now.
func TestPlacementsGoOnAboveWhatTheBusHolds(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	h.enrol(t, "tannery-row", "bar-1")
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	ahead := &pb.Placement{Site: "tannery-row", Station: "bar-1", Serial: 900, Region: "south", IssuedTime: timestamppb.New(h.now())}
	signers, _, _ := h.keys.signers()
	envelope, _, err := signers.Placement(ahead)
	if err != nil {
		t.Fatal(err)
	}
	must(h.jetstream(t).Publish(t.Context(), bus.PlacementSubject("tannery-row", "bar-1"), envelope))(t)
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := h.placement(t, "tannery-row", "bar-1"); got.Serial <= ahead.Serial || got.Region != "north" {
		t.Errorf("placed in %s by %d, want north above %d", got.Region, got.Serial, ahead.Serial)
	}
}

func TestStationsAreSaidToHoldTheirPlacement(t *testing.T) {
	h := start(t)
	h.addSite(t, "tannery-row", "north")
	answer := h.enrol(t, "tannery-row", "bar-1")
	k := key("tannery-row", "bar-1")
	due := func() bool {
		return must(h.fleet.ListStations(t.Context(), &pb.ListStationsRequest{}))(t).Stations[0].PlacementDue
	}
	if due() {
		t.Error("due before the station was ever heard")
	}
	say := func(serial uint64) {
		t.Helper()
		reply, err := h.takePresence(bus.PresenceSubject(k.Site, k.Station), marshal(t, &pb.Presence{Site: k.Site, Station: k.Station, Placement: serial, Nonce: []byte("0123456789abcdef")}))
		if err != nil {
			t.Fatal(err)
		}
		if s := must(h.follower(t).VerifyStanding(reply.Standing, k.Site, k.Station, []byte("0123456789abcdef"), h.now()))(t); s.Placement != h.pub.placedAt(k) || s.Placement == 0 {
			t.Errorf("the standing names placement %d", s.Placement)
		}
	}
	held := must(h.follower(t).VerifyPlacement(answer.Placement, k.Site, k.Station))(t).Serial
	if say(held); due() {
		t.Error("due where the newest is held")
	}
	h.change(t, uuid.NewString(), &pb.Site{Id: k.Site, Region: "south"}, "region")
	if err := h.Reconcile(t.Context()); err != nil {
		t.Fatal(err)
	}
	if say(held); !due() {
		t.Error("not due where an older one is held")
	}
	// A placement that cannot be had in time does not keep a station out.
	if err := h.pub.lock(t.Context()); err != nil {
		t.Fatal(err)
	}
	h.busWait = time.Millisecond
	if answer := h.enrol(t, k.Site, "bar-2"); len(answer.Placement) != 0 {
		t.Error("a placement was signed while the publisher was held")
	}
	h.pub.unlock()
	if answer := h.enrol(t, k.Site, "bar-3"); len(answer.Scopes) != 3 {
		t.Errorf("scopes %q", answer.Scopes)
	}
}
