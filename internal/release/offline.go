package release

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// What the offline commands need: keys as people name them, and key lists as
// files.

// FindKey reads a public key as a person names it: by its ID or label in list
// (which may be nil), by a .pub file, or in hexadecimal. The label is that of
// the file or the list.
func FindKey(list *pb.KeyList, text string) (ed25519.PublicKey, string, error) {
	var found ed25519.PublicKey
	var label string
	for _, k := range list.GetKeys() {
		if KeyID(k.PublicKey) == text || (k.Label != "" && k.Label == text) {
			if found != nil {
				return nil, "", fmt.Errorf("key %q: list %d has more than one of that label; name it by its ID", clip(text), list.Version)
			}
			found, label = k.PublicKey, k.Label
		}
	}
	for _, k := range list.GetRootKeys() {
		if KeyID(k) == text {
			found, label = k, ""
		}
	}
	if found != nil {
		return found, label, nil
	}
	if key, err := ParseKey(text); err == nil {
		return key, "", nil
	}
	key, label, err := ReadPublicKey(text)
	switch {
	case errors.Is(err, fs.ErrNotExist) && list == nil:
		return nil, "", fmt.Errorf("key %q: neither a file nor %d bytes in hexadecimal", clip(text), ed25519.PublicKeySize)
	case errors.Is(err, fs.ErrNotExist):
		return nil, "", fmt.Errorf("key %q: neither an ID nor a label of list %d, nor a file, nor %d bytes in hexadecimal", clip(text), list.Version, ed25519.PublicKeySize)
	case err == nil && !strings.HasSuffix(text, ".pub"):
		// A private file has the same form; its seed is no public key.
		return nil, "", fmt.Errorf("key %q: a public key's file ends in .pub; never hand the private one round", clip(text))
	}
	return key, label, err
}

// ParseLifetime reads a lifetime in days ("400d") or as Go durations are
// written ("36h"), above 0 and at most 10 years.
func ParseLifetime(text string) (time.Duration, error) {
	var d time.Duration
	var err error
	if days, ok := strings.CutSuffix(text, "d"); ok {
		var n int
		n, err = strconv.Atoi(days)
		if n > 36500 {
			n = 36500
		}
		d = time.Duration(n) * 24 * time.Hour
	} else {
		d, err = time.ParseDuration(text)
	}
	if err != nil || d <= 0 || d > 3650*24*time.Hour {
		return 0, fmt.Errorf("lifetime %q: write days such as 400d, or hours such as 36h; at most 3650d", clip(text))
	}
	return d, nil
}

// ReadKeyListFile reads the envelope of a key list, up to its bound, and
// parses it without trusting it.
func ReadKeyListFile(path string) ([]byte, *pb.KeyList, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, fmt.Errorf("read the key list: %w", err)
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, MaxKeyListBytes+1))
	if err != nil {
		return nil, nil, fmt.Errorf("read the key list: %w", err)
	}
	l, err := UnverifiedKeyList(b)
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", path, err)
	}
	return b, l, nil
}

// CreateKeyListFile writes an envelope to a path that does not exist yet.
func CreateKeyListFile(path string, envelope []byte) error {
	if err := writeNew(path, 0o644, string(envelope)); err != nil {
		return fmt.Errorf("write the key list: %w", err)
	}
	return nil
}

// CosignFile adds a signature to the key list in a file, whole or not at all.
func CosignFile(path string, s *Signer) error {
	b, _, err := ReadKeyListFile(path)
	if err != nil {
		return err
	}
	if b, err = Cosign(b, s); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return fmt.Errorf("write the key list: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.Write(b)
	err = errors.Join(err, f.Chmod(0o644), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err = errors.Join(err, syncDir(filepath.Dir(path))); err != nil {
		return fmt.Errorf("write the key list: %w", err)
	}
	return nil
}

// NamedKeys turns what a person typed into the keys of a list: each text in
// releases gets that role, each in online the other, and one in both gets both.
func NamedKeys(list *pb.KeyList, releases, online []string) ([]*pb.SigningKey, error) {
	var out []*pb.SigningKey
	byID := map[string]*pb.SigningKey{}
	for _, part := range []struct {
		texts []string
		role  pb.KeyRole
	}{{releases, pb.KeyRole_KEY_ROLE_RELEASE}, {online, pb.KeyRole_KEY_ROLE_ONLINE}} {
		for _, text := range part.texts {
			key, label, err := FindKey(list, text)
			if err != nil {
				return nil, err
			}
			k := byID[KeyID(key)]
			if k == nil {
				k = &pb.SigningKey{PublicKey: key, Label: label}
				byID[KeyID(key)] = k
				out = append(out, k)
			}
			k.Roles = append(k.Roles, part.role)
		}
	}
	return out, nil
}

// FindKeys is FindKey for each text.
func FindKeys(list *pb.KeyList, texts []string) ([]ed25519.PublicKey, error) {
	var out []ed25519.PublicKey
	for _, text := range texts {
		key, _, err := FindKey(list, text)
		if err != nil {
			return nil, err
		}
		out = append(out, key)
	}
	return out, nil
}
