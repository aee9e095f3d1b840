package station

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestJudgedByTheReleaseInForceAtStart(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	now := opening.Add(3 * time.Hour)
	a := open(t, Config{Dir: dir, Now: func() time.Time { return now }})
	give(t, a, sign(t, 3, "chain", opening, 26_000))
	give(t, a, sign(t, 5, "chain", opening.Add(time.Hour), 27_000))
	give(t, a, sign(t, 4, "site."+testSite, opening.Add(2*time.Hour), 28_000))

	at := func(d time.Duration, number uint64) *pb.Build {
		b := build()
		b.Release = number
		b.StartedTime, b.FinishedTime = timestamppb.New(opening.Add(d)), timestamppb.New(opening.Add(d+40*time.Second))
		b.Readings[0].ValueMilli = 26_500
		return b
	}
	for _, tc := range []struct {
		name  string
		build *pb.Build
		want  uint64
		grade pb.Grade
	}{
		{"before all, by the earliest", at(-time.Hour, 0), 3, pb.Grade_GRADE_IN_SPEC},
		{"at the very start", at(0, 0), 3, pb.Grade_GRADE_IN_SPEC},
		{"a moment before the second", at(time.Hour-1, 0), 3, pb.Grade_GRADE_IN_SPEC},
		{"as the second takes over", at(time.Hour, 0), 5, pb.Grade_GRADE_OFF_SPEC},
		{"the site's own, of a lower number", at(2*time.Hour, 0), 4, pb.Grade_GRADE_OFF_SPEC},
		{"a named older one", at(2*time.Hour, 3), 3, pb.Grade_GRADE_IN_SPEC},
		{"a start in the future brings nothing forward", at(10*time.Hour, 0), 4, pb.Grade_GRADE_OFF_SPEC},
	} {
		t.Run(tc.name, func(t *testing.T) {
			res := logOne(t, a, tc.build)
			if res.GetRelease() != tc.want || res.GetVerdict().GetGrade() != tc.grade {
				t.Errorf("release %d, %s: want %d, %s", res.GetRelease(), res.GetVerdict(), tc.want, tc.grade)
			}
		})
	}
	if s := a.Status(); s.Release != 4 || s.NextRelease != 0 {
		t.Errorf("in force %d then %d, want 4 then none", s.Release, s.NextRelease)
	}
	give(t, a, sign(t, 10, "site."+testSite, opening.Add(4*time.Hour), 28_000))
	if s := a.Status(); s.Release != 4 || s.NextRelease != 10 {
		t.Errorf("in force %d then %d, want 4 then 10", s.Release, s.NextRelease)
	}
	now = opening.Add(4 * time.Hour)
	if s := a.Status(); s.Release != 10 || s.NextRelease != 0 {
		t.Errorf("in force %d then %d, want 10 then none", s.Release, s.NextRelease)
	}
}

func TestRefusals(t *testing.T) {
	good := sign(t, 8, "chain", opening, 28_000)
	flipped := slices.Clone(good)
	flipped[len(flipped)/2] ^= 4
	var unsigned pb.Envelope
	if err := proto.Unmarshal(good, &unsigned); err != nil {
		t.Fatal(err)
	}
	unsigned.Signatures = nil
	bare, err := proto.Marshal(&unsigned)
	if err != nil {
		t.Fatal(err)
	}
	forged := signBy(t, signerOf(1), 8, "chain", opening, 26_000)
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 7, "chain", opening, 26_000))
	late := opening.Add(time.Hour)
	// What the assignment orders next: a book that cannot be judged by, a
	// release whose bytes will be others, and one of another site.
	badBook := sign(t, 10, "chain", late, 33_000)
	ordered, other := sign(t, 11, "chain", late, 26_000), sign(t, 11, "chain", late, 28_000)
	takeIn(t, a, bus.AssignmentSubject(testSite), assign(t, 5, orderOf(t, sign(t, 7, "chain", opening, 26_000)), orderOf(t, badBook), orderOf(t, ordered)))

	chain, mine := bus.ReleaseSubject("chain", 8), bus.AssignmentSubject(testSite)
	elsewhere := assignment(9)
	elsewhere.Site = "lantern-hill"
	ahead := assignment(9)
	ahead.KeyList = 2
	cases := []struct {
		name, subject string
		envelope      []byte
		reason        release.Reason
		number        uint64
	}{
		{"garbage", chain, []byte("not a release at all"), release.Unreadable, 0},
		{"nothing", chain, nil, release.WrongType, 0},
		{"one bit flipped", chain, flipped, release.BadSignature, 0},
		{"unsigned", chain, bare, release.Unsigned, 0},
		{"another's key", chain, forged, release.UntrustedKey, 0},
		{"too large", chain, make([]byte, release.MaxEnvelopeBytes+1), release.TooLarge, 0},
		{"other bytes than ordered", chain, other, release.WrongDigest, 11},
		{"a book that cannot be judged by", chain, badBook, release.BadBook, 10},
		{"an assignment by another's key", mine, seal(t, signerOf(1), release.AssignmentPayloadType, assignment(9)), release.UntrustedKey, 0},
		{"an assignment rolled back", mine, assign(t, 4), release.Older, 0},
		{"two assignments of one serial", mine, assign(t, 5), release.Conflict, 0},
		{"another site's assignment", mine, seal(t, testSigner, release.AssignmentPayloadType, elsewhere), release.OtherSite, 0},
		{"an assignment with a key list that is not held", mine, seal(t, testSigner, release.AssignmentPayloadType, ahead), release.Gap, 0},
		{"a release in place of an assignment", mine, good, release.WrongType, 0},
		{"a stop list by another's key", bus.StopListSubject(1), seal(t, signerOf(1), release.StopsPayloadType, &pb.StopList{Version: 1}), release.UntrustedKey, 0},
	}
	for _, tc := range cases {
		err := a.take(t.Context(), nil, tc.subject, tc.envelope)
		if r, ok := err.(*release.Refusal); !ok || r.Reason != tc.reason {
			t.Errorf("%s: %v, want %s", tc.name, err, tc.reason)
		}
		if s := a.Status(); s.Release != 7 || s.Assignment != 5 {
			t.Fatalf("%s: release %d of assignment %d is in force, want 7 of 5", tc.name, s.Release, s.Assignment)
		}
		p, err := a.presence(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if r := p.GetRefusals()[len(p.GetRefusals())-1]; r.GetReason() != string(tc.reason) || r.GetRelease() != tc.number {
			t.Errorf("%s: reported as %v, want %s of release %d", tc.name, r, tc.reason, tc.number)
		}
	}
	// The held release again is neither new nor refused.
	takeIn(t, a, chain, sign(t, 7, "chain", opening, 26_000))
	// Signed and well-formed, and yet not to be followed.
	for _, tc := range []struct {
		name   string
		orders []*pb.Order
		reason release.Reason
		number uint64
	}{
		{"back to an older number", []*pb.Order{orderOf(t, sign(t, 6, "chain", late, 26_000))}, release.Older, 6},
		{"the number in force with other bytes", []*pb.Order{orderOf(t, sign(t, 7, "chain", late, 28_000))}, release.WrongDigest, 7},
		{"another site's book", []*pb.Order{orderOf(t, sign(t, 12, "site.lantern-hill", late, 26_000))}, release.OtherScope, 12},
		{"numbers that fall in one assignment", []*pb.Order{orderOf(t, sign(t, 20, "chain", opening, 26_000)), orderOf(t, sign(t, 19, "chain", time.Now().Add(time.Hour), 26_000))}, release.Older, 19},
	} {
		takeIn(t, a, mine, assign(t, a.shelf.Serial()+1, tc.orders...))
		p, err := a.presence(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if r := p.GetRefusals()[len(p.GetRefusals())-1]; r.GetReason() != string(tc.reason) || r.GetRelease() != tc.number {
			t.Errorf("%s: reported as %v, want %s of release %d", tc.name, r, tc.reason, tc.number)
		}
		if s := a.Status(); s.Release != 7 || !s.Behind {
			t.Errorf("%s: release %d in force, behind %t; want 7, and behind", tc.name, s.Release, s.Behind)
		}
	}
	for range 20 {
		_ = a.take(t.Context(), nil, chain, bare)
		_ = a.take(t.Context(), nil, chain, nil)
	}
	if p, err := a.presence(t.Context()); err != nil || len(p.GetRefusals()) != 16 {
		t.Errorf("%d refusals are kept (%v), want 16", len(p.GetRefusals()), err)
	}
}

func TestReleasesOutliveARestart(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	for n := range uint64(20) {
		give(t, a, sign(t, n+1, "chain", opening.Add(time.Duration(n)*time.Minute), 26_000))
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	newest := filepath.Join(dir, "books", "00000000000000000020.release")
	raw, err := os.ReadFile(newest)
	if err != nil {
		t.Fatal(err)
	}
	raw[len(raw)/2] ^= 1
	if err := os.WriteFile(newest, raw, 0o600); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir})
	if s := a.Status(); s.Release != 19 {
		t.Errorf("release %d is in force, want 19: 20 is damaged", s.Release)
	}
	for number, want := range map[uint64]bool{20: false, 19: true, 11: true, 10: false, 1: false} {
		if got := a.shelf.ByNumber(number) != nil; got != want {
			t.Errorf("release %d held: %t, want %t", number, got, want)
		}
	}
	if _, err := os.Stat(newest + ".set-aside"); err != nil {
		t.Errorf("the damaged file was not set aside: %v", err)
	}
	if s := a.Status(); !s.Behind || s.Assignment != 20 {
		t.Errorf("behind %t with assignment %d: want behind with 20", s.Behind, s.Assignment)
	}
	// What is lost is still known to have been in force, and may come again.
	chain, mine := bus.ReleaseSubject("chain", 20), bus.AssignmentSubject(testSite)
	if err := a.take(t.Context(), nil, mine, assign(t, 19, orderOf(t, sign(t, 12, "chain", opening, 27_000)))); err == nil {
		t.Error("an older assignment was let in after a restart")
	}
	takeIn(t, a, chain, sign(t, 20, "chain", opening.Add(19*time.Minute), 26_000))
	if s := a.Status(); s.Release != 20 || s.Behind {
		t.Errorf("release %d is in force, want 20 again", s.Release)
	}
}

func TestOpenWithoutAnIdentity(t *testing.T) {
	if _, err := Open(t.Context(), Config{Dir: t.TempDir()}); err == nil || !strings.Contains(err.Error(), "enrol") {
		t.Errorf("%v, want to be told to enrol", err)
	}
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, identityFile), []byte("{\"version\":1"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(t.Context(), Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), "damaged") {
		t.Errorf("%v, want to be told of the damage", err)
	}
}
