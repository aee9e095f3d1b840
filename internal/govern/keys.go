package govern

import (
	"fmt"
	"slices"
)

// KeyListAccepted takes the next signed list of trusted keys; its bytes are the
// caller's, under the digest.
type KeyListAccepted struct {
	Version uint64 `json:"version"`
	Digest  Digest `json:"digest"`
	// Summary says in words what it trusts and revokes.
	Summary string `json:"summary"`
}

func (*KeyListAccepted) kind() string { return "keys.accepted" }

func (b *KeyListAccepted) tell() string {
	return fmt.Sprintf("brought in key list %d: %s", b.Version, trimStop(b.Summary))
}

func (b *KeyListAccepted) apply(s *State, _ *Act) error {
	s.t.Keys = append(slices.Clip(s.t.Keys), *b)
	return nil
}

// KeyLists lists those accepted, the first first.
func (s *State) KeyLists() []KeyListAccepted { return slices.Clone(s.t.Keys) }

// AcceptKeyList takes a list whose signatures the caller has verified. The
// authority itself may bring in the first, when an installation is set up. The
// same list again gives no act.
func (s *State) AcceptKeyList(c Call, q KeyListAccepted) ([]Act, error) {
	if c.Actor.System && len(s.t.Keys) == 0 {
		if err := s.fresh(c); err != nil {
			return nil, err
		}
	} else if err := s.may(c, "change the trusted keys", Administrator); err != nil {
		return nil, err
	}
	for _, k := range s.t.Keys {
		if k.Version == q.Version && k.Digest == q.Digest {
			return nil, nil
		}
	}
	last := uint64(0)
	if n := len(s.t.Keys); n > 0 {
		last = s.t.Keys[n-1].Version
	}
	switch {
	case q.Version != last+1:
		return nil, blocked("KEY_LIST_VERSION", "key_list", "has version %d; the next to be taken is %d", q.Version, last+1)
	case q.Digest == (Digest{}):
		return nil, bad("key_list", "has no digest; this is a fault of the caller, which works it out")
	}
	return s.acts(c, &q), nil
}

// SigningKeyMade is a key made in the authority's directory. It signs nothing
// before a key list names it.
type SigningKeyMade struct {
	ID    string `json:"id"`
	Label string `json:"label"`
}

func (*SigningKeyMade) kind() string { return "key.made" }

func (b *SigningKeyMade) tell() string {
	return fmt.Sprintf("made signing key %s (%q), which signs nothing until a key list names it", b.ID, b.Label)
}

func (b *SigningKeyMade) apply(s *State, _ *Act) error {
	s.t.SigningKeys[b.ID] = b.Label
	return nil
}

// MakeSigningKey is for administrators. The key is made once it is allowed; one
// that is in the record already gives no act.
func (s *State) MakeSigningKey(c Call, label string, key func() (id string, err error)) ([]Act, error) {
	if err := s.may(c, "make a signing key", Administrator); err != nil {
		return nil, err
	}
	id, err := key()
	if err != nil {
		return nil, err
	}
	if _, known := s.t.SigningKeys[id]; known {
		return nil, nil
	}
	return s.acts(c, &SigningKeyMade{ID: id, Label: label}), nil
}
