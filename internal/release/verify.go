package release

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Assigned is an assignment that was accepted.
type Assigned struct {
	Assignment *pb.Assignment
	// Digest is the SHA-256 of the payload.
	Digest [32]byte
	// Keys are the IDs of the keys whose signatures held.
	Keys []string
}

// InForce is the order that holds at now: the last one that has started. It is
// nil before the first.
func (a *Assigned) InForce(now time.Time) *pb.Order {
	var in *pb.Order
	for _, o := range a.Assignment.Orders {
		if !o.StartTime.AsTime().After(now) {
			in = o
		}
	}
	return in
}

// Next is the first order that has not started at now, or nil.
func (a *Assigned) Next(now time.Time) *pb.Order {
	for _, o := range a.Assignment.Orders {
		if o.StartTime.AsTime().After(now) {
			return o
		}
	}
	return nil
}

// Listed is a stop list that was accepted.
type Listed struct {
	List *pb.StopList
	// Digest is the SHA-256 of the payload.
	Digest [32]byte
	// Keys are the IDs of the keys whose signatures held.
	Keys []string
}

// VerifyRelease checks that a key for releases signed it, and parses it after
// that. It says nothing on whether to follow it: see Admit and Follow. The
// error is always a *Refusal.
func (t *Trust) VerifyRelease(envelope []byte) (*Verified, error) {
	return t.verifyRelease(envelope, false)
}

// HeldRelease is VerifyRelease for what was accepted before and is read back
// from our own disk: a key that was retired since still counts, a revoked one
// does not.
func (t *Trust) HeldRelease(envelope []byte) (*Verified, error) {
	return t.verifyRelease(envelope, true)
}

func (t *Trust) verifyRelease(envelope []byte, held bool) (*Verified, error) {
	env, keys, err := t.open(envelope, PayloadType, pb.KeyRole_KEY_ROLE_RELEASE, held)
	if err != nil {
		return nil, err
	}
	v, err := parseRelease(env)
	if err != nil {
		return nil, err
	}
	v.signers, v.Keys = keys, ids(keys)
	return v, nil
}

// VerifyAssignment checks that an online key signed it for this site, that it
// is not older than one accepted before, and that we hold the key list that it
// goes with; then it becomes the floor. An expired one is accepted: Freshness
// says so. The error is always a *Refusal.
func (t *Trust) VerifyAssignment(envelope []byte, site string) (*Assigned, error) {
	return t.verifyAssignment(envelope, site, false)
}

// HeldAssignment is VerifyAssignment for what was accepted before and is read
// back from our own disk: a key that was retired since still counts.
func (t *Trust) HeldAssignment(envelope []byte, site string) (*Assigned, error) {
	return t.verifyAssignment(envelope, site, true)
}

func (t *Trust) verifyAssignment(envelope []byte, site string, held bool) (*Assigned, error) {
	env, keys, err := t.open(envelope, AssignmentPayloadType, pb.KeyRole_KEY_ROLE_ONLINE, held)
	if err != nil {
		return nil, err
	}
	a := new(pb.Assignment)
	if err := proto.Unmarshal(env.Payload, a); err != nil {
		return nil, refuse(AssignmentPayloadType, Unreadable, "signed, but not an assignment: %v", err)
	}
	no := func(reason Reason, format string, args ...any) (*Assigned, error) {
		r := refuse(AssignmentPayloadType, reason, format, args...)
		r.Number = a.Serial
		return nil, r
	}
	if err := CheckAssignment(a); err != nil {
		return no(Unreadable, "signed, but %v", err)
	}
	if a.Site != site {
		return no(OtherSite, "it is for site %s, and this is %s", a.Site, site)
	}
	if a.KeyList > t.list.Version {
		return no(Gap, "it goes with key list %d and %d is held; fetch key list %d first", a.KeyList, t.list.Version, t.list.Version+1)
	}
	digest := sha256.Sum256(env.Payload)
	switch floor := t.assignments[site]; floor.check(a.Serial, digest[:]) {
	case Older:
		return no(Older, "serial %d was accepted before; serials only rise", floor.top().Number)
	case Conflict:
		return no(Conflict, "serial %d was accepted before with other bytes", a.Serial)
	}
	if t.assignments[site] == nil {
		t.assignments[site] = marks{}
	}
	t.assignments[site].raise(keys, mark{Number: a.Serial, Digest: digest[:], Issued: unix(a.IssuedTime), Expires: unix(a.ExpireTime), StopList: a.StopList, KeyList: a.KeyList})
	return &Assigned{Assignment: a, Digest: digest, Keys: ids(keys)}, nil
}

// maxOrders bounds an assignment: the one in force and those that follow.
const maxOrders = 64

// CheckAssignment reports what makes an assignment unusable: check one before
// it is signed.
func CheckAssignment(a *pb.Assignment) error {
	switch {
	case !Slug(a.Site):
		return fmt.Errorf("site %q: write lower-case letters, digits and hyphens", clip(a.Site))
	case a.Serial == 0:
		return fmt.Errorf("serial 0; serials count from 1")
	case !a.IssuedTime.IsValid() || !a.ExpireTime.IsValid() || !a.ExpireTime.AsTime().After(a.IssuedTime.AsTime()):
		return fmt.Errorf("issued_time and expire_time: want two times, the expiry after the issue")
	case len(a.Orders) > maxOrders:
		return fmt.Errorf("%d orders; at most %d", len(a.Orders), maxOrders)
	}
	for i, o := range a.Orders {
		if _, err := ParseScope(o.GetScope()); err != nil {
			return fmt.Errorf("orders[%d]: %w", i, err)
		}
		switch {
		case o.Release == 0 || len(o.Digest) != sha256.Size:
			return fmt.Errorf("orders[%d]: want a release number and a digest of %d bytes", i, sha256.Size)
		case !o.StartTime.IsValid():
			return fmt.Errorf("orders[%d].start_time: missing", i)
		case i > 0 && o.StartTime.AsTime().Before(a.Orders[i-1].StartTime.AsTime()):
			return fmt.Errorf("orders[%d].start_time: before that of the order above it; sort them by their start", i)
		}
	}
	return nil
}

// VerifyStopList checks that an online key signed it and that it is not older
// than one accepted before; then it becomes the floor. The error is always a
// *Refusal.
func (t *Trust) VerifyStopList(envelope []byte) (*Listed, error) {
	return t.verifyStops(envelope, false)
}

// HeldStopList is VerifyStopList for what was accepted before and is read back
// from our own disk: a key that was retired since still counts.
func (t *Trust) HeldStopList(envelope []byte) (*Listed, error) { return t.verifyStops(envelope, true) }

func (t *Trust) verifyStops(envelope []byte, held bool) (*Listed, error) {
	env, keys, err := t.open(envelope, StopsPayloadType, pb.KeyRole_KEY_ROLE_ONLINE, held)
	if err != nil {
		return nil, err
	}
	l := new(pb.StopList)
	if err := proto.Unmarshal(env.Payload, l); err != nil {
		return nil, refuse(StopsPayloadType, Unreadable, "signed, but not a stop list: %v", err)
	}
	no := func(reason Reason, format string, args ...any) (*Listed, error) {
		r := refuse(StopsPayloadType, reason, format, args...)
		r.Number = l.Version
		return nil, r
	}
	if l.Version == 0 || !l.IssuedTime.IsValid() {
		return no(Unreadable, "signed, but without a version or an issued_time")
	}
	digest := sha256.Sum256(env.Payload)
	switch t.stops.check(l.Version, digest[:]) {
	case Older:
		return no(Older, "version %d was accepted before; versions only rise", t.stops.top().Number)
	case Conflict:
		return no(Conflict, "version %d was accepted before with other bytes", l.Version)
	}
	t.stops.raise(keys, mark{Number: l.Version, Digest: digest[:], Issued: unix(l.IssuedTime)})
	return &Listed{List: l, Digest: digest, Keys: ids(keys)}, nil
}

// MinNonce is the least length of a standing's nonce, bytes.
const MinNonce = 16

// VerifyStanding checks that an online key signed it for this station and this
// nonce, which the caller uses for one presence only. Then the centre counts
// as heard at now. The error is always a *Refusal.
func (t *Trust) VerifyStanding(envelope []byte, site, station string, nonce []byte, now time.Time) (*pb.Standing, error) {
	env, keys, err := t.open(envelope, StandingPayloadType, pb.KeyRole_KEY_ROLE_ONLINE, false)
	if err != nil {
		return nil, err
	}
	s := new(pb.Standing)
	if err := proto.Unmarshal(env.Payload, s); err != nil {
		return nil, refuse(StandingPayloadType, Unreadable, "signed, but not a standing: %v", err)
	}
	switch {
	case s.Site != site || s.Station != station:
		return nil, refuse(StandingPayloadType, OtherSite, "it is for station %s of %s, and this is %s of %s", clip(s.Station), clip(s.Site), station, site)
	case len(nonce) < MinNonce:
		return nil, refuse(StandingPayloadType, WrongNonce, "the station's nonce has %d bytes; use at least %d from a random source", len(nonce), MinNonce)
	case !bytes.Equal(s.Nonce, nonce):
		return nil, refuse(StandingPayloadType, WrongNonce, "it answers another presence than the last one: an old answer sent again, or a late one")
	case !s.CentreTime.IsValid():
		return nil, refuse(StandingPayloadType, Unreadable, "signed, but without a centre_time")
	}
	for _, k := range keys {
		t.heard[k] = heard{At: now.UnixMilli(), Centre: unix(s.CentreTime), Assignment: s.Assignment, StopList: s.StopList, KeyList: s.KeyList, Placement: s.Placement}
	}
	return s, nil
}

// open verifies an envelope and returns the keys that signed it.
func (t *Trust) open(envelope []byte, payloadType string, role pb.KeyRole, held bool) (*pb.Envelope, []keyHex, error) {
	env, err := openEnvelope(envelope, payloadType)
	if err != nil {
		return nil, nil, err
	}
	signed := preAuth(payloadType, env.Payload)
	var good []keyHex
	for _, k := range sortedKeys(t.roles) {
		if slices.Contains(t.roles[k], role) && t.holds(env, signed, k) {
			good = append(good, k)
		}
	}
	if held {
		for _, k := range sortedKeys(t.retired) {
			if slices.Contains(t.retired[k], role) && t.holds(env, signed, k) {
				good = append(good, k)
			}
		}
	}
	if len(good) > 0 {
		return env, good, nil
	}
	return nil, nil, t.why(env, signed, payloadType)
}

func (t *Trust) holds(env *pb.Envelope, signed []byte, k keyHex) bool {
	key, err := hex.DecodeString(string(k))
	return err == nil && len(key) == ed25519.PublicKeySize && !t.revoked[k] && signedBy(env, signed, key)
}

// why tells a revoked key, a key for something else, a stranger and altered
// bytes apart, since each is mended in another way.
func (t *Trust) why(env *pb.Envelope, signed []byte, payloadType string) *Refusal {
	for _, s := range env.Signatures {
		for k := range t.revoked {
			if key, err := hex.DecodeString(string(k)); err == nil && s.KeyId == k.id() && ed25519.Verify(key, signed, s.Sig) {
				return refuse(payloadType, RevokedKey, "signed by key %s, which key list %d or one before it revokes", k.id(), t.list.Version)
			}
		}
	}
	for _, s := range env.Signatures {
		for k := range t.roles {
			if s.KeyId == k.id() {
				if key, err := hex.DecodeString(string(k)); err == nil && ed25519.Verify(key, signed, s.Sig) {
					return refuse(payloadType, UntrustedKey, "signed by key %s, which key list %d does not let sign this", k.id(), t.list.Version)
				}
				return refuse(payloadType, BadSignature, "the signature of key %s does not hold: the bytes were altered", k.id())
			}
		}
	}
	return refuse(payloadType, UntrustedKey, "signed by key %q, which key list %d does not name; if there is a newer key list, fetch it first", clip(env.Signatures[0].KeyId), t.list.Version)
}
