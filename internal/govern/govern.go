// Package govern answers: who may change what every counter does, and what did
// they change?
//
// It is the authority's memory, event-sourced and pure: a State is built by
// applying Acts in their order, and a decision is a method on State that
// returns the acts to append or says why it refuses. Nothing here reads a
// clock, a disk or a network; the caller stores the acts of one decision in
// one transaction and then applies them. Each act becomes one entry of
// internal/record.
//
// A State is not safe for concurrent use. What its getters return is a copy in
// its fields, and its slices are never changed afterwards.
package govern

import (
	"encoding/hex"
	"fmt"
	"regexp"
	"strings"
	"time"
)

// Role is what a person may do.
type Role string

// The roles.
const (
	Author        Role = "author"
	Approver      Role = "approver"
	FoodSafety    Role = "food-safety"
	FleetManager  Role = "fleet-manager"
	QualityLead   Role = "quality-lead"
	Auditor       Role = "auditor"
	Administrator Role = "administrator"
)

// Roles lists them all.
func Roles() []Role {
	return []Role{Author, Approver, FoodSafety, FleetManager, QualityLead, Auditor, Administrator}
}

// Local is the person of an unclaimed installation: whoever calls from its own
// machine while nobody was added.
const Local = "local"

// Authority is the actor of what the system does by itself.
const Authority = "authority"

// Machine is the actor of what was done on the authority's own machine while it
// stood still.
const Machine = "machine"

// MachineActor is whoever may read and write the authority's data directory.
func MachineActor() Actor {
	return Actor{Person: Machine, Name: "Somebody at the authority's own machine", System: true}
}

// Actor is who calls.
type Actor struct {
	// Person is a person's id, Local, "station:<site>/<station>", Authority or
	// Machine.
	Person string
	// Name is shown in the record's sentences; the id where empty.
	Name  string
	Roles []Role
	// Station marks a station, Site its site.
	Station bool
	Site    string
	// System marks the authority itself.
	System bool
}

// SystemActor is the authority itself.
func SystemActor() Actor { return Actor{Person: Authority, Name: "The authority", System: true} }

// StationActor is a station.
func StationActor(site, station string) Actor {
	return Actor{Person: "station:" + site + "/" + station, Station: true, Site: site}
}

// Call is who asks, when, and under which request id.
type Call struct {
	Actor Actor
	At    time.Time
	// RequestID makes the call idempotent; may be empty for system calls.
	RequestID string
	// RequestDigest stands for all that the request asks.
	RequestDigest Digest
}

// Code is the class of a refusal, by the names of gRPC's codes.
type Code string

// The codes that a refusal has.
const (
	InvalidArgument    Code = "INVALID_ARGUMENT"
	NotFound           Code = "NOT_FOUND"
	AlreadyExists      Code = "ALREADY_EXISTS"
	PermissionDenied   Code = "PERMISSION_DENIED"
	FailedPrecondition Code = "FAILED_PRECONDITION"
	Aborted            Code = "ABORTED"
)

// Refused is the error for a decision that is not taken. Nothing changed.
type Refused struct {
	Code Code
	// Reason is UPPER_SNAKE and stable.
	Reason string
	// Field of the request that it is about; may be empty.
	Field string
	// Fields that differ, for ETAG_DIFFERS; those that the draft would take back,
	// for DRAFT_BEHIND; the cautions that are missing, for CAUTION_UNACKNOWLEDGED.
	Fields []string
	// Text says what is wrong, what is allowed and what to do.
	Text string
}

func (r *Refused) Error() string {
	if r.Field != "" {
		return fmt.Sprintf("%s: %s: %s", r.Reason, r.Field, r.Text)
	}
	return r.Reason + ": " + r.Text
}

func refuse(code Code, reason, field, format string, args ...any) *Refused {
	return &Refused{Code: code, Reason: reason, Field: field, Text: fmt.Sprintf(format, args...)}
}

func bad(field, format string, args ...any) *Refused {
	return refuse(InvalidArgument, "BAD_REQUEST", field, format, args...)
}

func blocked(reason, field, format string, args ...any) *Refused {
	return refuse(FailedPrecondition, reason, field, format, args...)
}

// Digest is a SHA-256; hex in JSON, empty for the zero one.
type Digest [32]byte

// MarshalText writes hex.
func (d Digest) MarshalText() ([]byte, error) {
	if d == (Digest{}) {
		return []byte{}, nil
	}
	return []byte(hex.EncodeToString(d[:])), nil
}

// UnmarshalText reads hex.
func (d *Digest) UnmarshalText(b []byte) error {
	if *d = (Digest{}); len(b) == 0 {
		return nil
	}
	if len(b) != 64 {
		return fmt.Errorf("digest %.80q has %d characters; a SHA-256 in hex has 64", b, len(b))
	}
	if _, err := hex.Decode(d[:], b); err != nil {
		return fmt.Errorf("digest %q: %w", b, err)
	}
	return nil
}

func (d Digest) String() string { return hex.EncodeToString(d[:]) }

var slugPattern = regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`)

func isSlug(s string) bool { return len(s) <= 63 && slugPattern.MatchString(s) }

func wantSlug(field, s string) error {
	if isSlug(s) {
		return nil
	}
	return bad(field, "is %.80q; write lower-case letters, digits and single inner hyphens, at most 63", s)
}

// scopeParts splits a scope into its level and name; ok is false where it is
// none.
func scopeParts(scope string) (level, name string, ok bool) {
	if scope == "chain" {
		return "chain", "", true
	}
	level, name, ok = strings.Cut(scope, ".")
	return level, name, ok && (level == "region" || level == "site") && isSlug(name)
}

// scopeKnown refuses a scope that is none or that no site belongs to.
func (s *State) scopeKnown(field, scope string) error {
	level, name, ok := scopeParts(scope)
	if !ok {
		return bad(field, "is %.80q; write chain, region.<region> or site.<site>", scope)
	}
	found := level == "chain"
	if level == "site" {
		_, found = s.t.Sites[name]
	}
	if level == "region" {
		for _, site := range s.t.Sites {
			found = found || site.Region == name
		}
	}
	if !found {
		return blocked("SCOPE_UNKNOWN", field, "is %q, but there is no such %s; add a site there first, or mend the name", scope, level)
	}
	return nil
}
