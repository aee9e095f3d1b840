package release_test

import (
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func wantPlaced(t *testing.T, tr *release.Trust, region string, serial uint64) {
	t.Helper()
	if got, n, ok := tr.PlacedIn(site, station); got != region || n != serial || ok != (serial > 0) {
		t.Fatalf("placed in %q by %d (%t), want %q by %d", got, n, ok, region, serial)
	}
}

func TestAPlacementMovesAStationOnwardsOnly(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	wantPlaced(t, tr, "", 0)
	first, second := c.place(4, "north"), c.place(9, "south")
	must[*pb.Placement](t)(tr.VerifyPlacement(first, site, station))
	wantPlaced(t, tr, "north", 4)
	must[*pb.Placement](t)(tr.VerifyPlacement(second, site, station))
	for name, tr := range map[string]*release.Trust{"at once": tr, "after a restart": reopened(t, tr)} {
		t.Run(name, func(t *testing.T) {
			_, err := tr.VerifyPlacement(first, site, station)
			wantReason(t, err, release.Older)
			_, err = tr.VerifyPlacement(c.place(9, "north"), site, station)
			wantReason(t, err, release.Conflict)
			must[*pb.Placement](t)(tr.VerifyPlacement(second, site, station)) // the same again
			wantPlaced(t, tr, "south", 9)
			if _, _, ok := tr.PlacedIn(site, "bar-2"); ok {
				t.Error("another station was placed with it")
			}
		})
	}
	// A site may lie in no region.
	must[*pb.Placement](t)(tr.VerifyPlacement(c.place(10, ""), site, station))
	wantPlaced(t, tr, "", 10)
}

func TestAttackAPlacementOfAnother(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	must[*pb.Placement](t)(tr.VerifyPlacement(c.place(4, "north"), site, station))
	good := c.place(5, "south")
	for name, x := range map[string]struct {
		envelope []byte
		reason   release.Reason
	}{
		"another station's": {seal(t, c.release, release.PlacementPayloadType, &pb.Placement{Site: site, Station: "bar-2", Serial: 5, IssuedTime: timestamppb.New(noon)}), release.OtherSite},
		"another site's":    {seal(t, c.release, release.PlacementPayloadType, &pb.Placement{Site: "oyster-steps", Station: station, Serial: 5, IssuedTime: timestamppb.New(noon)}), release.OtherSite},
		"by an online key":  {seal(t, c.live, release.PlacementPayloadType, placement(5, "south")), release.UntrustedKey},
		"by a root key":     {seal(t, c.roots[0], release.PlacementPayloadType, placement(5, "south")), release.UntrustedKey},
		"by a stranger":     {seal(t, signer(66), release.PlacementPayloadType, placement(5, "south")), release.UntrustedKey},
		"an assignment":     {c.assign(assignment(5)), release.WrongType},
		"serial 0":          {c.place(0, "south"), release.Unreadable},
		"no time":           {seal(t, c.release, release.PlacementPayloadType, &pb.Placement{Site: site, Station: station, Serial: 5}), release.Unreadable},
		"no slug":           {c.place(5, "south.site"), release.Unreadable},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := tr.VerifyPlacement(x.envelope, site, station)
			wantReason(t, err, x.reason)
			wantPlaced(t, tr, "north", 4)
		})
	}
	for i := range good {
		for bit := range 8 {
			bad := append([]byte{}, good...)
			bad[i] ^= 1 << bit
			if _, err := tr.VerifyPlacement(bad, site, station); err == nil {
				t.Fatalf("bit %d of byte %d was altered, and it was taken", bit, i)
			}
		}
	}
	wantPlaced(t, tr, "north", 4)
}

func TestAttackAThiefsPlacementGoesWithTheKey(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	stolen := signer(3)
	_, err := tr.AddKeyList(c.next(release.KeyListEdit{Add: []*pb.SigningKey{{PublicKey: stolen.Public(), Roles: []pb.KeyRole{roleRel}}}}))
	if err != nil {
		t.Fatal(err)
	}
	must[*pb.Placement](t)(tr.VerifyPlacement(c.place(4, "north"), site, station))
	must[*pb.Placement](t)(tr.VerifyPlacement(seal(t, stolen, release.PlacementPayloadType, placement(1<<60, "south")), site, station))
	wantPlaced(t, tr, "south", 1<<60)
	change, err := tr.AddKeyList(c.next(release.KeyListEdit{Revoke: keys(stolen)}))
	if err != nil || len(change.Forgotten) != 1 {
		t.Fatalf("%+v, %v", change, err)
	}
	tr = reopened(t, tr)
	wantPlaced(t, tr, "north", 4)
	_, err = tr.VerifyPlacement(c.place(3, "south"), site, station)
	wantReason(t, err, release.Older) // the honest floor stands
	must[*pb.Placement](t)(tr.VerifyPlacement(c.place(5, "south"), site, station))
	wantPlaced(t, tr, "south", 5)
}

func TestAPlacementThatIsHeldBackIsSaid(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(1)), site))
	must[*pb.Placement](t)(tr.VerifyPlacement(c.place(4, "north"), site, station))
	hear := func(serial uint64) release.Freshness {
		s := standing(nonce, 1, 0, 1)
		s.Placement = serial
		must[*pb.Standing](t)(tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, s), site, station, nonce, noon))
		return reopened(t, tr).Freshness(site, noon, 0)
	}
	if f := hear(4); f.Stale {
		t.Errorf("stale: %q", f.Sentences)
	}
	if f := hear(9); !f.Stale || len(f.Sentences) != 1 || f.Sentences[0] != "The centre has placement 9, and this station holds 4: its site may lie in another region by now." {
		t.Errorf("%+v", f)
	}
}
