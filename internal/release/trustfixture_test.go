package release_test

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	site    = "tannery-row"
	station = "bar-1"
)

var (
	noon    = time.Date(2026, 10, 20, 12, 0, 0, 0, time.UTC)
	scopes  = release.Scopes("north", site)
	nonce   = []byte("0123456789abcdef")
	roleRel = pb.KeyRole_KEY_ROLE_RELEASE
	roleOn  = pb.KeyRole_KEY_ROLE_ONLINE
)

// ceremony is a chain's keys: three root keys of which two sign, a release key
// and an online key.
type ceremony struct {
	t              testing.TB
	roots          []*release.Signer
	release, live  *release.Signer
	list           *pb.KeyList
	first, current []byte
}

func newCeremony(t testing.TB) *ceremony {
	t.Helper()
	c := &ceremony{t: t, roots: []*release.Signer{signer(101), signer(102), signer(103)}, release: signer(1), live: signer(2)}
	plan := release.KeyListPlan{
		Threshold: 2, Issued: noon, Lifetime: 400 * 24 * time.Hour,
		Keys: []*pb.SigningKey{
			{PublicKey: c.release.Public(), Roles: []pb.KeyRole{roleRel}, Label: "releases, autumn 2026"},
			{PublicKey: c.live.Public(), Roles: []pb.KeyRole{roleOn}, Label: "online"},
		},
	}
	for _, r := range c.roots {
		plan.Roots = append(plan.Roots, r.Public())
	}
	var err error
	if c.list, err = release.FirstKeyList(plan); err != nil {
		t.Fatal(err)
	}
	c.first = c.sign(c.list, c.roots[:2]...)
	c.current = c.first
	return c
}

func (c *ceremony) sign(l *pb.KeyList, by ...*release.Signer) []byte {
	c.t.Helper()
	b, err := release.SignKeyList(l, by...)
	if err != nil {
		c.t.Fatal(err)
	}
	return b
}

// next makes the next list current, signed by two root keys.
func (c *ceremony) next(e release.KeyListEdit) []byte {
	c.t.Helper()
	e.Issued, e.Lifetime = noon, 400*24*time.Hour
	l, err := release.NextKeyList(c.list, e)
	if err != nil {
		c.t.Fatal(err)
	}
	c.list, c.current = l, c.sign(l, c.roots[:2]...)
	return c.current
}

func (c *ceremony) trust() *release.Trust {
	c.t.Helper()
	t, err := release.NewTrust(c.first)
	if err != nil {
		c.t.Fatal(err)
	}
	return t
}

// reopened is the same trust after a restart.
func reopened(t testing.TB, tr *release.Trust) *release.Trust {
	t.Helper()
	b, err := tr.Marshal()
	if err != nil {
		t.Fatal(err)
	}
	again, err := release.Open(b)
	if err != nil {
		t.Fatal(err)
	}
	return again
}

func book(number uint64, note string) *pb.Release {
	return &pb.Release{Number: number, Scope: "chain", Edition: number, Note: note, Book: &pb.Book{Chain: "Harbour & Finch"}}
}

// order names the release of an envelope from start on.
func (c *ceremony) order(env []byte, start time.Time) *pb.Order {
	c.t.Helper()
	v, err := release.Verify(env, release.KeysFor(c.list, roleRel))
	if err != nil {
		c.t.Fatal(err)
	}
	return &pb.Order{Release: v.Release.Number, Digest: v.Digest[:], Scope: v.Release.Scope, Edition: v.Release.Edition, StartTime: timestamppb.New(start)}
}

func assignment(serial uint64, orders ...*pb.Order) *pb.Assignment {
	return &pb.Assignment{Site: site, Serial: serial, IssuedTime: timestamppb.New(noon), ExpireTime: timestamppb.New(noon.Add(7 * 24 * time.Hour)), Orders: orders}
}

func (c *ceremony) assign(a *pb.Assignment) []byte {
	return seal(c.t, c.live, release.AssignmentPayloadType, a)
}

func (c *ceremony) stops(version uint64, stops ...*pb.Stop) []byte {
	return seal(c.t, c.live, release.StopsPayloadType, &pb.StopList{Version: version, IssuedTime: timestamppb.New(noon), Stops: stops})
}

func placement(serial uint64, region string) *pb.Placement {
	return &pb.Placement{Site: site, Station: station, Serial: serial, IssuedTime: timestamppb.New(noon), Region: region}
}

func (c *ceremony) place(serial uint64, region string) []byte {
	return seal(c.t, c.release, release.PlacementPayloadType, placement(serial, region))
}

func standing(nonce []byte, assignment, stops, keys uint64) *pb.Standing {
	return &pb.Standing{Site: site, Station: station, Nonce: nonce, CentreTime: timestamppb.New(noon), Assignment: assignment, StopList: stops, KeyList: keys}
}

func seal(t testing.TB, s *release.Signer, payloadType string, m proto.Message) []byte {
	t.Helper()
	b, _, err := s.Seal(payloadType, m)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func wantReason(t testing.TB, err error, want release.Reason) {
	t.Helper()
	if got := reasonOf(t, err); got != want {
		t.Fatalf("refused with %s (%v), want %s", got, err, want)
	}
}

func must[T any](t testing.TB) func(T, error) T {
	return func(v T, err error) T {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
}
