package release

import (
	"bytes"
	"crypto/ed25519"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Bounds on a key list.
const (
	// MaxRootKeys is half of what an envelope can carry, so that all old and
	// all new root keys can sign one list.
	MaxRootKeys = maxSignatures / 2
	// MaxSigningKeys is for one list.
	MaxSigningKeys = 32
	// MaxRevokedKeys are carried from list to list; one a week for years.
	MaxRevokedKeys = 512
)

// CheckKeyList reports what makes a key list unusable: check one before it is
// signed.
func CheckKeyList(l *pb.KeyList) error {
	seen := map[string]string{}
	once := func(field string, key []byte) error {
		switch {
		case len(key) != ed25519.PublicKeySize || bytes.Equal(key, make([]byte, ed25519.PublicKeySize)):
			return fmt.Errorf("%s: %x is no Ed25519 public key of %d bytes", field, key[:min(len(key), 64)], ed25519.PublicKeySize)
		case seen[KeyID(key)] != "":
			return fmt.Errorf("%s: key %s stands in %s already; a key has one place", field, KeyID(key), seen[KeyID(key)])
		}
		seen[KeyID(key)] = field
		return nil
	}
	switch {
	case l.Version == 0:
		return fmt.Errorf("version: 0; key lists count from 1")
	case !l.IssuedTime.IsValid() || !l.ExpireTime.IsValid() || !l.ExpireTime.AsTime().After(l.IssuedTime.AsTime()):
		return fmt.Errorf("issued_time and expire_time: want two times, the expiry after the issue")
	case len(l.RootKeys) == 0 || len(l.RootKeys) > MaxRootKeys:
		return fmt.Errorf("root_keys: %d; 1 to %d are allowed", len(l.RootKeys), MaxRootKeys)
	case l.RootThreshold == 0 || int(l.RootThreshold) > len(l.RootKeys):
		return fmt.Errorf("root_threshold: %d; 1 to %d, the number of root keys, are allowed", l.RootThreshold, len(l.RootKeys))
	case len(l.Keys) > MaxSigningKeys:
		return fmt.Errorf("keys: %d; at most %d are allowed", len(l.Keys), MaxSigningKeys)
	case len(l.RevokedKeys) > MaxRevokedKeys:
		return fmt.Errorf("revoked_keys: %d; at most %d are allowed", len(l.RevokedKeys), MaxRevokedKeys)
	}
	for i, k := range l.RevokedKeys {
		if err := once(fmt.Sprintf("revoked_keys[%d]", i), k); err != nil {
			return err
		}
	}
	for i, k := range l.RootKeys {
		if err := once(fmt.Sprintf("root_keys[%d]", i), k); err != nil {
			return err
		}
	}
	for i, k := range l.Keys {
		field := fmt.Sprintf("keys[%d]", i)
		if err := once(field, k.GetPublicKey()); err != nil {
			return err
		}
		if len(k.Roles) == 0 || len(k.Roles) > 2 {
			return fmt.Errorf("%s.roles: %d; a key has one role or both", field, len(k.Roles))
		}
		for j, r := range k.Roles {
			if (r != pb.KeyRole_KEY_ROLE_RELEASE && r != pb.KeyRole_KEY_ROLE_ONLINE) || slices.Contains(k.Roles[:j], r) {
				return fmt.Errorf("%s.roles: %s; RELEASE and ONLINE are allowed, each once", field, r)
			}
		}
	}
	return nil
}

// parseKeyList reads a payload that was signed.
func parseKeyList(payload []byte) (*pb.KeyList, error) {
	l := new(pb.KeyList)
	if err := proto.Unmarshal(payload, l); err != nil {
		return nil, refuse(KeysPayloadType, Unreadable, "not a key list: %v", err)
	}
	if err := CheckKeyList(l); err != nil {
		return nil, refuseList(l, Unreadable, "%v", err)
	}
	return l, nil
}

// KeysFor are the keys that a list lets sign for a role.
func KeysFor(l *pb.KeyList, role pb.KeyRole) []ed25519.PublicKey {
	var out []ed25519.PublicKey
	for _, k := range l.GetKeys() {
		if slices.Contains(k.Roles, role) {
			out = append(out, ed25519.PublicKey(k.PublicKey))
		}
	}
	return out
}

// KeyListPlan is the first key list, before anybody signs it.
type KeyListPlan struct {
	Roots     []ed25519.PublicKey
	Threshold int
	Keys      []*pb.SigningKey
	Issued    time.Time
	// Lifetime from Issued to the time when readers say that it is old.
	Lifetime time.Duration
}

// FirstKeyList makes key list 1.
func FirstKeyList(p KeyListPlan) (*pb.KeyList, error) {
	l := &pb.KeyList{
		Version:    1,
		IssuedTime: timestamppb.New(p.Issued), ExpireTime: timestamppb.New(p.Issued.Add(p.Lifetime)),
		RootThreshold: uint32(max(p.Threshold, 0)), Keys: p.Keys,
	}
	for _, k := range p.Roots {
		l.RootKeys = append(l.RootKeys, k)
	}
	if err := CheckKeyList(l); err != nil {
		return nil, fmt.Errorf("key list 1: %w", err)
	}
	return l, nil
}

// KeyListEdit is what the next key list does to the one before.
type KeyListEdit struct {
	// Add names keys with roles; a key that is named already gets these roles.
	Add []*pb.SigningKey
	// Retire takes keys off without a reproach: what they signed and is held
	// stays.
	Retire []ed25519.PublicKey
	// Revoke takes signing or root keys off for good, with what they raised.
	Revoke              []ed25519.PublicKey
	AddRoots, DropRoots []ed25519.PublicKey
	// Threshold of root keys; 0 keeps it.
	Threshold int
	Issued    time.Time
	Lifetime  time.Duration
}

// NextKeyList makes the list that follows prev.
func NextKeyList(prev *pb.KeyList, e KeyListEdit) (*pb.KeyList, error) {
	l := proto.CloneOf(prev)
	l.Version++
	l.IssuedTime, l.ExpireTime = timestamppb.New(e.Issued), timestamppb.New(e.Issued.Add(e.Lifetime))
	if e.Threshold != 0 {
		l.RootThreshold = uint32(max(e.Threshold, 0))
	}
	fail := func(format string, args ...any) (*pb.KeyList, error) {
		return nil, fmt.Errorf("key list %d: %w", l.Version, fmt.Errorf(format, args...))
	}
	dropKey := func(k ed25519.PublicKey) bool {
		n := len(l.Keys)
		l.Keys = slices.DeleteFunc(l.Keys, func(x *pb.SigningKey) bool { return bytes.Equal(x.PublicKey, k) })
		return len(l.Keys) < n
	}
	dropRoot := func(k ed25519.PublicKey) bool {
		n := len(l.RootKeys)
		l.RootKeys = slices.DeleteFunc(l.RootKeys, func(x []byte) bool { return bytes.Equal(x, k) })
		return len(l.RootKeys) < n
	}
	for _, k := range e.Retire {
		if !dropKey(k) {
			return fail("retire: key %s is not in list %d", KeyID(k), prev.Version)
		}
	}
	for _, k := range e.DropRoots {
		if !dropRoot(k) {
			return fail("drop root: key %s is no root key of list %d", KeyID(k), prev.Version)
		}
	}
	for _, k := range e.Revoke {
		dropKey(k)
		dropRoot(k)
		l.RevokedKeys = append(l.RevokedKeys, k)
	}
	for _, k := range e.AddRoots {
		l.RootKeys = append(l.RootKeys, k)
	}
	for _, k := range e.Add {
		dropKey(k.PublicKey)
		l.Keys = append(l.Keys, k)
	}
	if err := CheckKeyList(l); err != nil {
		return fail("%w", err)
	}
	return l, nil
}
