package release_test

import (
	"crypto/ed25519"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// The attacks that The Update Framework's specification names under "Goals to
// protect against specific attacks" (version 1.0.31, read in its repository),
// one test each. Three of its list have no counterpart here: extraneous
// dependencies (a release depends on nothing), malicious mirrors (there is one
// bus) and wrong software (a station asks for no file; mix and match covers
// what an assignment names).

func TestAttackArbitraryRelease(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	stranger := signer(66)
	_, err := tr.VerifyRelease(sealed(t, stranger, book(1, "")))
	wantReason(t, err, release.UntrustedKey)

	// The stranger claims the trusted key's ID.
	var env pb.Envelope
	if err := proto.Unmarshal(sealed(t, stranger, book(1, "")), &env); err != nil {
		t.Fatal(err)
	}
	env.Signatures[0].KeyId = release.KeyID(c.release.Public())
	_, err = tr.VerifyRelease(must[[]byte](t)(proto.Marshal(&env)))
	wantReason(t, err, release.BadSignature)

	// Bytes signed for one purpose are held out as another.
	asRelease := func(b []byte) []byte {
		var e pb.Envelope
		if err := proto.Unmarshal(b, &e); err != nil {
			t.Fatal(err)
		}
		e.PayloadType = release.PayloadType
		return must[[]byte](t)(proto.Marshal(&e))
	}
	for _, pt := range []string{release.KeysPayloadType, release.AssignmentPayloadType, release.StopsPayloadType, release.StandingPayloadType, release.PlacementPayloadType} {
		b := seal(t, c.release, pt, book(1, ""))
		_, err = tr.VerifyRelease(b)
		wantReason(t, err, release.WrongType)
		_, err = tr.VerifyRelease(asRelease(b))
		wantReason(t, err, release.BadSignature)
	}
}

func TestAttackRollback(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	old, now := sealed(t, c.release, book(4, "")), sealed(t, c.release, book(5, ""))
	first := c.assign(assignment(10, c.order(old, noon)))
	second := c.assign(assignment(11, c.order(now, noon)))
	a := must[*release.Assigned](t)(tr.VerifyAssignment(second, site))
	if _, err := tr.Follow(must[*release.Verified](t)(tr.VerifyRelease(now)), a, scopes, noon); err != nil {
		t.Fatal(err)
	}
	must[*release.Listed](t)(tr.VerifyStopList(c.stops(3)))

	for name, tr := range map[string]*release.Trust{"at once": tr, "after a restart": reopened(t, tr)} {
		t.Run(name, func(t *testing.T) {
			_, err := tr.VerifyAssignment(first, site)
			wantReason(t, err, release.Older)
			_, err = tr.VerifyStopList(c.stops(2))
			wantReason(t, err, release.Older)
			_, err = tr.VerifyStopList(c.stops(3, &pb.Stop{Id: "1"}))
			wantReason(t, err, release.Conflict)
			_, err = tr.VerifyAssignment(c.assign(assignment(11)), site)
			wantReason(t, err, release.Conflict)
			// The same again is no attack.
			must[*release.Assigned](t)(tr.VerifyAssignment(second, site))

			// Whoever holds the online key can raise the serial, and still
			// cannot bring an old release back.
			a := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(12, c.order(old, noon))), site))
			_, err = tr.Follow(must[*release.Verified](t)(tr.VerifyRelease(old)), a, scopes, noon)
			wantReason(t, err, release.Older)
		})
	}
}

func TestAttackFastForwardAndRecovery(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	// The honest past, under an online key that stays.
	other := signer(3)
	_, err := tr.AddKeyList(c.next(release.KeyListEdit{Add: []*pb.SigningKey{{PublicKey: other.Public(), Roles: []pb.KeyRole{roleOn}}}}))
	if err != nil {
		t.Fatal(err)
	}
	must[*release.Assigned](t)(tr.VerifyAssignment(seal(t, other, release.AssignmentPayloadType, assignment(20)), site))

	// A thief of the online and the release key raises every number to its end.
	far := uint64(math.MaxUint64)
	bad := sealed(t, c.release, book(far, ""))
	a := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(far, c.order(bad, noon))), site))
	if _, err := tr.Follow(must[*release.Verified](t)(tr.VerifyRelease(bad)), a, scopes, noon); err != nil {
		t.Fatal(err)
	}
	must[*release.Listed](t)(tr.VerifyStopList(c.stops(far)))
	must[*pb.Standing](t)(tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, standing(nonce, far, far, far)), site, station, nonce, noon))
	good := signer(4)
	_, err = tr.VerifyAssignment(seal(t, other, release.AssignmentPayloadType, assignment(21)), site)
	wantReason(t, err, release.Older)
	tr = reopened(t, tr)

	// The root keys revoke both and name a new release key.
	change, err := tr.AddKeyList(c.next(release.KeyListEdit{
		Revoke: keys(c.live, c.release),
		Add:    []*pb.SigningKey{{PublicKey: good.Public(), Roles: []pb.KeyRole{roleRel}}},
	}))
	if err != nil {
		t.Fatal(err)
	}
	if len(change.Revoked) != 2 || len(change.Forgotten) != 4 || !tr.Revoked(release.KeyID(c.live.Public())) || !tr.Dropped(a.Keys) {
		t.Fatalf("%+v", change)
	}
	tr = reopened(t, tr)
	// What the honest key raised still counts.
	_, err = tr.VerifyAssignment(seal(t, other, release.AssignmentPayloadType, assignment(19)), site)
	wantReason(t, err, release.Older)
	next := sealed(t, good, book(6, ""))
	v := must[*release.Verified](t)(tr.VerifyRelease(next))
	a = must[*release.Assigned](t)(tr.VerifyAssignment(seal(t, other, release.AssignmentPayloadType, assignment(21, c.order(next, noon))), site))
	if _, err := tr.Follow(v, a, scopes, noon); err != nil {
		t.Fatal(err)
	}
	must[*release.Listed](t)(tr.VerifyStopList(seal(t, other, release.StopsPayloadType, &pb.StopList{Version: 1, IssuedTime: timestamppb.New(noon)})))
	_, err = tr.VerifyRelease(bad)
	wantReason(t, err, release.RevokedKey)
	_, err = tr.HeldRelease(bad)
	wantReason(t, err, release.RevokedKey)
	// The thief's claim of newer lists is forgotten too.
	must[*pb.Standing](t)(tr.VerifyStanding(seal(t, other, release.StandingPayloadType, standing(nonce, 21, 1, 3)), site, station, nonce, noon))
	if f := tr.Freshness(site, noon, 0); f.Stale {
		t.Fatal(f.Sentences)
	}
}

func TestAttackIndefiniteFreeze(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	env := sealed(t, c.release, book(5, ""))
	asg := c.assign(assignment(10, c.order(env, noon)))
	must[*release.Assigned](t)(tr.VerifyAssignment(asg, site))
	must[*release.Listed](t)(tr.VerifyStopList(c.stops(1)))
	answer := seal(t, c.live, release.StandingPayloadType, standing(nonce, 10, 1, 1))
	must[*pb.Standing](t)(tr.VerifyStanding(answer, site, station, nonce, noon))
	if f := tr.Freshness(site, noon.Add(time.Hour), 0); f.Stale || len(f.Sentences) > 0 || !f.StopList.Equal(noon) {
		t.Fatalf("%+v", f)
	}

	// Days pass; the attacker repeats what there was.
	late := noon.Add(8 * 24 * time.Hour)
	_, err := tr.VerifyStanding(answer, site, station, []byte("fedcba9876543210"), late)
	wantReason(t, err, release.WrongNonce)
	_, err = tr.VerifyStanding(answer, site, "bar-2", nonce, late)
	wantReason(t, err, release.OtherSite)
	_, err = tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, standing(nil, 10, 1, 1)), site, station, nil, late)
	wantReason(t, err, release.WrongNonce)
	tr = reopened(t, tr)
	a := must[*release.Assigned](t)(tr.VerifyAssignment(asg, site)) // expired, and taken
	f := tr.Freshness(site, late, 0)
	said := strings.Join(f.Sentences, "\n")
	if !f.Stale || !strings.Contains(said, "8 days ago, on 20 October 2026 12:00 UTC") || !strings.Contains(said, "Assignment 10 ran out 24 h ago") {
		t.Fatal(said)
	}
	// Work goes on.
	if _, err := tr.Follow(must[*release.Verified](t)(tr.VerifyRelease(env)), a, scopes, late); err != nil {
		t.Fatal(err)
	}

	// One list is held back while the others come through.
	fresh := []byte("another nonce of 16+")
	must[*pb.Standing](t)(tr.VerifyStanding(seal(t, c.live, release.StandingPayloadType, standing(fresh, 11, 4, 2)), site, station, fresh, late))
	f = tr.Freshness(site, late, 0)
	said = strings.Join(f.Sentences, "\n")
	for _, want := range []string{"has assignment 11, and this station holds 10", "has stop list 4, and this station holds 1", "has key list 2, and this station holds 1"} {
		if !strings.Contains(said, want) {
			t.Errorf("%q is not said in:\n%s", want, said)
		}
	}
	if !f.StopList.Equal(noon) {
		t.Errorf("the stop list counts as known at %s", f.StopList)
	}
	// An assignment that names a newer stop list says it without a standing.
	tr = c.trust()
	must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(&pb.Assignment{Site: site, Serial: 1, IssuedTime: timestamppb.New(noon), ExpireTime: timestamppb.New(late), StopList: 9}), site))
	if said := strings.Join(tr.Freshness(site, noon, 0).Sentences, "\n"); !strings.Contains(said, "stop list 9, and this station holds none") {
		t.Error(said)
	}
}

func TestAttackMixAndMatch(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	one, twin, two := sealed(t, c.release, book(5, "")), sealed(t, c.release, book(5, "twin")), sealed(t, c.release, book(6, ""))
	a := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(10, c.order(one, noon))), site))
	_, err := tr.Admit(must[*release.Verified](t)(tr.VerifyRelease(two)), a, scopes)
	wantReason(t, err, release.NotAssigned)
	_, err = tr.Admit(must[*release.Verified](t)(tr.VerifyRelease(twin)), a, scopes)
	wantReason(t, err, release.WrongDigest)
	v := must[*release.Verified](t)(tr.VerifyRelease(one))
	_, err = tr.Admit(v, a, release.Scopes("north", "oyster-steps")[1:])
	wantReason(t, err, release.OtherScope)
	if o, err := tr.Admit(v, a, scopes); err != nil || o.Release != 5 {
		t.Fatal(o, err)
	}
	// Another site's assignment.
	_, err = tr.VerifyAssignment(c.assign(assignment(11)), "oyster-steps")
	wantReason(t, err, release.OtherSite)
	// An assignment that goes with keys not held yet.
	ahead := assignment(11, c.order(one, noon))
	ahead.KeyList = 2
	_, err = tr.VerifyAssignment(c.assign(ahead), site)
	wantReason(t, err, release.Gap)
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{})); err != nil {
		t.Fatal(err)
	}
	must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(ahead), site))
	// A release that starts later is held, not followed.
	later := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(12, c.order(one, noon), c.order(two, noon.Add(time.Hour)))), site))
	v2 := must[*release.Verified](t)(tr.VerifyRelease(two))
	if _, err := tr.Admit(v2, later, scopes); err != nil {
		t.Fatal(err)
	}
	_, err = tr.Follow(v2, later, scopes, noon)
	wantReason(t, err, release.NotAssigned)
	if later.InForce(noon).Release != 5 || later.Next(noon).Release != 6 || later.InForce(noon.Add(time.Hour)).Release != 6 || later.InForce(noon.Add(-1)) != nil || later.Next(noon.Add(time.Hour)) != nil {
		t.Fatal("the order in force or next is wrong")
	}
	// Called off before its start: the one before is followed again.
	off := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(13, c.order(one, noon))), site))
	if _, err := tr.Follow(v, off, scopes, noon); err != nil {
		t.Fatal(err)
	}
}

func TestAttackEndlessData(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	for pt, c := range map[string]struct {
		limit int
		take  func([]byte) error
	}{
		release.PayloadType:           {release.MaxEnvelopeBytes, func(b []byte) error { _, err := tr.VerifyRelease(b); return err }},
		release.KeysPayloadType:       {release.MaxKeyListBytes, func(b []byte) error { _, err := tr.AddKeyList(b); return err }},
		release.AssignmentPayloadType: {release.MaxAssignmentBytes, func(b []byte) error { _, err := tr.VerifyAssignment(b, site); return err }},
		release.StopsPayloadType:      {release.MaxStopListBytes, func(b []byte) error { _, err := tr.VerifyStopList(b); return err }},
		release.StandingPayloadType:   {release.MaxStandingBytes, func(b []byte) error { _, err := tr.VerifyStanding(b, site, station, nonce, noon); return err }},
		release.PlacementPayloadType:  {release.MaxPlacementBytes, func(b []byte) error { _, err := tr.VerifyPlacement(b, site, station); return err }},
	} {
		t.Run(pt, func(t *testing.T) {
			wantReason(t, c.take(make([]byte, c.limit+1)), release.TooLarge)
			// Empty signatures are small on the wire and large in memory: they
			// are counted before they are read.
			head := must[[]byte](t)(proto.Marshal(&pb.Envelope{PayloadType: pt}))
			flood := append(head, strings.Repeat("\x1a\x00", (c.limit-len(head))/2)...)
			n := testing.AllocsPerRun(1, func() { wantReason(t, c.take(flood), release.TooLarge) })
			if n > 50 {
				t.Errorf("%v allocations for a refusal", n)
			}
		})
	}
	// Nothing that readers would refuse is signed.
	_, _, err := c.live.Seal(release.StandingPayloadType, standing(make([]byte, release.MaxStandingBytes), 1, 1, 1))
	if err == nil {
		t.Fatal("signed a standing above its bound")
	}
}

func TestAttackKeyCompromise(t *testing.T) {
	t.Run("an online key cannot sign releases", func(t *testing.T) {
		c := newCeremony(t)
		_, err := c.trust().VerifyRelease(sealed(t, c.live, book(5, "")))
		wantReason(t, err, release.UntrustedKey)
	})
	t.Run("a release key cannot sign what is online, nor keys", func(t *testing.T) {
		c := newCeremony(t)
		tr := c.trust()
		_, err := tr.VerifyAssignment(seal(t, c.release, release.AssignmentPayloadType, assignment(1)), site)
		wantReason(t, err, release.UntrustedKey)
		_, err = tr.VerifyStopList(seal(t, c.release, release.StopsPayloadType, &pb.StopList{Version: 1}))
		wantReason(t, err, release.UntrustedKey)
		_, err = tr.VerifyStanding(seal(t, c.release, release.StandingPayloadType, standing(nonce, 1, 1, 1)), site, station, nonce, noon)
		wantReason(t, err, release.UntrustedKey)
		l := must[*pb.KeyList](t)(release.NextKeyList(c.list, release.KeyListEdit{Issued: noon, Lifetime: time.Hour}))
		_, err = tr.AddKeyList(c.sign(l, c.release, c.live))
		wantReason(t, err, release.BelowThreshold)
	})
	t.Run("one root key of two is not enough", func(t *testing.T) {
		c := newCeremony(t)
		tr := c.trust()
		thief := signer(66)
		l := must[*pb.KeyList](t)(release.NextKeyList(c.list, release.KeyListEdit{
			Issued: noon, Lifetime: time.Hour, Threshold: 1,
			Add: []*pb.SigningKey{{PublicKey: thief.Public(), Roles: []pb.KeyRole{roleRel}}},
		}))
		_, err := tr.AddKeyList(c.sign(l, c.roots[0]))
		wantReason(t, err, release.BelowThreshold)
		// The same key twice is one key.
		var env pb.Envelope
		if err := proto.Unmarshal(c.sign(l, c.roots[0]), &env); err != nil {
			t.Fatal(err)
		}
		env.Signatures = append(env.Signatures, env.Signatures[0])
		_, err = tr.AddKeyList(must[[]byte](t)(proto.Marshal(&env)))
		wantReason(t, err, release.BelowThreshold)
		if tr.Version() != 1 {
			t.Fatal("the list was taken")
		}
	})
	t.Run("a revoked key signs nothing any more, after a restart too", func(t *testing.T) {
		c := newCeremony(t)
		tr := c.trust()
		good := signer(4)
		env := sealed(t, c.release, book(5, ""))
		a := must[*release.Assigned](t)(tr.VerifyAssignment(c.assign(assignment(1, c.order(env, noon))), site))
		v := must[*release.Verified](t)(tr.VerifyRelease(env))
		if _, err := tr.AddKeyList(c.next(release.KeyListEdit{Revoke: keys(c.release), Add: []*pb.SigningKey{{PublicKey: good.Public(), Roles: []pb.KeyRole{roleRel}}}})); err != nil {
			t.Fatal(err)
		}
		// What was verified just before counts no more.
		_, err := tr.Follow(v, a, scopes, noon)
		wantReason(t, err, release.RevokedKey)
		_, err = reopened(t, tr).VerifyRelease(env)
		wantReason(t, err, release.RevokedKey)
		// A later list cannot bring it back, nor pass it over in silence.
		_, err = release.NextKeyList(c.list, release.KeyListEdit{Issued: noon, Lifetime: time.Hour, Add: []*pb.SigningKey{{PublicKey: c.release.Public(), Roles: []pb.KeyRole{roleRel}}}})
		if err == nil {
			t.Fatal("a revoked key was named again")
		}
		quiet := proto.CloneOf(c.list)
		quiet.Version++
		quiet.RevokedKeys = nil
		_, err = tr.AddKeyList(c.sign(quiet, c.roots...))
		wantReason(t, err, release.RevokedKey)
	})
}

func keys(ss ...*release.Signer) (out []ed25519.PublicKey) {
	for _, s := range ss {
		out = append(out, s.Public())
	}
	return out
}
