package station

import (
	"crypto/ed25519"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/wire"
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
	give(t, a, sign(t, 9, "chain", opening.Add(9*time.Hour), 29_000))

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
		{"the site's own wins over a higher number", at(2*time.Hour, 0), 4, pb.Grade_GRADE_OFF_SPEC},
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
		t.Errorf("in force %d then %d: a chain release must not follow while the site has its own", s.Release, s.NextRelease)
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
	seed := make([]byte, ed25519.SeedSize)
	seed[0] = 1
	forged, _, err := release.NewSigner(ed25519.NewKeyFromSeed(seed)).Sign(&pb.Release{Number: 8, Scope: "chain", Book: wire.BookToProto(testBook(26_000))})
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 7, "chain", opening, 26_000))

	cases := []struct {
		name     string
		envelope []byte
		reason   release.Reason
		number   uint64
	}{
		{"garbage", []byte("not a release at all"), release.Unreadable, 0},
		{"nothing", nil, release.WrongType, 0},
		{"one bit flipped", flipped, release.BadSignature, 0},
		{"unsigned", bare, release.Unsigned, 0},
		{"another's key", forged, release.BadSignature, 0},
		{"too large", make([]byte, release.MaxEnvelopeBytes+1), release.TooLarge, 0},
		{"older", sign(t, 6, "chain", opening, 26_000), release.Older, 6},
		{"another site's", sign(t, 9, "site.lantern-hill", opening, 26_000), release.OtherScope, 9},
		{"the same number with other content", sign(t, 7, "chain", opening, 28_000), release.Older, 7},
		{"a book that cannot be judged by", sign(t, 10, "chain", opening, 31_000), release.BadBook, 10},
	}
	for _, tc := range cases {
		err := a.take(t.Context(), tc.envelope)
		if r, ok := err.(*release.Refusal); !ok || r.Reason != tc.reason || r.Number != tc.number {
			t.Errorf("%s: %v, want %s of release %d", tc.name, err, tc.reason, tc.number)
		}
		if s := a.Status(); s.Release != 7 {
			t.Fatalf("%s: release %d is in force, want 7", tc.name, s.Release)
		}
	}
	// The held release again is neither new nor refused.
	give(t, a, sign(t, 7, "chain", opening, 26_000))
	p, err := a.presence(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if len(p.GetRefusals()) != len(cases) {
		t.Fatalf("%d refusals are reported, want %d", len(p.GetRefusals()), len(cases))
	}
	for i, r := range p.GetRefusals() {
		if r.GetReason() != string(cases[i].reason) || r.GetRelease() != cases[i].number {
			t.Errorf("refusal %d is %v, want %s of %d", i, r, cases[i].reason, cases[i].number)
		}
	}
	for range 20 {
		_ = a.take(t.Context(), bare)
		_ = a.take(t.Context(), nil)
	}
	if p, err = a.presence(t.Context()); err != nil || len(p.GetRefusals()) != 16 {
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
	// What is lost is still known to have been accepted, and may come again.
	if err := a.take(t.Context(), sign(t, 12, "chain", opening, 27_000)); err == nil {
		t.Error("an older release was let in after the newest one was lost")
	}
	give(t, a, sign(t, 20, "chain", opening.Add(19*time.Minute), 26_000))
	if s := a.Status(); s.Release != 20 {
		t.Errorf("release %d is in force, want 20 again", s.Release)
	}
}

func TestTwoAgentsOnOneDirectory(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	_, err := Open(t.Context(), Config{Dir: dir})
	if err == nil || !strings.Contains(err.Error(), "another agent") {
		t.Fatalf("the second agent: %v, want a refusal", err)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	open(t, Config{Dir: dir})
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
