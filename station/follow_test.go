package station

import (
	"crypto/ed25519"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestSwitchesOfflineAtTheOrdersStart(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	now := opening.Add(time.Hour)
	a := open(t, Config{Dir: dir, Now: func() time.Time { return now }})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	give(t, a, sign(t, 2, "chain", opening.Add(2*time.Hour), 28_000))
	if s := a.Status(); s.Release != 1 || s.NextRelease != 2 || !s.NextAt.Equal(opening.Add(2*time.Hour)) || s.Edition != 1 {
		t.Fatalf("status %+v: want 1, then 2 at its start", s)
	}
	// A build that is under way when the next release takes over.
	midway := build()
	midway.StartedTime, midway.FinishedTime = timestamppb.New(opening.Add(2*time.Hour-20*time.Second)), timestamppb.New(opening.Add(2*time.Hour+20*time.Second))
	midway.Readings[0].ValueMilli = 27_000
	now = opening.Add(2*time.Hour + 30*time.Second)
	if s := a.Status(); s.Release != 2 || s.NextRelease != 0 {
		t.Errorf("release %d then %d, want 2 then none", s.Release, s.NextRelease)
	}
	if res := logOne(t, a, midway); res.GetRelease() != 1 || res.GetVerdict().GetGrade() != pb.Grade_GRADE_IN_SPEC {
		t.Errorf("begun under 1 and judged by %d: %s", res.GetRelease(), res.GetVerdict())
	}
	after := proto.CloneOf(midway)
	after.Id = build().GetId()
	after.StartedTime = timestamppb.New(opening.Add(2 * time.Hour))
	after.FinishedTime = timestamppb.New(now)
	if res := logOne(t, a, after); res.GetRelease() != 2 || res.GetVerdict().GetGrade() != pb.Grade_GRADE_OFF_SPEC {
		t.Errorf("begun under 2 and judged by %d: %s", res.GetRelease(), res.GetVerdict())
	}
	if p, err := a.presence(t.Context()); err != nil || len(p.GetUsedReleases()) != 2 || p.GetUsedReleases()[0] != 2 {
		t.Errorf("used %v, %v; want 2 and 1", p.GetUsedReleases(), err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	// The switch happened while nobody looked: the floor is raised at start.
	a = open(t, Config{Dir: dir, Now: func() time.Time { return now }})
	takeIn(t, a, bus.AssignmentSubject(testSite), assign(t, 9, orderOf(t, sign(t, 1, "chain", opening, 26_000))))
	if s := a.Status(); s.Release != 2 || !s.Behind {
		t.Errorf("release %d, behind %t: 1 must not come back after 2", s.Release, s.Behind)
	}
}

func TestADamagedAssignmentLeavesWhatWasInForce(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	spoil(t, filepath.Join(dir, "books", "00000000000000000001.assignment"))
	a = open(t, Config{Dir: dir})
	if s := a.Status(); s.Release != 1 || s.Assignment != 0 {
		t.Errorf("release %d of assignment %d, want 1 of none", s.Release, s.Assignment)
	}
}

func spoil(t *testing.T, path string) {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	raw[len(raw)/2] ^= 1
	if err := os.WriteFile(path, raw, 0o600); err != nil {
		t.Fatal(err)
	}
}

func TestDamagedTrustIsNoFreshStart(t *testing.T) {
	for name, spoilIt := range map[string]func(string) error{
		"damaged": func(p string) error { spoil(t, p); return nil },
		"missing": os.Remove,
	} {
		dir := t.TempDir()
		enrolled(t, dir, "")
		if err := spoilIt(filepath.Join(dir, trustFile)); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(t.Context(), Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), "enrol") || !strings.Contains(err.Error(), "backup") {
			t.Errorf("%s: %v, want to be told what to do", name, err)
		}
		// Enrolling again sets it anew.
		enrolled(t, dir, "")
		open(t, Config{Dir: dir})
	}
}

func TestAMissedPushIsRecovered(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	a.deaf = true
	run(t, a)
	until(t, "online", func() bool { return a.Status().Online })
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "release 1 is in force", func() bool { return a.Status().Release == 1 })
	c.stopNow(stopDrink("s-1", "espresso"))
	until(t, "the stop list is held", func() bool { return a.Status().StopList == 1 })
	until(t, "nothing is missing", func() bool { s := a.Status(); return !s.Behind && !s.Stale })
	until(t, "the centre is told", func() bool {
		p := c.lastPresence()
		return p.GetAssignment() == 1 && p.GetStopList() == 1 && p.GetKeyList() == 1 && len(p.GetNonce()) >= release.MinNonce && !p.GetStale()
	})
}

func TestAnOrderBeforeItsReleaseWaits(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	c.newest.Assignment = 1
	run(t, a)
	two := sign(t, 2, "chain", opening.Add(time.Hour), 28_000)
	c.assign(orderOf(t, two))
	until(t, "the order is known", func() bool { return a.Status().Assignment == 2 })
	if s := a.Status(); s.Release != 1 || !s.Behind {
		t.Errorf("release %d, behind %t: want 1 until 2 is here", s.Release, s.Behind)
	}
	c.put(bus.ReleaseSubject("chain", 2), two)
	until(t, "release 2 is in force", func() bool { s := a.Status(); return s.Release == 2 && !s.Behind })
}

func TestADamagedReleaseIsFetchedAgain(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	stop := run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "release 1 is in force", func() bool { return a.Status().Release == 1 })
	c.order(sign(t, 2, "chain", opening.Add(time.Hour), 28_000))
	until(t, "release 2 is in force", func() bool { return a.Status().Release == 2 })
	stop()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "books", "00000000000000000002.release")
	spoil(t, path)
	a = open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	if s := a.Status(); s.Release != 1 || !s.Behind {
		t.Errorf("release %d, behind %t: want 1 while 2 is damaged", s.Release, s.Behind)
	}
	run(t, a)
	until(t, "release 2 is back", func() bool { return a.Status().Release == 2 })
	if _, err := os.Stat(path + ".set-aside"); err != nil {
		t.Errorf("the damaged file was not set aside: %v", err)
	}
}

func TestKeysRotateAndAreRevoked(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	stop := run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	c.stopNow(stopDrink("s-1", "mocha"))
	until(t, "release 1 and a stop", func() bool { s := a.Status(); return s.Release == 1 && s.StopList == 1 })

	// A second key comes beside the first, while the station is away.
	stop()
	fresh := signerOf(1)
	list, _ := firstList(t)
	two, raw2 := nextList(t, list, release.KeyListEdit{Add: []*pb.SigningKey{signingKey(fresh)}})
	c.keys(2, raw2)
	_, raw3 := nextList(t, two, release.KeyListEdit{Revoke: []ed25519.PublicKey{testSigner.Public()}})
	stop = run(t, a)
	until(t, "key list 2", func() bool { return a.Status().KeyList == 2 })
	c.mu.Lock()
	c.signer = fresh
	c.mu.Unlock()
	c.order(signBy(t, fresh, 2, "chain", opening.Add(time.Hour), 28_000))
	until(t, "a release by the new key, the old one's still held", func() bool {
		return a.Status().Release == 2 && a.shelf.ByNumber(1) != nil
	})

	// The first key is revoked: what only it signed goes, but for the stops.
	c.keys(3, raw3)
	until(t, "key list 3", func() bool { return a.Status().KeyList == 3 })
	until(t, "what the revoked key signed is gone", func() bool { return a.shelf.ByNumber(1) == nil })
	if s := a.Status(); s.Release != 2 || s.StopList != 1 {
		t.Errorf("release %d, stop list %d; want 2 and the old stops enforced", s.Release, s.StopList)
	}
	stop()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	if s := a.Status(); s.Release != 2 || s.StopList != 1 || s.KeyList != 3 {
		t.Errorf("after a restart %+v", s)
	}
	if err := a.take(t.Context(), nil, bus.AssignmentSubject(testSite), assign(t, 99)); err == nil {
		t.Error("an assignment by a revoked key was taken")
	}
	run(t, a)
	c.stopNow()
	until(t, "a new stop list replaces the old one", func() bool { return a.Status().StopList == 2 })
}

func TestAStopHoldsAtOnceAndAfterAnOutage(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	stop := run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "release 1 is in force", func() bool { return a.Status().Release == 1 })
	before := build()
	logOne(t, a, before)
	c.stopNow(stopDrink("s-1", "espresso"))
	until(t, "the stop is held", func() bool { return a.Status().StopList == 1 })
	stopped := func(want bool, list uint64) {
		t.Helper()
		b := build()
		res := logOne(t, a, b)
		if unsafe := res.GetVerdict().GetGrade() == pb.Grade_GRADE_UNSAFE; unsafe != want {
			t.Errorf("unsafe %t, want %t: %s", unsafe, want, res.GetVerdict())
		}
		if want {
			if f := res.GetVerdict().GetFindings()[0]; f.GetKind() != "stopped" || f.GetGot() != "drink espresso" || f.GetExpected() != "undeclared nut" {
				t.Errorf("finding %s", f)
			}
		}
		again, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b})
		if err != nil || !again.GetDuplicate() {
			t.Errorf("the same again: %v, %v", again, err)
		}
		raws, _ := stored(t, a)
		var r pb.BuildRecord
		if err := proto.Unmarshal(raws[len(raws)-1], &r); err != nil || r.GetBuild().GetStopList() != list {
			t.Errorf("the record names stop list %d (%v), want %d", r.GetBuild().GetStopList(), err, list)
		}
	}
	stopped(true, 1)
	if res, err := (&service{agent: a}).ListStops(t.Context(), &pb.StationServiceListStopsRequest{}); err != nil || res.GetVersion() != 1 ||
		len(res.GetStops()) != 1 || len(res.GetServings()) != 1 || res.GetConfirmTime() == nil || len(res.GetAcknowledged()) != 0 {
		t.Errorf("stops %v, %v", res, err)
	}
	// Away, the stop holds on; what changed meanwhile holds on return.
	stop()
	c.stop()
	stopped(true, 1)
	c.start()
	c.stopNow()
	stop = run(t, a)
	until(t, "the stop is lifted", func() bool { return a.Status().StopList == 2 })
	stopped(false, 2)
	stop()
	c.stopNow(stopDrink("s-2", "espresso"))
	stopped(false, 2)
	run(t, a)
	until(t, "the stop made meanwhile holds", func() bool { return a.Status().StopList == 3 })
	stopped(true, 3)
	// A build that names the list that was shown is judged by that.
	b := build()
	b.StopList = 2
	if res := logOne(t, a, b); res.GetVerdict().GetGrade() != pb.Grade_GRADE_IN_SPEC {
		t.Errorf("by list 2: %s", res.GetVerdict())
	}
}

func TestStaleSaysSoAndWorksOn(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	var ahead time.Duration
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence, StaleAfter: 2 * time.Hour, Now: func() time.Time { return time.Now().Add(ahead) }})
	if !a.Status().Stale {
		t.Error("a station that never heard the centre is not stale")
	}
	stop := run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "fresh", func() bool { s := a.Status(); return s.Release == 1 && !s.Stale })
	stop()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	ahead = 3 * time.Hour
	a = open(t, Config{Dir: dir, StaleAfter: 2 * time.Hour, Now: a.cfg.Now})
	if s := a.Status(); !s.Stale || !strings.Contains(s.StaleReason, "last heard") {
		t.Errorf("stale %t: %q", s.Stale, s.StaleReason)
	}
	logOne(t, a, build())
	if p, err := a.presence(t.Context()); err != nil || !p.GetStale() {
		t.Errorf("presence %v, %v; want stale", p, err)
	}
}

func TestAnOldStandingIsRefused(t *testing.T) {
	a := offline(t)
	s := &pb.Standing{Site: testSite, Station: testStation, Nonce: make([]byte, 16), CentreTime: timestamppb.Now()}
	raw := seal(t, testSigner, release.StandingPayloadType, s)
	if _, err := a.keep.standing(raw, []byte("0123456789abcdef")); err == nil {
		t.Error("a standing for another nonce was taken")
	}
	if !a.Status().Stale {
		t.Error("it counted as heard")
	}
	if _, err := a.keep.standing(raw, s.Nonce); err != nil || a.Status().Stale {
		t.Errorf("the right nonce: %v, stale %t", err, a.Status().Stale)
	}
}
