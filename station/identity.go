package station

import (
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

const (
	identityFile    = "identity.json"
	identityVersion = 1
	maxIdentity     = 64 << 10
)

// ErrNotEnrolled is returned for a directory without an identity.
var ErrNotEnrolled = errors.New("this directory holds no enrolled station: enrol it with a code from the centre first")

// Identity is what a station learns when it enrols.
type Identity struct {
	Version int    `json:"version"`
	Site    string `json:"site"`
	Station string `json:"station"`
	// Scopes from the widest to the most specific.
	Scopes []string `json:"scopes"`
	// TrustedKeys are Ed25519 public keys; base64 in the file.
	TrustedKeys [][]byte `json:"trusted_keys"`
	// Consumer is the durable consumer that the centre made on the books.
	Consumer string `json:"consumer"`
	BusURL   string `json:"bus_url"`
	// TimeZone is an IANA name, for showing times.
	TimeZone string `json:"time_zone"`
}

// Enrol spends a code at the centre and writes the identity to dir. A directory
// that is another station's already is refused, since its log carries on that
// station's numbering; the same station may enrol again to learn new keys.
func Enrol(ctx context.Context, dir string, fleet pb.FleetServiceClient, code string) (err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return fmt.Errorf("make the station's directory: %w", err)
	}
	lock, err := lockDir(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	old, err := LoadIdentity(dir)
	if err != nil && !errors.Is(err, ErrNotEnrolled) {
		return err
	}
	res, err := fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code})
	if err != nil {
		return fmt.Errorf("enrol: %w", err)
	}
	id := &Identity{
		Version: identityVersion, Site: res.GetSite(), Station: res.GetStation(), Scopes: res.GetScopes(),
		TrustedKeys: res.GetTrustedKeys(), Consumer: res.GetConsumer(), BusURL: res.GetBusUrl(), TimeZone: res.GetTimeZone(),
	}
	if err := id.check(); err != nil {
		return fmt.Errorf("the centre's answer to the enrolment cannot be used: %w", err)
	}
	if old != nil && (old.Site != id.Site || old.Station != id.Station) {
		return fmt.Errorf("directory %s belongs to station %s/%s, and the code is for %s/%s: name another directory", dir, old.Site, old.Station, id.Site, id.Station)
	}
	raw, err := json.MarshalIndent(id, "", "  ")
	if err != nil {
		return fmt.Errorf("write the identity: %w", err)
	}
	return durable.WriteFile(filepath.Join(dir, identityFile), append(raw, '\n'))
}

// LoadIdentity reads the identity in dir; ErrNotEnrolled if there is none.
func LoadIdentity(dir string) (*Identity, error) {
	path := filepath.Join(dir, identityFile)
	info, err := os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("%s: %w", dir, ErrNotEnrolled)
	}
	if err != nil {
		return nil, fmt.Errorf("read the identity: %w", err)
	}
	if info.Size() > maxIdentity {
		return nil, fmt.Errorf("%s has %d bytes, at most %d are taken: restore it or enrol again", path, info.Size(), maxIdentity)
	}
	raw, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("read the identity: %w", err)
	}
	var id Identity
	if err := json.Unmarshal(raw, &id); err != nil {
		return nil, fmt.Errorf("%s is damaged: restore it, or remove it and enrol again: %w", path, err)
	}
	if err := id.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return &id, nil
}

func (id *Identity) check() error {
	if id.Version != identityVersion {
		return fmt.Errorf("version is %d, this program reads %d", id.Version, identityVersion)
	}
	if !release.Slug(id.Site) || !release.Slug(id.Station) {
		return fmt.Errorf("site %q and station %q must be slugs such as tannery-row and bar-1", id.Site, id.Station)
	}
	if len(id.Scopes) == 0 {
		return errors.New("scopes is empty: a station follows at least one")
	}
	seen := make(map[string]bool, len(id.Scopes))
	for _, s := range id.Scopes {
		if _, err := release.ParseScope(s); err != nil {
			return fmt.Errorf("scopes: %w", err)
		}
		if seen[s] {
			return fmt.Errorf("scopes: %q stands twice", s)
		}
		seen[s] = true
	}
	if len(id.TrustedKeys) == 0 {
		return errors.New("trusted_keys is empty: without one no release could be verified")
	}
	for i, k := range id.TrustedKeys {
		if len(k) != ed25519.PublicKeySize {
			return fmt.Errorf("trusted_keys[%d] has %d bytes, an Ed25519 public key has %d", i, len(k), ed25519.PublicKeySize)
		}
	}
	return nil
}

func (id *Identity) keys() []ed25519.PublicKey {
	out := make([]ed25519.PublicKey, len(id.TrustedKeys))
	for i, k := range id.TrustedKeys {
		out[i] = k
	}
	return out
}

// lockDir keeps a second agent out of a directory.
func lockDir(dir string) (*os.File, error) {
	f, err := durable.Lock(dir)
	if errors.Is(err, durable.ErrLocked) {
		return nil, fmt.Errorf("another agent runs on %s: stop it, or name another directory: %w", dir, err)
	}
	return f, err
}
