package quality

import (
	"context"
	"crypto/ed25519"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func stopOf(kind pb.StopKind, target string, scopes ...string) *pb.Stop {
	return &pb.Stop{Id: "stop-" + target, Kind: kind, Target: target, Scopes: scopes, Reason: "undeclared nut", CreateTime: timestamppb.New(verdict.ExemplarStart)}
}

func stopList(t testing.TB, by *release.Signer, version uint64, stops ...*pb.Stop) []byte {
	t.Helper()
	envelope, _, err := release.Signers{by}.StopList(&pb.StopList{Version: version, IssuedTime: timestamppb.New(verdict.ExemplarStart), Stops: stops})
	if err != nil {
		t.Fatal(err)
	}
	return envelope
}

// under logs a build made by a stop list; the station judges it by stops, nil
// for a station that enforces nothing.
func (b *bar) under(version uint64, stops *release.Stops, change func(*drink.Build)) []byte {
	s := latte()
	rec := b.record(func(d *drink.Build) {
		d.StopList = version
		if change != nil {
			change(d)
		}
	})
	var build drink.Build
	if err := wire.BuildFromProto(rec.Build, &build); err != nil {
		b.t.Fatal(err)
	}
	var v verdict.Verdict
	b.set.Judge(&build, rec.LoggedTime.AsTime(), &v)
	stops.Judge(&s, &build, &v)
	rec.Verdict = wire.VerdictToProto(&v)
	return b.write(rec)
}

// fixedSites tells the same sites for ever.
func fixedSites(sites ...*pb.Site) SiteSource {
	return func(context.Context) ([]*pb.Site, <-chan struct{}, error) { return sites, make(chan struct{}), nil }
}

func TestABuildIsJudgedByTheStopListThatItNames(t *testing.T) {
	r := newRig(t)
	r.start()
	r.publishRelease(1)
	lot := stopOf(pb.StopKind_STOP_KIND_LOT, "L-2231")
	r.publish(bus.StopListSubject(1), stopList(t, signer, 1))
	r.publish(bus.StopListSubject(2), stopList(t, signer, 2, lot))
	r.publish(bus.StopListSubject(3), stopList(t, signer, 3))
	stopped := release.CompileStops(&pb.StopList{Stops: []*pb.Stop{lot}}, nil)
	bad := func(d *drink.Build) { d.Lots = []string{"l-2231"} }
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.under(1, nil, bad), b.under(2, stopped, bad), b.under(2, stopped, nil), b.under(3, nil, bad), b.under(0, nil, bad),
		b.under(2, nil, bad)) // a station that hides it
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 6, Deviations: 2, Disputed: 1, WholeToSequence: 6, HighestSequence: 6})
	list, err := r.client.ListDeviations(t.Context(), &pb.ListDeviationsRequest{})
	if err != nil || len(list.Deviations) != 2 {
		t.Fatalf("%v, error %v", list, err)
	}
	for _, d := range list.Deviations {
		if d.Verdict.Grade != pb.Grade_GRADE_UNSAFE || len(d.Verdict.Findings) != 1 || !strings.Contains(d.Verdict.Findings[0].Text, "L-2231") {
			t.Errorf("verdict %v", d.Verdict)
		}
	}
}

func TestBuildsWaitForTheirStopList(t *testing.T) {
	r := newRig(t)
	r.start()
	b := newBar(t, "tannery-row", "bar-1")
	drinkStop := stopOf(pb.StopKind_STOP_KIND_DRINK, "latte")
	stopped := release.CompileStops(&pb.StopList{Stops: []*pb.Stop{drinkStop}}, nil)
	r.builds(b, b.log(nil), b.under(7, stopped, nil), b.under(8, nil, nil))
	want := &pb.StationIntake{Site: b.site, Station: b.station, Builds: 3, AwaitingRelease: 3, WholeToSequence: 3, HighestSequence: 3}
	r.counted(0, want)
	r.publishRelease(1)
	want.AwaitingRelease = 2
	r.counted(0, want)
	r.publish(bus.StopListSubject(8), stopList(t, signer, 8))
	want.AwaitingRelease = 1
	r.counted(0, want)
	// An older version later, as after a refill of the stream.
	r.publish(bus.StopListSubject(7), stopList(t, signer, 7, drinkStop))
	want.AwaitingRelease, want.Deviations = 0, 1
	r.counted(0, want)
	if left, err := r.svc.store.AwaitedStopLists(t.Context()); err != nil || len(left) != 0 {
		t.Errorf("stop lists still awaited: %v, error %v", left, err)
	}
	// They are there after a new start, too.
	r.stop()
	r.start()
	r.builds(b, b.under(7, stopped, nil))
	want.Builds, want.Deviations, want.WholeToSequence, want.HighestSequence = 4, 2, 4, 4
	r.counted(0, want)
}

func TestAStopOfARegionHoldsThereAndWhereTheRegionIsNotKnown(t *testing.T) {
	r := newRig(t)
	r.sites = fixedSites(&pb.Site{Id: "tannery-row", Region: "harbour", TimeZone: "Europe/London"},
		&pb.Site{Id: "oyster-steps", Region: "finch", TimeZone: "Europe/Amsterdam", DayCutMinutes: 250})
	r.start()
	r.publishRelease(1)
	list := &pb.StopList{Stops: []*pb.Stop{stopOf(pb.StopKind_STOP_KIND_DRINK, "latte", "region.harbour")}}
	r.publish(bus.StopListSubject(1), stopList(t, signer, 1, list.Stops...))
	var want []*pb.StationIntake
	for _, c := range []struct {
		site, region string
		deviations   uint64
		disputed     uint64
	}{
		{"lantern-hill", "finch", 1, 1}, // quality was never told of it
		{"oyster-steps", "finch", 0, 0},
		{"tannery-row", "harbour", 1, 0},
	} {
		b := newBar(t, c.site, "bar-1")
		r.builds(b, b.under(1, release.CompileStops(list, release.Scopes(c.region, c.site)), nil))
		want = append(want, &pb.StationIntake{Site: c.site, Station: "bar-1", Builds: 1, Deviations: c.deviations, Disputed: c.disputed, WholeToSequence: 1, HighestSequence: 1})
	}
	r.counted(0, want...)
	if d := dayStart(&pb.Site{DayCutMinutes: 250}); d != 4 {
		t.Errorf("day begins at %d, want 4", d)
	}
	// Where a site lies outlives a restart without the authority.
	r.stop()
	r.sites = nil
	r.start()
	if region, known := r.svc.places.region("oyster-steps"); !known || region != "finch" {
		t.Errorf("region %q, known %t", region, known)
	}
}

func TestSitesAreFollowed(t *testing.T) {
	r := newRig(t)
	type answer struct {
		sites   []*pb.Site
		changed chan struct{}
	}
	first := answer{[]*pb.Site{{Id: "tannery-row", TimeZone: "UTC"}}, make(chan struct{})}
	answers := make(chan answer, 2)
	answers <- first
	r.sites = func(ctx context.Context) ([]*pb.Site, <-chan struct{}, error) {
		select {
		case a := <-answers:
			return a.sites, a.changed, nil
		case <-ctx.Done():
			return nil, nil, ctx.Err()
		}
	}
	r.start()
	region := func(want string) {
		t.Helper()
		eventually(t, func() string {
			if got, known := r.svc.places.region("tannery-row"); !known || got != want {
				return "the region is " + got + ", want " + want
			}
			return ""
		})
	}
	region("")
	answers <- answer{[]*pb.Site{{Id: "tannery-row", Region: "harbour", TimeZone: "Europe/London"}}, make(chan struct{})}
	close(first.changed)
	region("harbour")
}

func TestKeyListsAreFollowedAndKept(t *testing.T) {
	r := newRig(t)
	r.start()
	second, third := signerOf(2), signerOf(3)
	list, _ := firstKeyList(t)
	list2, two := nextKeyList(t, list, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(second)}})
	list3, three := nextKeyList(t, list2, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(third)}, Revoke: []ed25519.PublicKey{second.Public()}})
	b := newBar(t, "tannery-row", "bar-1")

	r.publishRelease(1)
	r.publish(bus.KeyListSubject(2), two)
	r.publish(bus.ReleaseSubject("region.harbour", 2), releaseBy(t, second, 2, latte()))
	b.release = 2
	r.builds(b, b.log(fast))
	want := &pb.StationIntake{Site: b.site, Station: b.station, Builds: 1, Deviations: 1, WholeToSequence: 1, HighestSequence: 1}
	r.counted(0, want)

	// What a revoked key signed and is stored goes on judging; new is refused.
	r.publish(bus.KeyListSubject(3), three)
	r.publish(bus.ReleaseSubject("chain", 3), releaseBy(t, second, 3, latte()))
	r.publish(bus.StopListSubject(1), stopList(t, second, 1))
	r.builds(b, b.log(fast))
	want.Builds, want.Deviations, want.WholeToSequence, want.HighestSequence = 2, 2, 2, 2
	r.counted(2, want)

	// And it is so after a new start that is given list 1 alone.
	r.stop()
	r.start()
	if v := r.svc.trust.version(); v != list3.Version {
		t.Errorf("key list %d after a new start, want %d", v, list3.Version)
	}
	r.publish(bus.ReleaseSubject("chain", 4), releaseBy(t, second, 4, latte()))
	r.publish(bus.ReleaseSubject("chain", 5), releaseBy(t, third, 5, latte()))
	r.counted(3, want)
	if got, err := r.svc.store.ReleaseNumbers(t.Context()); err != nil || !slices.Equal(got, []uint64{1, 2, 5}) {
		t.Errorf("releases %v, error %v", got, err)
	}
}

func TestAKeyListBehindWhatItIsNeededForIsRead(t *testing.T) {
	r := newRig(t)
	second := signerOf(2)
	list, _ := firstKeyList(t)
	list2, two := nextKeyList(t, list, release.KeyListEdit{})
	_, three := nextKeyList(t, list2, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(second)}})
	r.publish(bus.StopListSubject(1), stopList(t, second, 1))
	r.publish(bus.ReleaseSubject("chain", 1), releaseBy(t, second, 1, latte()))
	r.publish(bus.KeyListSubject(3), three)
	r.publish(bus.KeyListSubject(2), two)
	r.start()
	b := newBar(t, "tannery-row", "bar-1")
	r.builds(b, b.under(1, nil, nil))
	r.counted(0, &pb.StationIntake{Site: b.site, Station: b.station, Builds: 1, WholeToSequence: 1, HighestSequence: 1})
}

// What was missed, as when somebody deleted it from the stream and it was put
// back under an earlier message's acknowledgement, is read where it stands.
func TestWhatBuildsWaitForIsReadWhereItStands(t *testing.T) {
	r := newRig(t)
	r.open()
	r.publish(bus.ReleaseSubject("chain", 1), bookRelease(t, 1, latte()))
	r.publish(bus.ReleaseSubject("site.tannery-row", 2), bookRelease(t, 2, latte()))
	r.publish(bus.StopListSubject(5), stopList(t, signer, 5))
	b := newBar(t, "tannery-row", "bar-1")
	one := b.under(5, nil, nil)
	b.release = 2
	chunk, err := prepareAll(t.Context(), r.svc, []*fakeMessage{{bus.BuildSubject(b.site, b.station), b.batch(one, b.log(nil))}})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.svc.commit(t.Context(), chunk); err != nil {
		t.Fatal(err)
	}
	if err := r.svc.fetchMissing(t.Context()); err != nil {
		t.Fatal(err)
	}
	got, err := r.svc.store.Intake(t.Context())
	if err != nil || len(got) != 1 || got[0].Awaiting != 0 || got[0].Builds != 2 {
		t.Errorf("intake %+v, error %v; want none awaiting", got, err)
	}
}

func TestKeyListsOfAnotherChainAreRefused(t *testing.T) {
	r := newRig(t)
	r.open()
	r.stop()
	other, err := release.FirstKeyList(release.KeyListPlan{Roots: []ed25519.PublicKey{signerOf(9).Public()}, Threshold: 1,
		Keys: []*pb.SigningKey{signingKey(signer)}, Issued: time.Now(), Lifetime: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	envelope, err := release.SignKeyList(other, signerOf(9))
	if err != nil {
		t.Fatal(err)
	}
	for name, lists := range map[string][][]byte{"another chain's": {envelope}, "none at all": nil} {
		dir := r.dir
		if lists == nil {
			dir = t.TempDir()
		}
		if s, err := Open(t.Context(), Config{Dir: dir, NATS: r.nc, KeyLists: lists}); err == nil {
			t.Errorf("%s: taken", name)
			_ = s.Close()
		}
	}
}
