package release

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Persisted state: the magic, a version byte, JSON, and the SHA-256 of all
// before it. The sum finds damage; it is no defence against somebody who may
// write to the station's disk.
const (
	stateMagic   = "samecup-trust"
	stateVersion = 1
	// maxStateBytes is far above what 32 keys and one site come to.
	maxStateBytes = 1 << 20
)

type state struct {
	KeyList     []byte                  `json:"key_list"`
	Retired     map[keyHex][]pb.KeyRole `json:"retired"`
	Revoked     []keyHex                `json:"revoked"`
	Assignments map[string]marks        `json:"assignments"`
	// Placements came later: state that holds none is written as it was before.
	Placements map[string]marks `json:"placements,omitempty"`
	Releases   map[string]marks `json:"releases"`
	Stops      marks            `json:"stops"`
	Heard      map[keyHex]heard `json:"heard"`
}

// Marshal returns the whole state; equal states give equal bytes.
func (t *Trust) Marshal() ([]byte, error) {
	body, err := json.Marshal(state{
		KeyList: t.envelope, Retired: t.retired, Revoked: append([]keyHex{}, sortedKeys(t.revoked)...),
		Assignments: t.assignments, Placements: t.placements, Releases: t.releases, Stops: t.stops, Heard: t.heard,
	})
	if err != nil {
		return nil, fmt.Errorf("marshal the trusted state: %w", err)
	}
	return sealState(body), nil
}

func sealState(body []byte) []byte {
	out := append([]byte(stateMagic), stateVersion)
	out = append(out, body...)
	sum := sha256.Sum256(out)
	return append(out, sum[:]...)
}

// StateError says that persisted trust cannot be used.
type StateError struct{ Detail string }

func (e *StateError) Error() string {
	return "the trusted state on disk cannot be used: " + e.Detail + "; restore it from a backup, or enrol this station anew, which sets its keys and floors again"
}

// Open reads what Marshal wrote. Anything else is a *StateError: state that
// was damaged is never taken for a fresh start, since that would forget what
// was revoked.
func Open(b []byte) (*Trust, error) {
	bad := func(format string, args ...any) (*Trust, error) {
		return nil, &StateError{Detail: fmt.Sprintf(format, args...)}
	}
	head := len(stateMagic) + 1
	switch {
	case len(b) > maxStateBytes:
		return bad("%d bytes; at most %d are taken", len(b), maxStateBytes)
	case len(b) < head+sha256.Size || string(b[:len(stateMagic)]) != stateMagic:
		return bad("it is not trusted state, or was cut short (%d bytes)", len(b))
	case b[len(stateMagic)] != stateVersion:
		return bad("format %d; this program reads format %d, so a newer one wrote it", b[len(stateMagic)], stateVersion)
	}
	end := len(b) - sha256.Size
	if sum := sha256.Sum256(b[:end]); !bytes.Equal(sum[:], b[end:]) {
		return bad("its checksum does not hold")
	}
	var s state
	dec := json.NewDecoder(bytes.NewReader(b[head:end]))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&s); err != nil {
		return bad("its checksum holds, but %v", err)
	}
	t, err := NewTrust(s.KeyList)
	if err != nil {
		return bad("its key list: %v", err)
	}
	if err := t.restore(s); err != nil {
		return bad("%v", err)
	}
	// One state, one form: what would be written differently was not ours.
	again, err := t.Marshal()
	if err != nil || !bytes.Equal(again, b) {
		return bad("its checksum holds, but it is not in the form this program writes")
	}
	return t, nil
}

func (t *Trust) restore(s state) error {
	for k, roles := range s.Retired {
		if err := checkHex(k); err != nil {
			return fmt.Errorf("retired: %w", err)
		}
		if _, named := t.roles[k]; named || t.revoked[k] {
			return fmt.Errorf("retired: key %s is named or revoked by the key list", k.id())
		}
		for _, r := range roles {
			if r != pb.KeyRole_KEY_ROLE_RELEASE && r != pb.KeyRole_KEY_ROLE_ONLINE {
				return fmt.Errorf("retired: key %s has role %d, which there is not", k.id(), r)
			}
		}
		t.retired[k] = roles
	}
	if !slices.Equal(s.Revoked, append([]keyHex{}, sortedKeys(t.revoked)...)) {
		return fmt.Errorf("revoked: not those of the key list")
	}
	take := func(what string, in, into marks) error {
		for k, x := range in {
			if err := checkHex(k); err != nil {
				return fmt.Errorf("%s: %w", what, err)
			}
			if t.revoked[k] || x.Number == 0 || len(x.Digest) != sha256.Size {
				return fmt.Errorf("%s: a mark of key %s that cannot be", what, k.id())
			}
			into[k] = x
		}
		return nil
	}
	for site, m := range s.Assignments {
		t.assignments[site] = marks{}
		if err := take("assignments", m, t.assignments[site]); err != nil {
			return err
		}
	}
	for station, m := range s.Placements {
		t.placements[station] = marks{}
		if err := take("placements", m, t.placements[station]); err != nil {
			return err
		}
	}
	for scope, m := range s.Releases {
		t.releases[scope] = marks{}
		if err := take("releases", m, t.releases[scope]); err != nil {
			return err
		}
	}
	if err := take("stops", s.Stops, t.stops); err != nil {
		return err
	}
	for k, h := range s.Heard {
		if err := checkHex(k); err != nil {
			return fmt.Errorf("heard: %w", err)
		}
		if t.revoked[k] {
			return fmt.Errorf("heard: key %s is revoked", k.id())
		}
		t.heard[k] = h
	}
	return nil
}

func checkHex(k keyHex) error {
	b, err := hex.DecodeString(string(k))
	if err != nil || len(b) != ed25519.PublicKeySize || hexKey(b) != k {
		return fmt.Errorf("%q is no public key", clip(string(k)))
	}
	return nil
}
