package release

import (
	"bytes"
	"crypto/ed25519"
	"encoding/hex"
)

// keyHex is a whole public key in hexadecimal. Trusted state goes by whole
// keys; KeyID is for people and as a hint.
type keyHex string

func hexKey(k []byte) keyHex { return keyHex(hex.EncodeToString(k)) }

func (k keyHex) id() string {
	b, err := hex.DecodeString(string(k))
	if err != nil {
		return ""
	}
	return KeyID(ed25519.PublicKey(b))
}

func ids(keys []keyHex) []string {
	out := make([]string, len(keys))
	for i, k := range keys {
		out[i] = k.id()
	}
	return out
}

// mark is the highest document of a kind that one key raised. Times are Unix
// milliseconds, 0 for none.
type mark struct {
	Number  uint64 `json:"number"`
	Digest  []byte `json:"digest"`
	Issued  int64  `json:"issued,omitempty"`
	Expires int64  `json:"expires,omitempty"`
	// Least versions of the other lists that an assignment named.
	StopList uint64 `json:"stop_list,omitempty"`
	KeyList  uint64 `json:"key_list,omitempty"`
	// Region that a placement named.
	Region string `json:"region,omitempty"`
}

// marks holds one mark a key: when a key is revoked, what it raised alone is
// forgotten, and what others raised before stays a floor.
type marks map[keyHex]mark

// top is the highest mark; its zero value when there is none.
func (m marks) top() (t mark) {
	for _, x := range m {
		if x.Number > t.Number {
			t = x
		}
	}
	return t
}

// check refuses a lower number, and the same number with other bytes. The
// reason is empty when it may be taken.
func (m marks) check(number uint64, digest []byte) Reason {
	t := m.top()
	switch {
	case number < t.Number:
		return Older
	case number == t.Number && t.Number > 0 && !bytes.Equal(digest, t.Digest):
		return Conflict
	}
	return ""
}

// raise records what check let pass, for each key that signed it.
func (m marks) raise(keys []keyHex, x mark) {
	for _, k := range keys {
		m[k] = x
	}
}

// heard is the last standing that one key signed for us.
type heard struct {
	// At is when it came, by the local clock; Unix milliseconds.
	At int64 `json:"at"`
	// Centre is the centre's clock in it; Unix milliseconds.
	Centre     int64  `json:"centre"`
	Assignment uint64 `json:"assignment"`
	StopList   uint64 `json:"stop_list"`
	KeyList    uint64 `json:"key_list"`
	// Placement came later: what was heard without one is written as before.
	Placement uint64 `json:"placement,omitempty"`
}
