package release

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// A key file is text: comment lines that begin with "#", the first of which is
// the label, then 32 bytes in hexadecimal: the Ed25519 seed in a private file,
// the public key in a .pub file.

// maxKeyFileBytes bounds what is read as a key file.
const maxKeyFileBytes = 4 << 10

// maxLabel bounds a label, bytes.
const maxLabel = 120

// NewKey makes a key from the system's random source.
func NewKey() (*Signer, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a key: %w", err)
	}
	return NewSigner(key), nil
}

// WriteKey writes a private key to path, for its owner alone, and its public
// key to path.pub. An existing file is never overwritten.
func WriteKey(path, label string, s *Signer) error {
	label = strings.TrimSpace(label)
	if len(label) > maxLabel || strings.ContainsFunc(label, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return fmt.Errorf("label %q: write one line of at most %d bytes", clip(label), maxLabel)
	}
	if _, err := os.Lstat(path + ".pub"); err == nil {
		return fmt.Errorf("write the public key: %s.pub exists; a key is never overwritten, so choose another name", path)
	}
	if err := writeNew(path, 0o600, keyText(label, s.key.Seed())); err != nil {
		return fmt.Errorf("write the private key: %w", err)
	}
	if err := writeNew(path+".pub", 0o644, keyText(label, s.Public())); err != nil {
		return fmt.Errorf("write the public key: %w", err)
	}
	return nil
}

// ReadKey reads a private key and its label. A file that others may read is
// refused, since it is a secret no longer.
func ReadKey(path string) (*Signer, string, error) {
	seed, label, err := readKeyText(path)
	if err != nil {
		return nil, "", fmt.Errorf("private key: %w", err)
	}
	if st, err := os.Stat(path); err == nil && runtime.GOOS != "windows" && st.Mode().Perm()&0o077 != 0 {
		return nil, "", fmt.Errorf("private key %s: others may open it (%v); run chmod 600 on it, and revoke the key if others could have read it", path, st.Mode().Perm())
	}
	return NewSigner(ed25519.NewKeyFromSeed(seed)), label, nil
}

// ReadPublicKey reads a .pub file, and its label.
func ReadPublicKey(path string) (ed25519.PublicKey, string, error) {
	key, label, err := readKeyText(path)
	if err != nil {
		return nil, "", fmt.Errorf("public key: %w", err)
	}
	return key, label, nil
}

func keyText(label string, key []byte) string {
	return "# " + label + "\n" + hex.EncodeToString(key) + "\n"
}

func readKeyText(path string) ([]byte, string, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, "", err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxKeyFileBytes+1))
	if err != nil {
		return nil, "", err
	}
	key, label, err := parseKeyText(b)
	if err != nil {
		return nil, "", fmt.Errorf("%s: %w", path, err)
	}
	return key, label, nil
}

func parseKeyText(b []byte) (key []byte, label string, err error) {
	bad := fmt.Errorf("want %d bytes in hexadecimal on a line of their own; restore the file from a backup", ed25519.SeedSize)
	if len(b) > maxKeyFileBytes {
		return nil, "", bad
	}
	for line := range strings.Lines(string(b)) {
		line = strings.TrimSpace(line)
		switch {
		case line == "":
		case strings.HasPrefix(line, "#"):
			if label == "" {
				label = strings.TrimSpace(line[1:])
			}
		case key != nil:
			return nil, "", bad
		default:
			if key, err = hex.DecodeString(line); err != nil || len(key) != ed25519.SeedSize {
				return nil, "", bad
			}
		}
	}
	if key == nil {
		return nil, "", bad
	}
	return key, label, nil
}

// writeNew writes a file whole or not at all, and never over another.
func writeNew(path string, mode os.FileMode, text string) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".new-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	_, err = f.WriteString(text)
	err = errors.Join(err, f.Chmod(mode), f.Sync(), f.Close())
	if err == nil {
		// A link, not a rename: it fails when there is one already.
		err = os.Link(f.Name(), path)
	}
	return errors.Join(err, syncDir(filepath.Dir(path)))
}

// syncDir makes a new name last through a crash.
func syncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
