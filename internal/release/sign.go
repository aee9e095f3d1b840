package release

import (
	"crypto/ed25519"
	"crypto/rand"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Signer signs with one Ed25519 key.
type Signer struct{ key ed25519.PrivateKey }

// NewSigner takes a private key of ed25519.PrivateKeySize bytes.
func NewSigner(key ed25519.PrivateKey) *Signer { return &Signer{key: key} }

// Public is the key that stations must trust.
func (s *Signer) Public() ed25519.PublicKey { return s.key.Public().(ed25519.PublicKey) }

// Sign marshals a release once and signs exactly those bytes. It returns the
// envelope to publish and the SHA-256 of the payload. A release whose envelope
// would exceed MaxEnvelopeBytes is an error.
func (s *Signer) Sign(rel *pb.Release) (envelope []byte, digest [32]byte, err error) {
	return s.Seal(PayloadType, rel)
}

// LoadOrCreateSigner reads a hex-encoded Ed25519 seed from path, or makes one
// there that only its owner can read.
func LoadOrCreateSigner(path string) (*Signer, error) {
	text, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return createSigner(path)
	}
	if err != nil {
		return nil, fmt.Errorf("read the signing key: %w", err)
	}
	seed, err := hex.DecodeString(strings.TrimSpace(string(text)))
	if err != nil || len(seed) != ed25519.SeedSize {
		return nil, fmt.Errorf("signing key %s: not %d bytes in hexadecimal; restore it from a backup, since stations trust no other key", path, ed25519.SeedSize)
	}
	return NewSigner(ed25519.NewKeyFromSeed(seed)), nil
}

func createSigner(path string) (*Signer, error) {
	_, key, err := ed25519.GenerateKey(rand.Reader)
	if err != nil {
		return nil, fmt.Errorf("make a signing key: %w", err)
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".release-key-*")
	if err != nil {
		return nil, fmt.Errorf("make the signing key file: %w", err)
	}
	defer os.Remove(f.Name())
	_, err = f.WriteString(hex.EncodeToString(key.Seed()) + "\n")
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		// A link, not a rename: it fails when another process was first.
		err = os.Link(f.Name(), path)
	}
	if errors.Is(err, fs.ErrExist) {
		return LoadOrCreateSigner(path)
	}
	if err != nil {
		return nil, fmt.Errorf("write the signing key: %w", err)
	}
	return NewSigner(key), nil
}

// ParseKey reads a public key in hexadecimal.
func ParseKey(text string) (ed25519.PublicKey, error) {
	key, err := hex.DecodeString(strings.TrimSpace(text))
	if err != nil || len(key) != ed25519.PublicKeySize {
		return nil, fmt.Errorf("public key %q: want %d bytes in hexadecimal", clip(strings.TrimSpace(text)), ed25519.PublicKeySize)
	}
	return key, nil
}
