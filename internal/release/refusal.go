package release

import "fmt"

// Reason says why a document was refused.
type Reason string

// The reasons.
const (
	Unreadable   Reason = "UNREADABLE"
	TooLarge     Reason = "TOO_LARGE"
	WrongType    Reason = "WRONG_TYPE"
	Unsigned     Reason = "UNSIGNED"
	BadSignature Reason = "BAD_SIGNATURE"
	OtherScope   Reason = "OTHER_SCOPE"
	// Older: its number is below one that was accepted before.
	Older   Reason = "OLDER"
	BadBook Reason = "BAD_BOOK"
	// UntrustedKey: signed by a key that the key list does not name for this.
	UntrustedKey Reason = "UNTRUSTED_KEY"
	// RevokedKey: signed by a key that must never be trusted again.
	RevokedKey Reason = "REVOKED_KEY"
	// BelowThreshold: a key list with too few signatures of root keys.
	BelowThreshold Reason = "BELOW_THRESHOLD"
	// Gap: a list in between is missing; fetch that one first.
	Gap Reason = "GAP"
	// Conflict: the same number with other bytes.
	Conflict Reason = "CONFLICT"
	// WrongDigest: the assignment names this number with other bytes.
	WrongDigest Reason = "WRONG_DIGEST"
	// NotAssigned: the assignment does not name it.
	NotAssigned Reason = "NOT_ASSIGNED"
	// WrongNonce: an old standing sent again.
	WrongNonce Reason = "WRONG_NONCE"
	// OtherSite: made for another site or station.
	OtherSite Reason = "OTHER_SITE"
)

// Refusal is the error for a document that must not be followed.
type Refusal struct {
	// Number of the document, 0 where the bytes could not be trusted so far.
	Number uint64
	// Kind of the document, such as "key list"; empty for a release.
	Kind   string
	Reason Reason
	Detail string
}

func (r *Refusal) Error() string {
	kind := r.Kind
	if kind == "" {
		kind = "release"
	}
	if r.Number == 0 {
		return fmt.Sprintf("%s refused (%s): %s", kind, r.Reason, r.Detail)
	}
	return fmt.Sprintf("%s %d refused (%s): %s", kind, r.Number, r.Reason, r.Detail)
}
