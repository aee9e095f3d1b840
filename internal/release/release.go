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

// Verified is a release whose signature held.
type Verified struct {
	Release *pb.Release
	// Digest is the SHA-256 of the payload.
	Digest [32]byte
	// Keys are the IDs of the trusted keys whose signatures held; set by
	// Trust only.
	Keys []string

	signers []keyHex
}

// Verify checks the bytes of an envelope against the trusted keys and only
// then parses the payload. The error is always a *Refusal.
func Verify(envelope []byte, keys []ed25519.PublicKey) (*Verified, error) {
	env, err := openEnvelope(envelope, PayloadType)
	if err != nil {
		return nil, err
	}
	if !anyHolds(env, keys) {
		return nil, &Refusal{Reason: BadSignature, Detail: "no signature holds under a trusted key: the bytes were altered, or signed by somebody else"}
	}
	return parseRelease(env)
}

// parseRelease reads a payload whose signature held.
func parseRelease(env *pb.Envelope) (*Verified, error) {
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
