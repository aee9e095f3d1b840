package release

import (
	"crypto/ed25519"
	"crypto/sha256"
	"fmt"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Payload types: what is signed, and so what a signature can stand for.
const (
	// PayloadType is a release's.
	PayloadType           = "application/vnd.samecup.release.v1+protobuf"
	KeysPayloadType       = "application/vnd.samecup.keys.v1+protobuf"
	AssignmentPayloadType = "application/vnd.samecup.assignment.v1+protobuf"
	StopsPayloadType      = "application/vnd.samecup.stops.v1+protobuf"
	StandingPayloadType   = "application/vnd.samecup.standing.v1+protobuf"
	PlacementPayloadType  = "application/vnd.samecup.placement.v1+protobuf"
)

// Bounds on whole envelopes, bytes. Nothing larger is parsed.
const (
	// MaxEnvelopeBytes bounds a release; it leaves room for headers within the
	// bus's own limit.
	MaxEnvelopeBytes   = 8<<20 - 64<<10
	MaxKeyListBytes    = 64 << 10
	MaxAssignmentBytes = 64 << 10
	MaxStopListBytes   = 256 << 10
	MaxStandingBytes   = 64 << 10
	MaxPlacementBytes  = 64 << 10
)

// maxSignatures leaves room for root keys that change hands: each of the old
// list's and of the new one's.
const maxSignatures = 8

// payloadKind is how we speak of a payload type, and how large it may be.
type payloadKind struct {
	name  string
	limit int
}

func kindOf(payloadType string) (payloadKind, bool) {
	switch payloadType {
	case PayloadType:
		return payloadKind{"release", MaxEnvelopeBytes}, true
	case KeysPayloadType:
		return payloadKind{"key list", MaxKeyListBytes}, true
	case AssignmentPayloadType:
		return payloadKind{"assignment", MaxAssignmentBytes}, true
	case StopsPayloadType:
		return payloadKind{"stop list", MaxStopListBytes}, true
	case StandingPayloadType:
		return payloadKind{"standing", MaxStandingBytes}, true
	case PlacementPayloadType:
		return payloadKind{"placement", MaxPlacementBytes}, true
	}
	return payloadKind{}, false
}

// preAuth is DSSE's pre-authentication encoding.
func preAuth(payloadType string, payload []byte) []byte {
	head := fmt.Sprintf("DSSEv1 %d %s %d ", len(payloadType), payloadType, len(payload))
	out := make([]byte, 0, len(head)+len(payload))
	return append(append(out, head...), payload...)
}

// openEnvelope bounds and reads an envelope of the wanted type; the payload
// stays untouched. The error is always a *Refusal.
func openEnvelope(b []byte, want string) (*pb.Envelope, error) {
	env, err := readEnvelope(b, want)
	if err != nil {
		return nil, err
	}
	if len(env.Signatures) == 0 {
		return nil, refuse(want, Unsigned, "it carries no signature")
	}
	return env, nil
}

func readEnvelope(b []byte, want string) (*pb.Envelope, error) {
	kind, _ := kindOf(want)
	if len(b) > kind.limit {
		return nil, refuse(want, TooLarge, "%d bytes; at most %d are taken", len(b), kind.limit)
	}
	// Counted before anything is allocated: empty signatures take two bytes
	// each here and fifty times that in memory.
	if n := countSignatures(b); n > maxSignatures {
		return nil, refuse(want, TooLarge, "%d signatures; at most %d are taken", n, maxSignatures)
	}
	env := new(pb.Envelope)
	if err := proto.Unmarshal(b, env); err != nil {
		return nil, refuse(want, Unreadable, "not an envelope: %v", err)
	}
	if env.PayloadType != want {
		return nil, refuse(want, WrongType, "payload type %q; only %q is a %s", clip(env.PayloadType), want, kind.name)
	}
	return env, nil
}

// countSignatures walks the fields; it stops where they cannot be read, which
// is then for Unmarshal to say.
func countSignatures(b []byte) (n int) {
	for len(b) > 0 {
		num, _, size := protowire.ConsumeField(b)
		if size < 0 {
			return n
		}
		if num == signaturesField {
			n++
		}
		b = b[size:]
	}
	return n
}

// signaturesField is the number of Envelope.signatures in release.proto.
const signaturesField = 3

func refuse(payloadType string, reason Reason, format string, args ...any) *Refusal {
	kind, _ := kindOf(payloadType)
	if payloadType == PayloadType {
		kind.name = ""
	}
	return &Refusal{Kind: kind.name, Reason: reason, Detail: fmt.Sprintf(format, args...)}
}

// Signers sign one document together: while a new key takes over from an old
// one, readers that know either can follow.
type Signers []*Signer

// Seal marshals msg once and signs exactly those bytes for the payload type.
// It returns the envelope to publish and the SHA-256 of the payload. An
// envelope above the bound of its type is an error.
func (ss Signers) Seal(payloadType string, msg proto.Message) (envelope []byte, digest [32]byte, err error) {
	kind, ok := kindOf(payloadType)
	if !ok {
		return nil, digest, fmt.Errorf("payload type %q is none of ours; use a constant of package release", clip(payloadType))
	}
	if n := len(ss); n == 0 || n > maxSignatures {
		return nil, digest, fmt.Errorf("sign a %s: %d keys; 1 to %d can sign", kind.name, n, maxSignatures)
	}
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(msg)
	if err != nil {
		return nil, digest, fmt.Errorf("marshal the %s: %w", kind.name, err)
	}
	env := &pb.Envelope{PayloadType: payloadType, Payload: payload}
	signed := preAuth(payloadType, payload)
	for _, s := range ss {
		env.Signatures = append(env.Signatures, s.signature(signed))
	}
	if envelope, err = marshalEnvelope(env); err != nil {
		return nil, digest, err
	}
	return envelope, sha256.Sum256(payload), nil
}

// marshalEnvelope keeps to the bound of the envelope's type.
func marshalEnvelope(env *pb.Envelope) ([]byte, error) {
	kind, _ := kindOf(env.PayloadType)
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(env)
	if err != nil {
		return nil, fmt.Errorf("marshal the envelope of a %s: %w", kind.name, err)
	}
	if len(b) > kind.limit {
		return nil, fmt.Errorf("the %s takes %d bytes; at most %d are taken by readers: say less in it", kind.name, len(b), kind.limit)
	}
	return b, nil
}

func (s *Signer) signature(signed []byte) *pb.Signature {
	return &pb.Signature{KeyId: KeyID(s.Public()), Sig: ed25519.Sign(s.key, signed)}
}

// Seal signs msg for the payload type with this one key; see Signers.Seal.
func (s *Signer) Seal(payloadType string, msg proto.Message) (envelope []byte, digest [32]byte, err error) {
	return Signers{s}.Seal(payloadType, msg)
}

// Release signs a release.
func (ss Signers) Release(m *pb.Release) (envelope []byte, digest [32]byte, err error) {
	return ss.Seal(PayloadType, m)
}

// Assignment signs an assignment.
func (ss Signers) Assignment(m *pb.Assignment) (envelope []byte, digest [32]byte, err error) {
	return ss.Seal(AssignmentPayloadType, m)
}

// StopList signs a stop list.
func (ss Signers) StopList(m *pb.StopList) (envelope []byte, digest [32]byte, err error) {
	return ss.Seal(StopsPayloadType, m)
}

// Standing signs a standing.
func (ss Signers) Standing(m *pb.Standing) (envelope []byte, digest [32]byte, err error) {
	return ss.Seal(StandingPayloadType, m)
}

// Placement signs a placement.
func (ss Signers) Placement(m *pb.Placement) (envelope []byte, digest [32]byte, err error) {
	return ss.Seal(PlacementPayloadType, m)
}
