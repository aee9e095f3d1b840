package release

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// PastStopList reads back a stop list that was accepted before, and which a
// newer one may have followed or whose key may have been revoked since: any
// online key that is or was named counts, and so does a revoked key. It moves
// no floor. It is for a station that goes on with the list it has until the
// next one comes, since a stop too many costs a drink and one too few may cost
// more. The error is always a *Refusal.
func (t *Trust) PastStopList(envelope []byte) (*Listed, error) {
	env, keys, err := t.open(envelope, StopsPayloadType, pb.KeyRole_KEY_ROLE_ONLINE, true)
	if r, ok := err.(*Refusal); ok && r.Reason == RevokedKey {
		env, keys, err = t.openRevoked(envelope)
	}
	if err != nil {
		return nil, err
	}
	l := new(pb.StopList)
	if err := proto.Unmarshal(env.Payload, l); err != nil {
		return nil, refuse(StopsPayloadType, Unreadable, "signed, but not a stop list: %v", err)
	}
	if l.Version == 0 || !l.IssuedTime.IsValid() {
		return nil, refuse(StopsPayloadType, Unreadable, "signed, but without a version or an issued_time")
	}
	return &Listed{List: l, Digest: sha256.Sum256(env.Payload), Keys: ids(keys)}, nil
}

// openRevoked finds the revoked keys whose signature holds.
func (t *Trust) openRevoked(envelope []byte) (*pb.Envelope, []keyHex, error) {
	env, err := openEnvelope(envelope, StopsPayloadType)
	if err != nil {
		return nil, nil, err
	}
	signed := preAuth(StopsPayloadType, env.Payload)
	var good []keyHex
	for _, k := range sortedKeys(t.revoked) {
		if key, err := hex.DecodeString(string(k)); err == nil && len(key) == ed25519.PublicKeySize && signedBy(env, signed, key) {
			good = append(good, k)
		}
	}
	if len(good) == 0 {
		return nil, nil, t.why(env, signed, StopsPayloadType)
	}
	return env, good, nil
}
