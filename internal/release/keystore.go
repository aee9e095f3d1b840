package release

import (
	"crypto/ed25519"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// KeyStore is a directory of signing keys: <key id>.key for its owner alone,
// <key id>.key.pub beside it. It is not safe for concurrent use.
type KeyStore struct {
	dir  string
	keys []StoredKey
}

// StoredKey is one key of a store.
type StoredKey struct {
	ID, Label string
	Public    ed25519.PublicKey
	signer    *Signer
}

// OpenKeyStore reads every key in a directory, and makes the directory if
// there is none.
func OpenKeyStore(dir string) (*KeyStore, error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("make the key directory: %w", err)
	}
	paths, err := filepath.Glob(filepath.Join(globEscape(dir), "*.key"))
	if err != nil {
		return nil, fmt.Errorf("list the keys in %s: %w", dir, err)
	}
	k := &KeyStore{dir: dir}
	for _, path := range paths {
		s, label, err := ReadKey(path)
		if err != nil {
			return nil, err
		}
		k.take(s, label)
	}
	return k, nil
}

func globEscape(dir string) string {
	return strings.NewReplacer(`\`, `\\`, `*`, `\*`, `?`, `\?`, `[`, `\[`).Replace(dir)
}

func (k *KeyStore) take(s *Signer, label string) StoredKey {
	key := StoredKey{ID: KeyID(s.Public()), Label: label, Public: s.Public(), signer: s}
	k.keys = append(k.keys, key)
	slices.SortFunc(k.keys, func(a, b StoredKey) int { return strings.Compare(a.ID, b.ID) })
	return key
}

// Keys are all keys of the store, by ID.
func (k *KeyStore) Keys() []StoredKey { return slices.Clone(k.keys) }

// Create makes a key. It signs nothing before a key list names it.
func (k *KeyStore) Create(label string) (StoredKey, error) {
	s, err := NewKey()
	if err != nil {
		return StoredKey{}, err
	}
	return k.Adopt(s, label)
}

// Adopt puts a key that there is already into the store. A key that it holds
// is no error.
func (k *KeyStore) Adopt(s *Signer, label string) (StoredKey, error) {
	id := KeyID(s.Public())
	for _, x := range k.keys {
		if x.ID == id {
			return x, nil
		}
	}
	if err := WriteKey(filepath.Join(k.dir, id+".key"), label, s); err != nil {
		return StoredKey{}, err
	}
	return k.take(s, label), nil
}

// Signers are the keys of the store that a key list lets sign for a role: more
// than one while a new key takes over. None is an error.
func (k *KeyStore) Signers(list *pb.KeyList, role pb.KeyRole) (Signers, error) {
	var out Signers
	for _, pub := range KeysFor(list, role) {
		for _, x := range k.keys {
			if x.Public.Equal(pub) {
				out = append(out, x.signer)
			}
		}
	}
	if len(out) == 0 {
		return nil, fmt.Errorf("key list %d names no key in %s for %s; add one to the next key list (samecup keys list next)", list.GetVersion(), k.dir, mayDo([]pb.KeyRole{role}))
	}
	if len(out) > maxSignatures {
		out = out[:maxSignatures]
	}
	return out, nil
}
