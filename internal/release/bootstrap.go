package release

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Names under a key directory.
const (
	// signingDir holds the keys that the authority signs with.
	signingDir = "signing"
	// RootDir holds the root key until somebody moves it offline.
	RootDir = "root"
	// firstKeyListFile is the envelope of key list 1.
	firstKeyListFile = "keylist-1"

	// KeyListLifetime is how long a key list is good by default.
	KeyListLifetime = 400 * 24 * time.Hour
)

// Bootstrap opens the keys in dir, or makes what a fresh installation needs: a
// root key in dir/root, one signing key with both roles in dir/signing, and
// key list 1, whose envelope it returns. Move dir/root offline afterwards: this
// package does not read it again once key list 1 is there. See docs/keys.md for
// an installation with more than one root key and separate roles.
func Bootstrap(dir string) (*KeyStore, []byte, error) { return BootstrapWith(dir, nil) }

// BootstrapWith is Bootstrap for an installation that has a signing key
// already; it becomes the one of key list 1, so that what it signed stays good.
func BootstrapWith(dir string, signer *Signer) (*KeyStore, []byte, error) {
	store, err := OpenKeyStore(filepath.Join(dir, signingDir))
	if err != nil {
		return nil, nil, err
	}
	path := filepath.Join(dir, firstKeyListFile)
	list, err := readKeyListFile(path)
	if err == nil {
		return store, list, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, nil, err
	}
	if list, err = makeFirst(dir, store, signer); err != nil {
		return nil, nil, fmt.Errorf("set up the keys in %s: %w", dir, err)
	}
	err = writeNew(path, 0o644, string(list))
	if errors.Is(err, fs.ErrExist) {
		// Another process was first.
		list, err = readKeyListFile(path)
	}
	if err != nil {
		return nil, nil, fmt.Errorf("write key list 1: %w", err)
	}
	// With both processes' keys on disk, read them all.
	store, err = OpenKeyStore(filepath.Join(dir, signingDir))
	return store, list, err
}

// makeFirst uses the keys that an interrupted start left behind.
func makeFirst(dir string, store *KeyStore, signer *Signer) ([]byte, error) {
	roots, err := OpenKeyStore(filepath.Join(dir, RootDir))
	if err != nil {
		return nil, err
	}
	root, err := firstOrNew(roots, "root key, move it offline")
	if err != nil {
		return nil, err
	}
	var key StoredKey
	if signer != nil {
		key, err = store.Adopt(signer, "authority")
	} else {
		key, err = firstOrNew(store, "authority")
	}
	if err != nil {
		return nil, err
	}
	list, err := FirstKeyList(KeyListPlan{
		Roots: []ed25519.PublicKey{root.Public}, Threshold: 1,
		Keys: []*pb.SigningKey{{
			PublicKey: key.Public, Label: key.Label,
			Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE},
		}},
		Issued: time.Now(), Lifetime: KeyListLifetime,
	})
	if err != nil {
		return nil, err
	}
	return SignKeyList(list, root.signer)
}

func firstOrNew(k *KeyStore, label string) (StoredKey, error) {
	if keys := k.Keys(); len(keys) > 0 {
		return keys[0], nil
	}
	return k.Create(label)
}

// readKeyListFile checks what it reads as a follower would at enrolment.
func readKeyListFile(path string) ([]byte, error) {
	b, _, err := ReadKeyListFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, err
	}
	if err == nil {
		_, err = NewTrust(b)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w; restore it from a backup, since stations trust what it says", path, err)
	}
	return b, nil
}
