package station

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

const (
	identityFile = "identity.json"
	// trustFile holds the trusted state: keys, revocations and floors.
	trustFile       = "trust.state"
	identityVersion = 2
	maxIdentity     = 64 << 10
	maxState        = 2 << 20
)

// ErrNotEnrolled is returned for a directory without an identity.
var ErrNotEnrolled = errors.New("this directory holds no enrolled station: enrol it with a code from the centre first")

// Identity is what a station learns when it enrols.
type Identity struct {
	Version int    `json:"version"`
	Site    string `json:"site"`
	Station string `json:"station"`
	// Scopes from the widest to the most specific, as of the enrolment; a
	// placement that came later stands above them.
	Scopes []string `json:"scopes"`
	BusURL string   `json:"bus_url"`
	// TimeZone is an IANA name, for showing times.
	TimeZone string `json:"time_zone"`
}

// Enrol spends a code at the centre and writes the identity and the trusted
// keys to dir. A directory that is another station's already is refused, since
// its log carries on that station's numbering; the same station may enrol
// again, which keeps its floors if its keys lead on to the centre's, and sets
// keys and floors anew if they do not or are damaged.
func Enrol(ctx context.Context, dir string, fleet pb.FleetServiceClient, code string) (err error) {
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return diskWords(dir, fmt.Errorf("make the station's directory: %w", err))
	}
	lock, err := lockDir(dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, lock.Close()) }()
	old, err := readIdentity(dir)
	if err != nil && !errors.Is(err, ErrNotEnrolled) {
		return err
	}
	res, err := fleet.EnrolStation(ctx, &pb.EnrolStationRequest{Code: code})
	if err != nil {
		return fmt.Errorf("enrol: %w", err)
	}
	id := &Identity{
		Version: identityVersion, Site: res.GetSite(), Station: res.GetStation(), Scopes: res.GetScopes(),
		BusURL: res.GetBusUrl(), TimeZone: res.GetTimeZone(),
	}
	if err := id.check(); err != nil {
		return fmt.Errorf("the centre's answer to the enrolment cannot be used: %w", err)
	}
	if old != nil && (old.Site != id.Site || old.Station != id.Station) {
		return fmt.Errorf("directory %s belongs to station %s/%s, and the code is for %s/%s: name another directory", dir, old.Site, old.Station, id.Site, id.Station)
	}
	trust, err := enrolTrust(dir, id, res)
	if err != nil {
		return fmt.Errorf("the centre's answer to the enrolment cannot be used: %w", err)
	}
	state, err := trust.Marshal()
	if err != nil {
		return err
	}
	raw, err := json.MarshalIndent(id, "", "  ")
	if err != nil {
		return fmt.Errorf("write the identity: %w", err)
	}
	// The identity last: it is what makes the directory a station's.
	if err := durable.WriteFile(filepath.Join(dir, trustFile), state); err != nil {
		return err
	}
	return durable.WriteFile(filepath.Join(dir, identityFile), append(raw, '\n'))
}

// enrolTrust leads what is trusted so far on to the last of the lists and to the
// placement, or starts from the first.
func enrolTrust(dir string, id *Identity, res *pb.EnrolStationResponse) (*release.Trust, error) {
	fresh, err := freshTrust(res.GetKeyLists())
	if err != nil {
		return nil, err
	}
	place := func(t *release.Trust) error {
		if len(res.GetPlacement()) == 0 {
			return nil // it comes over the bus
		}
		p, err := t.VerifyPlacement(res.GetPlacement(), id.Site, id.Station)
		if err == nil && !slices.Equal(release.Scopes(p.Region, p.Site), id.Scopes) {
			err = fmt.Errorf("names region %q, and the scopes are %q", p.Region, id.Scopes)
		}
		return err
	}
	if err := place(fresh); err != nil {
		return nil, fmt.Errorf("placement: %w", err)
	}
	if held := heldTrust(dir, res.GetKeyLists(), fresh); held != nil && place(held) == nil {
		return held, nil
	}
	return fresh, nil
}

// freshTrust starts from the first list.
func freshTrust(lists [][]byte) (*release.Trust, error) {
	if len(lists) == 0 {
		return nil, errors.New("key_lists is empty: without one no release could be verified")
	}
	fresh, err := release.NewTrust(lists[0])
	for i := 1; err == nil && i < len(lists); i++ {
		if _, err = fresh.AddKeyList(lists[i]); err != nil {
			err = fmt.Errorf("key_lists[%d]: %w", i, err)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("key_lists: %w", err)
	}
	return fresh, nil
}

// heldTrust is what is trusted in dir, led on to the last of the lists; nil where
// it cannot be read or the lists do not lead on from it.
func heldTrust(dir string, lists [][]byte, fresh *release.Trust) *release.Trust {
	raw, err := readState(dir)
	if err != nil {
		return nil
	}
	held, err := release.Open(raw)
	if err != nil {
		return nil
	}
	for i, l := range lists {
		_, err := held.AddKeyList(l)
		if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.Older || i+1 < int(held.Version()) {
			// It holds a later one already.
			continue
		}
		if err != nil {
			return nil
		}
	}
	if held.Version() != fresh.Version() || !bytes.Equal(held.KeyListEnvelope(), fresh.KeyListEnvelope()) {
		return nil
	}
	return held
}

func readState(dir string) ([]byte, error) {
	path := filepath.Join(dir, trustFile)
	info, err := os.Stat(path)
	if err == nil && info.Size() > maxState {
		return nil, fmt.Errorf("%s has %d bytes, at most %d are taken", path, info.Size(), maxState)
	}
	if err != nil {
		return nil, fmt.Errorf("read the trusted state: %w", err)
	}
	return os.ReadFile(path)
}

// LoadIdentity reads the identity in dir; ErrNotEnrolled if there is none.
func LoadIdentity(dir string) (*Identity, error) {
	id, err := readIdentity(dir)
	if err != nil {
		return nil, err
	}
	if err := id.check(); err != nil {
		return nil, fmt.Errorf("%s: %w", filepath.Join(dir, identityFile), err)
	}
	return id, nil
}

func readIdentity(dir string) (*Identity, error) {
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
	return &id, nil
}

func (id *Identity) check() error {
	if id.Version != identityVersion {
		return fmt.Errorf("version is %d, this program reads %d: enrol this station again with a new code", id.Version, identityVersion)
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
	return nil
}

// lockDir keeps a second agent out of a directory.
func lockDir(dir string) (*os.File, error) {
	f, err := durable.Lock(dir)
	if l, ok := errors.AsType[*durable.Locked](err); ok {
		who := "another agent"
		if l.PID != 0 {
			who += fmt.Sprintf(", process %d,", l.PID)
		}
		return nil, fmt.Errorf("%s runs on %s: stop it, or name another directory: %w", who, dir, err)
	}
	return f, diskWords(dir, err)
}
