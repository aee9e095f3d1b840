package station

import (
	"crypto/ed25519"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	southern  = "region.south"
	placeHere = "samecup.placement." + testSite + "." + testStation
)

func placementOf(serial uint64, region string) *pb.Placement {
	return &pb.Placement{Site: testSite, Station: testStation, Serial: serial, Region: region, IssuedTime: timestamppb.Now()}
}

func place(t testing.TB, serial uint64, region string) []byte {
	t.Helper()
	return seal(t, testSigner, release.PlacementPayloadType, placementOf(serial, region))
}

func TestAStationFollowsItsPlacement(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	south := sign(t, 2, southern, opening.Add(time.Hour), 28_000)
	give(t, a, south)
	if s := a.Status(); s.Release != 1 || !s.Behind {
		t.Fatalf("release %d, behind %t: want 1, as before, until it is placed there", s.Release, s.Behind)
	}
	if p, err := a.presence(t.Context()); err != nil || len(p.GetRefusals()) != 0 || p.GetPlacement() != 0 {
		t.Fatalf("%v, %v: nothing is refused while a placement may be on its way", p, err)
	}
	takeIn(t, a, bus.StopListSubject(1), stopList(t, 1,
		&pb.Stop{Id: "n", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "latte", Scopes: []string{"region.north"}},
		&pb.Stop{Id: "s", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "mocha", Scopes: []string{southern}}))
	seventh := place(t, 7, "south")
	takeIn(t, a, placeHere, seventh)
	takeIn(t, a, bus.ReleaseSubject(southern, 2), south)
	moved := func(a *Agent) {
		t.Helper()
		if s := a.Status(); s.Release != 2 || s.Behind {
			t.Errorf("release %d, behind %t: want 2", s.Release, s.Behind)
		}
		if got := a.shelf.Stops().Stops.Open(); len(got) != 1 || got[0].Id != "s" {
			t.Errorf("the stops %v hold; want those of the new region", got)
		}
		if p, err := a.presence(t.Context()); err != nil || p.GetPlacement() != 7 || len(p.GetRefusals()) != 0 {
			t.Errorf("presence %v, %v", p, err)
		}
		if got := a.subjects(); !slices.Contains(got, bus.ReleaseSubjects(southern)) || slices.Contains(got, bus.ReleaseSubjects("region.north")) {
			t.Errorf("it listens to %q", got)
		}
	}
	moved(a)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir})
	moved(a)

	thief := func(p *pb.Placement) []byte { return seal(t, signerOf(1), release.PlacementPayloadType, p) }
	flipped := place(t, 8, "north")
	flipped[len(flipped)/2] ^= 4
	other, away := placementOf(8, "north"), placementOf(8, "north")
	other.Station, away.Site = "bar-2", "lantern-hill"
	for _, tc := range []struct {
		name     string
		envelope []byte
		reason   release.Reason
	}{
		{"an older one", place(t, 6, "north"), release.Older},
		{"another one of the same serial", place(t, 7, "north"), release.Conflict},
		{"another station's", seal(t, testSigner, release.PlacementPayloadType, other), release.OtherSite},
		{"another site's", seal(t, testSigner, release.PlacementPayloadType, away), release.OtherSite},
		{"another's key", thief(placementOf(8, "north")), release.UntrustedKey},
		{"one bit flipped", flipped, release.BadSignature},
		{"an assignment in its place", assign(t, 99), release.WrongType},
	} {
		err := a.take(t.Context(), nil, placeHere, tc.envelope)
		if r, ok := err.(*release.Refusal); !ok || r.Reason != tc.reason {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.reason)
		}
		p, err := a.presence(t.Context())
		if err != nil || p.GetPlacement() != 7 || p.GetRelease() != 2 {
			t.Fatalf("%s: placement %d, release %d, %v", tc.name, p.GetPlacement(), p.GetRelease(), err)
		}
		if r := p.GetRefusals()[len(p.GetRefusals())-1]; r.GetReason() != string(tc.reason) || !strings.Contains(r.GetDetail(), "placement") || r.GetRelease() != 0 {
			t.Errorf("%s: reported as %v", tc.name, r)
		}
	}
	takeIn(t, a, placeHere, seventh) // the same again is nothing
}

func TestAThiefsPlacementEndsWithItsKey(t *testing.T) {
	list, _ := firstList(t)
	stolen := signerOf(3)
	list, second := nextList(t, list, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(stolen)}})
	_, third := nextList(t, list, release.KeyListEdit{Revoke: []ed25519.PublicKey{stolen.Public()}})
	a := offline(t)
	takeIn(t, a, bus.KeyListSubject(2), second)
	takeIn(t, a, placeHere, seal(t, stolen, release.PlacementPayloadType, placementOf(1<<60, "south")))
	if got := a.keep.scopes(); !slices.Contains(got, southern) {
		t.Fatalf("scopes %q", got)
	}
	takeIn(t, a, bus.KeyListSubject(3), third)
	if got := a.keep.scopes(); !slices.Equal(got, testScopes) {
		t.Errorf("scopes %q, want those of the enrolment", got)
	}
	takeIn(t, a, placeHere, place(t, 1, "south"))
	if s := a.Status(); s.Release != 1 {
		t.Errorf("release %d", s.Release)
	}
	if got := a.keep.scopes(); !slices.Contains(got, southern) {
		t.Errorf("scopes %q: the honest one counts from 1", got)
	}
}

func TestAStationThatWasAwayFindsItsPlacement(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	stop := run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "release 1 is in force", func() bool { return a.Status().Release == 1 })
	stop()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	move := func(serial uint64, region string) {
		c.mu.Lock()
		c.newest.Placement = serial
		c.mu.Unlock()
		c.put(placeHere, place(t, serial, region))
	}
	move(7, "south")
	c.order(sign(t, 2, southern, opening.Add(time.Hour), 28_000))
	a = open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	run(t, a)
	until(t, "it follows its new region", func() bool { s := a.Status(); return s.Release == 2 && !s.Behind })
	// And back while it is there, whatever comes first.
	c.order(sign(t, 3, "region.north", opening.Add(2*time.Hour), 27_000))
	move(8, "north")
	until(t, "it follows its old region again", func() bool { s := a.Status(); return s.Release == 3 && !s.Behind })
	until(t, "the centre knows", func() bool { return c.lastPresence().GetPlacement() == 8 })
	if r := c.lastPresence().GetRefusals(); slices.ContainsFunc(r, func(x *pb.Refusal) bool { return x.GetRelease() == 2 }) {
		t.Errorf("refusals %v", r)
	}
	// An order of a region that no placement stands for is refused, and told.
	c.order(sign(t, 4, southern, opening.Add(3*time.Hour), 28_000))
	until(t, "the order of another region is refused", func() bool {
		return slices.ContainsFunc(c.lastPresence().GetRefusals(), func(x *pb.Refusal) bool {
			return x.GetRelease() == 4 && x.GetReason() == string(release.OtherScope)
		})
	})
	if s := a.Status(); s.Release != 3 {
		t.Errorf("release %d", s.Release)
	}
}

func TestEnrolmentPlacesAStation(t *testing.T) {
	_, list := firstList(t)
	answer := &pb.EnrolStationResponse{Site: testSite, Station: testStation, Scopes: testScopes, KeyLists: [][]byte{list}, Placement: place(t, 5, "north")}
	dir := t.TempDir()
	if err := Enrol(t.Context(), dir, fleet{answer: answer}, "code"); err != nil {
		t.Fatal(err)
	}
	a := open(t, Config{Dir: dir})
	if err := a.take(t.Context(), nil, placeHere, place(t, 4, "south")); err == nil {
		t.Error("one from before the enrolment was taken")
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		name      string
		placement []byte
		want      string
	}{
		{"another region than the scopes", place(t, 6, "south"), "placement"},
		{"another station's", seal(t, testSigner, release.PlacementPayloadType, &pb.Placement{Site: testSite, Station: "bar-2", Serial: 6, Region: "north", IssuedTime: timestamppb.Now()}), "placement"},
		{"no placement at all", []byte("nothing"), "placement"},
	} {
		answer.Placement = tc.placement
		if err := Enrol(t.Context(), dir, fleet{answer: answer}, "code"); err == nil || !strings.Contains(err.Error(), tc.want) {
			t.Errorf("%s: %v, want an error on %q", tc.name, err, tc.want)
		}
	}
	// A centre that counts from the beginning again sets the floors anew.
	answer.Placement = place(t, 2, "north")
	if err := Enrol(t.Context(), dir, fleet{answer: answer}, "code"); err != nil {
		t.Fatal(err)
	}
	if got := open(t, Config{Dir: dir}).keep.placement(); got != 2 {
		t.Errorf("placement %d, want 2", got)
	}
}
