package release

import (
	"bytes"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// UnsignedKeyList marshals a key list once; Cosign adds the signatures. What
// the first signer signs is what all others sign.
func UnsignedKeyList(l *pb.KeyList) ([]byte, error) {
	if err := CheckKeyList(l); err != nil {
		return nil, fmt.Errorf("key list %d: %w", l.Version, err)
	}
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("marshal key list %d: %w", l.Version, err)
	}
	return marshalEnvelope(&pb.Envelope{PayloadType: KeysPayloadType, Payload: payload})
}

// UnverifiedKeyList reads a key list without trusting it: for people who look
// at what they are about to sign, and for nothing else.
func UnverifiedKeyList(envelope []byte) (*pb.KeyList, error) {
	env, err := readEnvelope(envelope, KeysPayloadType)
	if err != nil {
		return nil, err
	}
	return parseKeyList(env.Payload)
}

// Cosign adds a root key's signature to a key list's envelope, over the very
// bytes that are there. Signing twice with one key changes nothing.
func Cosign(envelope []byte, s *Signer) ([]byte, error) {
	env, err := readEnvelope(envelope, KeysPayloadType)
	if err != nil {
		return nil, err
	}
	if _, err := parseKeyList(env.Payload); err != nil {
		return nil, err
	}
	signed := preAuth(env.PayloadType, env.Payload)
	if signedBy(env, signed, s.Public()) {
		return envelope, nil
	}
	if len(env.Signatures) == maxSignatures {
		return nil, fmt.Errorf("the key list carries %d signatures, and no more are taken; sign only with root keys of this list and of the one before", maxSignatures)
	}
	env.Signatures = append(env.Signatures, s.signature(signed))
	return marshalEnvelope(env)
}

// SignKeyList marshals a key list and signs it with root keys.
func SignKeyList(l *pb.KeyList, roots ...*Signer) ([]byte, error) {
	b, err := UnsignedKeyList(l)
	for _, s := range roots {
		if err != nil {
			break
		}
		b, err = Cosign(b, s)
	}
	return b, err
}

// Signatures counts the root keys that signed a key list: of its own, and of
// the list before (nil for none).
type Signatures struct {
	Own, NeedOwn, Before, NeedBefore int
}

// Enough reports whether followers of the list before would take it.
func (s Signatures) Enough() bool { return s.Own >= s.NeedOwn && s.Before >= s.NeedBefore }

// CountSignatures looks at a key list's envelope; prev may be nil.
func CountSignatures(envelope []byte, prev *pb.KeyList) (Signatures, error) {
	env, err := readEnvelope(envelope, KeysPayloadType)
	if err != nil {
		return Signatures{}, err
	}
	l, err := parseKeyList(env.Payload)
	if err != nil {
		return Signatures{}, err
	}
	signed := preAuth(env.PayloadType, env.Payload)
	count := func(by *pb.KeyList) (n int) {
		for _, k := range by.GetRootKeys() {
			if signedBy(env, signed, k) {
				n++
			}
		}
		return n
	}
	return Signatures{Own: count(l), NeedOwn: int(l.RootThreshold), Before: count(prev), NeedBefore: int(prev.GetRootThreshold())}, nil
}

// DescribeKeyList reads a key list aloud, a sentence a line, so that those who
// sign it hear what they sign. prev may be nil.
func DescribeKeyList(envelope []byte, prev *pb.KeyList, now time.Time) ([]string, error) {
	sig, err := CountSignatures(envelope, prev)
	if err != nil {
		return nil, err
	}
	env, err := readEnvelope(envelope, KeysPayloadType)
	if err != nil {
		return nil, err
	}
	l, err := parseKeyList(env.Payload)
	if err != nil {
		return nil, err
	}
	signed := preAuth(env.PayloadType, env.Payload)
	end := l.ExpireTime.AsTime()
	out := []string{fmt.Sprintf("This is key list %d, issued on %s, good until %s.", l.Version, when(l.IssuedTime.AsTime()), when(end))}
	if !now.Before(end) {
		out = append(out, fmt.Sprintf("It ran out %s ago.", age(now.Sub(end))))
	}
	out = append(out, fmt.Sprintf("Of its %d root keys %d must sign the next list; %d of them signed this one.", len(l.RootKeys), l.RootThreshold, sig.Own))
	for _, k := range l.RootKeys {
		has := "has not signed"
		if signedBy(env, signed, k) {
			has = "has signed"
		}
		out = append(out, fmt.Sprintf("Root key %s %s.", KeyID(k), has))
	}
	for _, k := range l.Keys {
		out = append(out, fmt.Sprintf("Key %s%s may sign %s.", KeyID(k.PublicKey), labelled(k.Label), mayDo(k.Roles)))
	}
	for _, role := range []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE} {
		if len(KeysFor(l, role)) == 0 {
			out = append(out, fmt.Sprintf("Caution: no key may sign %s.", mayDo([]pb.KeyRole{role})))
		}
	}
	for _, k := range l.RevokedKeys {
		out = append(out, fmt.Sprintf("Key %s is revoked for good.", KeyID(k)))
	}
	out = append(out, changes(prev, l)...)
	switch {
	case prev == nil && sig.Enough():
		out = append(out, "Its own root keys signed it; whether the list before agrees was not looked at.")
	case sig.Enough():
		out = append(out, "Followers of the list before will take it.")
	default:
		out = append(out, fmt.Sprintf("Nobody will take it yet: %d more of its own root keys and %d more of the list before must sign.", max(0, sig.NeedOwn-sig.Own), max(0, sig.NeedBefore-sig.Before)))
	}
	return out, nil
}

func changes(prev, l *pb.KeyList) (out []string) {
	if prev == nil {
		return nil
	}
	if l.Version != prev.Version+1 {
		out = append(out, fmt.Sprintf("Caution: it does not follow list %d.", prev.Version))
	}
	if l.RootThreshold != prev.RootThreshold {
		out = append(out, fmt.Sprintf("The number of root keys that must sign goes from %d to %d.", prev.RootThreshold, l.RootThreshold))
	}
	has := func(list [][]byte, k []byte) bool {
		for _, x := range list {
			if bytes.Equal(x, k) {
				return true
			}
		}
		return false
	}
	all := func(l *pb.KeyList) (out [][]byte) {
		for _, k := range l.Keys {
			out = append(out, k.PublicKey)
		}
		return append(out, l.RootKeys...)
	}
	for _, k := range all(l) {
		if !has(all(prev), k) {
			out = append(out, fmt.Sprintf("New against list %d: key %s.", prev.Version, KeyID(k)))
		}
	}
	for _, k := range all(prev) {
		if !has(all(l), k) && !has(l.RevokedKeys, k) {
			out = append(out, fmt.Sprintf("Retired against list %d: key %s.", prev.Version, KeyID(k)))
		}
	}
	for _, k := range prev.RevokedKeys {
		if !has(l.RevokedKeys, k) {
			out = append(out, fmt.Sprintf("Caution: it leaves out revoked key %s, and will be refused.", KeyID(k)))
		}
	}
	return out
}

func labelled(label string) string {
	if label == "" {
		return ""
	}
	return fmt.Sprintf(" (%q)", clip(label))
}

func mayDo(roles []pb.KeyRole) string {
	var release, online bool
	for _, r := range roles {
		release = release || r == pb.KeyRole_KEY_ROLE_RELEASE
		online = online || r == pb.KeyRole_KEY_ROLE_ONLINE
	}
	switch {
	case release && online:
		return "releases, assignments, stop lists and standings"
	case release:
		return "releases"
	default:
		return "assignments, stop lists and standings"
	}
}
