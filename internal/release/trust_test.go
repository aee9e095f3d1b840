package release_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func TestKeyListsComeOneByOne(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	two := c.next(release.KeyListEdit{})
	three := c.next(release.KeyListEdit{})
	_, err := tr.AddKeyList(three)
	wantReason(t, err, release.Gap)
	for _, b := range [][]byte{c.first, two, two, three} {
		if _, err := tr.AddKeyList(b); err != nil {
			t.Fatal(err)
		}
	}
	_, err = tr.AddKeyList(two)
	wantReason(t, err, release.Older)
	other := proto.CloneOf(c.list)
	other.ExpireTime = timestamppb.New(noon.Add(time.Hour))
	_, err = tr.AddKeyList(c.sign(other, c.roots...))
	wantReason(t, err, release.Conflict)
	if tr.Version() != 3 || !bytes.Equal(tr.KeyListEnvelope(), three) {
		t.Fatalf("version %d", tr.Version())
	}
}

func TestRootKeysChangeHands(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	fresh := []*release.Signer{signer(111), signer(112)}
	l, err := release.NextKeyList(c.list, release.KeyListEdit{AddRoots: keys(fresh...), DropRoots: keys(c.roots[1], c.roots[2]), Issued: noon, Lifetime: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	// Neither the old ones alone nor the new ones alone.
	_, err = tr.AddKeyList(c.sign(l, c.roots[1], c.roots[2]))
	wantReason(t, err, release.BelowThreshold)
	_, err = tr.AddKeyList(c.sign(l, fresh...))
	wantReason(t, err, release.BelowThreshold)
	all := c.sign(l, c.roots[1], c.roots[2], fresh[0], fresh[1])
	if s, err := release.CountSignatures(all, c.list); err != nil || !s.Enough() || s.Own != 2 || s.Before != 2 {
		t.Fatalf("%+v %v", s, err)
	}
	if _, err := tr.AddKeyList(all); err != nil {
		t.Fatal(err)
	}
	after, err := release.NextKeyList(l, release.KeyListEdit{Issued: noon, Lifetime: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	_, err = tr.AddKeyList(c.sign(after, c.roots[1], c.roots[2]))
	wantReason(t, err, release.BelowThreshold)
	if _, err := reopened(t, tr).AddKeyList(c.sign(after, fresh...)); err != nil {
		t.Fatal(err)
	}
}

func TestReleaseKeysOverlapWhileOneTakesOver(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	fresh := signer(4)
	both := func(rel *pb.Release) []byte {
		b, _, err := release.Signers{c.release, fresh}.Release(rel)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	// A station that has not heard of the new key follows what both signed.
	if v, err := tr.VerifyRelease(both(book(5, ""))); err != nil || len(v.Keys) != 1 {
		t.Fatal(v, err)
	}
	_, err := tr.VerifyRelease(sealed(t, fresh, book(5, "")))
	wantReason(t, err, release.UntrustedKey)
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{Add: []*pb.SigningKey{{PublicKey: fresh.Public(), Roles: []pb.KeyRole{roleRel}}}})); err != nil {
		t.Fatal(err)
	}
	v, err := tr.VerifyRelease(both(book(5, "")))
	if err != nil || len(v.Keys) != 2 {
		t.Fatal(v, err)
	}
	// The old one retires: new documents of it are refused, held ones stay.
	old := sealed(t, c.release, book(4, ""))
	oldAssignment := c.assign(assignment(1, c.order(old, noon)))
	oldStops := c.stops(1)
	must[*release.Assigned](t)(tr.VerifyAssignment(oldAssignment, site))
	must[*release.Listed](t)(tr.VerifyStopList(oldStops))
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{
		Retire: keys(c.release, c.live),
		Add:    []*pb.SigningKey{{PublicKey: signer(5).Public(), Roles: []pb.KeyRole{roleOn}}},
	})); err != nil {
		t.Fatal(err)
	}
	tr = reopened(t, tr)
	_, err = tr.VerifyRelease(old)
	wantReason(t, err, release.UntrustedKey)
	_, err = tr.VerifyAssignment(oldAssignment, site)
	wantReason(t, err, release.UntrustedKey)
	held := must[*release.Verified](t)(tr.HeldRelease(old))
	a := must[*release.Assigned](t)(tr.HeldAssignment(oldAssignment, site))
	must[*release.Listed](t)(tr.HeldStopList(oldStops))
	if _, err := tr.Follow(held, a, scopes, noon); err != nil {
		t.Fatal(err)
	}
	if a, s, r := reopened(t, tr).Floor(site); a != 1 || s != 1 || r["chain"] != 4 {
		t.Fatal(a, s, r)
	}
	// With one of two signers revoked, what both signed stays.
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{Revoke: keys(c.release)})); err != nil {
		t.Fatal(err)
	}
	if tr.Dropped(v.Keys) || !tr.Dropped(held.Keys) {
		t.Fatal("dropped the wrong one")
	}
	must[*release.Verified](t)(tr.VerifyRelease(both(book(5, ""))))
}

func TestNewTrustRefuses(t *testing.T) {
	c := newCeremony(t)
	edit := func(f func(*pb.KeyList)) []byte {
		l := proto.CloneOf(c.list)
		f(l)
		payload := must[[]byte](t)(proto.Marshal(l))
		b, _, err := release.Signers{c.roots[0], c.roots[1]}.Seal(release.KeysPayloadType, l)
		if err != nil {
			t.Fatal(payload, err)
		}
		return b
	}
	for name, x := range map[string]struct {
		b    []byte
		want release.Reason
	}{
		"one signature":         {c.sign(c.list, c.roots[0]), release.BelowThreshold},
		"no signature":          {c.sign(c.list), release.Unsigned},
		"version 0":             {edit(func(l *pb.KeyList) { l.Version = 0 }), release.Unreadable},
		"no root keys":          {edit(func(l *pb.KeyList) { l.RootKeys = nil }), release.Unreadable},
		"threshold 0":           {edit(func(l *pb.KeyList) { l.RootThreshold = 0 }), release.Unreadable},
		"threshold too high":    {edit(func(l *pb.KeyList) { l.RootThreshold = 4 }), release.Unreadable},
		"a root key twice":      {edit(func(l *pb.KeyList) { l.RootKeys[1] = l.RootKeys[0] }), release.Unreadable},
		"a root key that signs": {edit(func(l *pb.KeyList) { l.Keys[0].PublicKey = l.RootKeys[0] }), release.Unreadable},
		"a revoked key named":   {edit(func(l *pb.KeyList) { l.RevokedKeys = [][]byte{l.Keys[0].PublicKey} }), release.Unreadable},
		"a short key":           {edit(func(l *pb.KeyList) { l.Keys[0].PublicKey = l.Keys[0].PublicKey[:31] }), release.Unreadable},
		"a key of noughts":      {edit(func(l *pb.KeyList) { l.Keys[0].PublicKey = make([]byte, 32) }), release.Unreadable},
		"a key without a role":  {edit(func(l *pb.KeyList) { l.Keys[0].Roles = nil }), release.Unreadable},
		"a role there is not":   {edit(func(l *pb.KeyList) { l.Keys[0].Roles = []pb.KeyRole{9} }), release.Unreadable},
		"no expiry":             {edit(func(l *pb.KeyList) { l.ExpireTime = nil }), release.Unreadable},
		"an empty key":          {edit(func(l *pb.KeyList) { l.Keys[0] = &pb.SigningKey{} }), release.Unreadable},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := release.NewTrust(x.b)
			wantReason(t, err, x.want)
		})
	}
}

func TestAssignmentsThatCannotBe(t *testing.T) {
	c := newCeremony(t)
	env := sealed(t, c.release, book(5, ""))
	for name, f := range map[string]func(*pb.Assignment){
		"no serial":         func(a *pb.Assignment) { a.Serial = 0 },
		"no site":           func(a *pb.Assignment) { a.Site = "" },
		"no expiry":         func(a *pb.Assignment) { a.ExpireTime = nil },
		"a short digest":    func(a *pb.Assignment) { a.Orders[0].Digest = nil },
		"no start":          func(a *pb.Assignment) { a.Orders[0].StartTime = nil },
		"no scope":          func(a *pb.Assignment) { a.Orders[0].Scope = "" },
		"orders unsorted":   func(a *pb.Assignment) { a.Orders = append(a.Orders, c.order(env, noon.Add(-time.Hour))) },
		"orders endless":    func(a *pb.Assignment) { a.Orders = slicesRepeat(a.Orders[0], 65) },
		"an order of noise": func(a *pb.Assignment) { a.Orders[0] = &pb.Order{} },
	} {
		t.Run(name, func(t *testing.T) {
			a := assignment(1, c.order(env, noon))
			f(a)
			if release.CheckAssignment(a) == nil {
				t.Fatal("passes the check")
			}
			tr := c.trust()
			_, err := tr.VerifyAssignment(c.assign(a), "tannery-row")
			wantReason(t, err, release.Unreadable)
			if s, _, _ := tr.Floor(site); s != 0 {
				t.Fatal("a refused assignment raised the floor")
			}
		})
	}
}

func slicesRepeat(o *pb.Order, n int) (out []*pb.Order) {
	for range n {
		out = append(out, o)
	}
	return out
}

func TestStateOnDisk(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(3)), site))
	must[*pb.Standing](t)(tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, standing(nonce, 3, 1, 1)), site, station, nonce, noon))
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{Retire: keys(c.release), Revoke: keys(signer(77))})); err != nil {
		t.Fatal(err)
	}
	b := must[[]byte](t)(tr.Marshal())
	if again := must[[]byte](t)(reopened(t, tr).Marshal()); !bytes.Equal(b, again) {
		t.Fatal("the state changed on its way through the disk")
	}
	damaged := func(b []byte, why string) {
		t.Helper()
		_, err := release.Open(b)
		var se *release.StateError
		if !errors.As(err, &se) || !strings.Contains(err.Error(), "enrol this station anew") {
			t.Fatalf("%s: %v", why, err)
		}
	}
	for i := range b {
		b[i] ^= 1
		damaged(b, "a flipped bit")
		b[i] ^= 1
	}
	for _, n := range []int{0, 1, 13, 14, 40, len(b) - 1} {
		damaged(b[:n], "cut short")
	}
	damaged(append(bytes.Clone(b), 0), "something behind it")
	damaged(make([]byte, 1<<20+1), "endless")
	later := bytes.Clone(b)
	later[len("samecup-trust")] = 2
	if _, err := release.Open(later); !strings.Contains(err.Error(), "format 2") {
		t.Fatal(err)
	}
}

func TestFreshnessSaysWhatIsOld(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	for name, x := range map[string]struct {
		now  time.Time
		want string
	}{
		"never heard":    {noon, "has not answered this station since its keys were set"},
		"nothing held":   {noon, "No assignment for this site is held."},
		"keys ran out":   {noon.Add(401 * 24 * time.Hour), "Key list 1 ran out 24 h ago, on 24 November 2027 12:00 UTC"},
		"a week silent":  {noon.Add(7*24*time.Hour + time.Minute), "last heard 7 days ago"},
		"the clock back": {noon.Add(-time.Hour), "set the clock"},
	} {
		t.Run(name, func(t *testing.T) {
			tr := reopened(t, tr)
			if strings.Contains(name, "silent") || strings.Contains(name, "clock") {
				must[*pb.Standing](t)(tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, standing(nonce, 0, 0, 1)), site, station, nonce, noon))
			}
			f := tr.Freshness(site, x.now, 24*time.Hour)
			if said := strings.Join(f.Sentences, "\n"); !f.Stale || !strings.Contains(said, x.want) {
				t.Fatalf("want %q in:\n%s", x.want, said)
			}
		})
	}
}

func TestDescribeReadsAloud(t *testing.T) {
	c := newCeremony(t)
	first := c.list
	b := c.next(release.KeyListEdit{Revoke: keys(c.live), Threshold: 1, Add: []*pb.SigningKey{{PublicKey: signer(4).Public(), Roles: []pb.KeyRole{roleRel}, Label: "winter\x1b[2J"}}})
	lines := must[[]string](t)(release.DescribeKeyList(b, first, noon))
	said := strings.Join(lines, "\n")
	for _, want := range []string{
		"This is key list 2, issued on 20 October 2026 12:00 UTC, good until 24 November 2027 12:00 UTC.",
		"Of its 3 root keys 1 must sign the next list; 2 of them signed this one.",
		"Caution: no key may sign assignments, stop lists and standings.",
		"is revoked for good.", "goes from 2 to 1.", "New against list 1: key " + release.KeyID(signer(4).Public()),
		"Followers of the list before will take it.",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said in:\n%s", want, said)
		}
	}
	if strings.Contains(said, "\x1b") {
		t.Error("a label drives the terminal")
	}
	short := c.sign(c.list, c.roots[0])
	if said := strings.Join(must[[]string](t)(release.DescribeKeyList(short, first, noon)), "\n"); !strings.Contains(said, "0 more of its own root keys and 1 more of the list before must sign") {
		t.Error(said)
	}
}
