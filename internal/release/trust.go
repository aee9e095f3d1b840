package release

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"maps"
	"slices"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Trust is what a follower believes: the current key list, the keys that were
// revoked, and how far each kind of document has come. It is a pure state
// machine: bytes and times in, decisions out. A refusal leaves it as it was.
// Persist Marshal's bytes after each call that accepts something, before
// acting on it. It is not safe for concurrent use.
type Trust struct {
	list     *pb.KeyList
	digest   [32]byte
	envelope []byte

	roles map[keyHex][]pb.KeyRole
	// retired were named by an earlier list and are not revoked; what they
	// signed may be read back from our own disk.
	retired map[keyHex][]pb.KeyRole
	revoked map[keyHex]bool

	assignments map[string]marks // by site
	placements  map[string]marks // by "site/station"
	releases    map[string]marks // by scope
	stops       marks
	heard       map[keyHex]heard
}

// NewTrust starts from a key list that is trusted because of where it came
// from: enrolment. It still has to be signed by enough of its own root keys.
// Start from version 1 and add the others, or from the current list if the
// enrolment vouches for that.
func NewTrust(keyList []byte) (*Trust, error) {
	env, err := openEnvelope(keyList, KeysPayloadType)
	if err != nil {
		return nil, err
	}
	l, err := parseKeyList(env.Payload)
	if err != nil {
		return nil, err
	}
	if err := meets(env, l, l, "its own"); err != nil {
		return nil, err
	}
	t := &Trust{
		retired: map[keyHex][]pb.KeyRole{}, revoked: map[keyHex]bool{},
		assignments: map[string]marks{}, placements: map[string]marks{}, releases: map[string]marks{}, stops: marks{}, heard: map[keyHex]heard{},
	}
	t.take(env, l, keyList)
	return t, nil
}

// KeyListChange tells the holder what a new key list did.
type KeyListChange struct {
	Version uint64
	// Revoked are the IDs of the keys revoked by this list. Drop the documents
	// that only they signed (Dropped tells), fetch them anew.
	Revoked []string
	// Forgotten says in words which numbers are forgotten with them.
	Forgotten []string
}

// AddKeyList takes the next key list: signed by enough root keys of the
// current one and of its own. The current list again is no error and changes
// nothing. An expired list is taken, since the next one may be behind it;
// Freshness tells when the last one is old. The error is always a *Refusal.
func (t *Trust) AddKeyList(envelope []byte) (KeyListChange, error) {
	none := KeyListChange{Version: t.list.Version}
	env, err := openEnvelope(envelope, KeysPayloadType)
	if err != nil {
		return none, err
	}
	// Before the payload is believed, somebody we trust must have signed it.
	// Whoever signed it under the current list signed these exact bytes, so
	// the version read from them is not a stranger's.
	if sha256.Sum256(env.Payload) == t.digest {
		return none, nil
	}
	if err := meets(env, nil, t.list, "the current"); err != nil {
		return none, err
	}
	next, err := parseKeyList(env.Payload)
	if err != nil {
		return none, err
	}
	switch cur := t.list.Version; {
	case next.Version < cur:
		return none, refuseList(next, Older, "version %d is held; versions only rise", cur)
	case next.Version == cur:
		return none, refuseList(next, Conflict, "version %d is held with other bytes; two lists were signed under one number: ask the holders of the root keys", cur)
	case next.Version-cur > 1:
		return none, refuseList(next, Gap, "version %d is held; fetch version %d first", cur, cur+1)
	}
	if err := meets(env, next, next, "its own"); err != nil {
		return none, err
	}
	for k := range t.revoked {
		if !slices.ContainsFunc(next.RevokedKeys, func(r []byte) bool { return hexKey(r) == k }) {
			return none, refuseList(next, RevokedKey, "it leaves out revoked key %s; a revoked key stays revoked", k.id())
		}
	}
	return t.take(env, next, envelope), nil
}

// take makes a verified list the current one.
func (t *Trust) take(env *pb.Envelope, l *pb.KeyList, envelope []byte) KeyListChange {
	change := KeyListChange{Version: l.Version}
	before := t.roles
	t.list, t.digest, t.envelope = l, sha256.Sum256(env.Payload), bytes.Clone(envelope)
	t.roles = map[keyHex][]pb.KeyRole{}
	for _, k := range l.Keys {
		t.roles[hexKey(k.PublicKey)] = k.Roles
	}
	for k, r := range before {
		if _, still := t.roles[k]; !still {
			t.retired[k] = r
		}
	}
	for k := range t.roles {
		delete(t.retired, k)
	}
	for _, r := range l.RevokedKeys {
		k := hexKey(r)
		if t.revoked[k] {
			continue
		}
		t.revoked[k] = true
		delete(t.retired, k)
		change.Revoked = append(change.Revoked, k.id())
		change.Forgotten = append(change.Forgotten, t.forget(k)...)
	}
	slices.Sort(change.Forgotten)
	return change
}

// Version of the current key list.
func (t *Trust) Version() uint64 { return t.list.Version }

// KeyList returns the current key list; do not change it.
func (t *Trust) KeyList() *pb.KeyList { return t.list }

// KeyListEnvelope returns the current key list as it was signed.
func (t *Trust) KeyListEnvelope() []byte { return bytes.Clone(t.envelope) }

// ReleaseKeys are the keys that may sign releases now.
func (t *Trust) ReleaseKeys() []ed25519.PublicKey {
	return KeysFor(t.list, pb.KeyRole_KEY_ROLE_RELEASE)
}

// Revoked reports whether the key with this ID was ever revoked.
func (t *Trust) Revoked(keyID string) bool {
	for k := range t.revoked {
		if k.id() == keyID {
			return true
		}
	}
	return false
}

// Dropped reports whether a document that was accepted under these keys must
// be let go: every one of them is revoked.
func (t *Trust) Dropped(keyIDs []string) bool {
	for _, id := range keyIDs {
		if !t.Revoked(id) {
			return false
		}
	}
	return true
}

// meets checks that enough root keys of by signed. With l set, the refusal
// carries its number.
func meets(env *pb.Envelope, l, by *pb.KeyList, whose string) error {
	signed := preAuth(env.PayloadType, env.Payload)
	have := 0
	for _, k := range by.RootKeys {
		if signedBy(env, signed, k) {
			have++
		}
	}
	if need := int(by.RootThreshold); have < need {
		r := refuse(KeysPayloadType, BelowThreshold, "signed by %d of the %d root keys that must sign under %s list", have, need, whose)
		if l != nil {
			r.Number = l.Version
		}
		return r
	}
	return nil
}

// signedBy goes by the hint, so that each signature costs one verification at
// most, whatever the envelope holds.
func signedBy(env *pb.Envelope, signed []byte, key []byte) bool {
	id := KeyID(key)
	for _, s := range env.Signatures {
		if s.KeyId == id && ed25519.Verify(key, signed, s.Sig) {
			return true
		}
	}
	return false
}

func refuseList(l *pb.KeyList, reason Reason, format string, args ...any) *Refusal {
	r := refuse(KeysPayloadType, reason, format, args...)
	r.Number = l.Version
	return r
}

// unix is in milliseconds, since nanoseconds end in 2262; 0 for no time.
func unix(ts interface {
	IsValid() bool
	AsTime() time.Time
}) int64 {
	if !ts.IsValid() {
		return 0
	}
	return ts.AsTime().UnixMilli()
}

func sortedKeys[V any](m map[keyHex]V) []keyHex { return slices.Sorted(maps.Keys(m)) }
