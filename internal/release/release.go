// Package release answers whether these bytes are a release that a station may
// follow: scopes, signing and verifying.
//
// A release is marshalled once. The signature covers the payload type and the
// exact payload bytes in the pre-authentication encoding of DSSE 1.0 (Dead
// Simple Signing Envelope, https://github.com/secure-systems-lab/dsse), so that
// bytes signed for another purpose cannot pass for a release. A reader
// verifies first and parses after, and never marshals again.
package release

import (
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// PayloadType names what is signed.
	PayloadType = "application/vnd.samecup.release.v1+protobuf"
	// MaxEnvelopeBytes bounds what a reader takes in; it leaves room for
	// headers within the bus's own limit.
	MaxEnvelopeBytes = 8<<20 - 64<<10

	maxSignatures = 8
)

// Reason says why a release was refused.
type Reason string

// The reasons.
const (
	Unreadable   Reason = "UNREADABLE"
	TooLarge     Reason = "TOO_LARGE"
	WrongType    Reason = "WRONG_TYPE"
	Unsigned     Reason = "UNSIGNED"
	BadSignature Reason = "BAD_SIGNATURE"
	OtherScope   Reason = "OTHER_SCOPE"
	Older        Reason = "OLDER"
	BadBook      Reason = "BAD_BOOK"
)

// Refusal is the error for a release that must not be followed.
type Refusal struct {
	// Number of the release, 0 where the bytes could not be trusted so far.
	Number uint64
	Reason Reason
	Detail string
}

func (r *Refusal) Error() string {
	if r.Number == 0 {
		return fmt.Sprintf("release refused (%s): %s", r.Reason, r.Detail)
	}
	return fmt.Sprintf("release %d refused (%s): %s", r.Number, r.Reason, r.Detail)
}

var slug = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

// Slug reports whether s can name a site, station or region: lower-case
// letters, digits and single inner hyphens, at most 63 bytes.
func Slug(s string) bool { return len(s) <= 63 && slug.MatchString(s) }

// Scope is who a release is for.
type Scope struct {
	// Level is "chain", "region" or "site".
	Level string
	// Name of the region or site; empty for the chain.
	Name string
}

func (s Scope) String() string {
	if s.Name == "" {
		return s.Level
	}
	return s.Level + "." + s.Name
}

// ParseScope reads "chain", "region.<slug>" or "site.<slug>".
func ParseScope(s string) (Scope, error) {
	if s == "chain" {
		return Scope{Level: "chain"}, nil
	}
	level, name, ok := strings.Cut(s, ".")
	if !ok || (level != "region" && level != "site") || !Slug(name) {
		return Scope{}, fmt.Errorf("scope %q: write chain, region.<region> or site.<site>, with lower-case letters, digits and hyphens", s)
	}
	return Scope{Level: level, Name: name}, nil
}

// Scopes lists a site's scopes from the widest to the most specific.
func Scopes(region, site string) []string {
	out := []string{"chain"}
	if region != "" {
		out = append(out, "region."+region)
	}
	return append(out, "site."+site)
}

// KeyID is a short hint by which a key can be told from another.
func KeyID(key ed25519.PublicKey) string {
	sum := sha256.Sum256(key)
	return hex.EncodeToString(sum[:8])
}

// preAuth is DSSE's pre-authentication encoding.
func preAuth(payloadType string, payload []byte) []byte {
	head := fmt.Sprintf("DSSEv1 %d %s %d ", len(payloadType), payloadType, len(payload))
	return append([]byte(head), payload...)
}

// Verified is a release whose signature held.
type Verified struct {
	Release *pb.Release
	// Digest is the SHA-256 of the payload.
	Digest [32]byte
}

// Verify checks the bytes of an envelope against the trusted keys and only
// then parses the payload. The error is always a *Refusal.
func Verify(envelope []byte, keys []ed25519.PublicKey) (*Verified, error) {
	if len(envelope) > MaxEnvelopeBytes {
		return nil, &Refusal{Reason: TooLarge, Detail: fmt.Sprintf("%d bytes; at most %d are taken", len(envelope), MaxEnvelopeBytes)}
	}
	var env pb.Envelope
	if err := proto.Unmarshal(envelope, &env); err != nil {
		return nil, &Refusal{Reason: Unreadable, Detail: "not an envelope: " + err.Error()}
	}
	if env.PayloadType != PayloadType {
		return nil, &Refusal{Reason: WrongType, Detail: fmt.Sprintf("payload type %q; only %q is a release", clip(env.PayloadType), PayloadType)}
	}
	switch n := len(env.Signatures); {
	case n == 0:
		return nil, &Refusal{Reason: Unsigned, Detail: "it carries no signature"}
	case n > maxSignatures:
		return nil, &Refusal{Reason: TooLarge, Detail: fmt.Sprintf("%d signatures; at most %d are taken", n, maxSignatures)}
	}
	if !anyHolds(&env, keys) {
		return nil, &Refusal{Reason: BadSignature, Detail: "no signature holds under a trusted key: the bytes were altered, or signed by somebody else"}
	}
	rel := new(pb.Release)
	if err := proto.Unmarshal(env.Payload, rel); err != nil {
		return nil, &Refusal{Reason: Unreadable, Detail: "signed, but not a release: " + err.Error()}
	}
	if rel.Number == 0 || rel.Book == nil {
		return nil, &Refusal{Number: rel.Number, Reason: Unreadable, Detail: "signed, but without a number or a book"}
	}
	if _, err := ParseScope(rel.Scope); err != nil {
		return nil, &Refusal{Number: rel.Number, Reason: Unreadable, Detail: err.Error()}
	}
	return &Verified{Release: rel, Digest: sha256.Sum256(env.Payload)}, nil
}

func anyHolds(env *pb.Envelope, keys []ed25519.PublicKey) bool {
	signed := preAuth(env.PayloadType, env.Payload)
	for _, s := range env.Signatures {
		for _, k := range keys {
			if len(k) == ed25519.PublicKeySize && ed25519.Verify(k, signed, s.Sig) {
				return true
			}
		}
	}
	return false
}

// Admit decides whether a station that belongs to scopes and holds release
// number held for this release's scope may take it. Holding the same number
// already is not an error; the caller compares digests. The error is always a
// *Refusal.
func (v *Verified) Admit(scopes []string, held uint64) error {
	in := false
	for _, s := range scopes {
		in = in || s == v.Release.Scope
	}
	if !in {
		return &Refusal{Number: v.Release.Number, Reason: OtherScope, Detail: fmt.Sprintf("it is for %s, and this station follows %s", v.Release.Scope, strings.Join(scopes, ", "))}
	}
	if v.Release.Number < held {
		return &Refusal{Number: v.Release.Number, Reason: Older, Detail: fmt.Sprintf("release %d is held for %s already; numbers only rise", held, v.Release.Scope)}
	}
	return nil
}

func clip(s string) string {
	if len(s) > 80 {
		return strings.ToValidUTF8(s[:80], "") + "…"
	}
	return s
}
