package govern

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"time"
)

// requestLife is how long a request id is remembered, in act time.
const requestLife = 7 * 24 * time.Hour

// tables is all that a State holds; its JSON form is the snapshot.
type tables struct {
	// Number and At of the last act.
	Number uint64    `json:"number"`
	At     time.Time `json:"at"`

	People   map[string]*Person  `json:"people,omitempty"`
	Sites    map[string]*Site    `json:"sites,omitempty"`
	Drafts   map[string]*Draft   `json:"drafts,omitempty"`
	Overlays map[string]*Overlay `json:"overlays,omitempty"`

	Editions    map[uint64]*Edition `json:"editions,omitempty"`
	Newest      uint64              `json:"newest,omitempty"`
	Releases    map[uint64]*Release `json:"releases,omitempty"`
	LastRelease uint64              `json:"last_release,omitempty"`
	Rollouts    map[uint64]*Rollout `json:"rollouts,omitempty"`

	Follows map[string]*follows `json:"follows,omitempty"`
	Direct  map[string][]Order  `json:"direct,omitempty"`

	// Stations by "site/station".
	Stations map[string]*Station `json:"stations,omitempty"`

	Stops       map[string]*Stop `json:"stops,omitempty"`
	StopCount   uint64           `json:"stop_count,omitempty"`
	StopVersion uint64           `json:"stop_version,omitempty"`

	Training map[uint64]*training `json:"training,omitempty"`
	Keys     []KeyListAccepted    `json:"keys,omitempty"`
	// SigningKeys are the labels of those made here, by ID.
	SigningKeys map[string]string `json:"signing_keys,omitempty"`

	Requests []answered `json:"requests,omitempty"`
}

type answered struct {
	ID     string    `json:"id"`
	Digest Digest    `json:"digest"`
	Act    uint64    `json:"act"`
	At     time.Time `json:"at"`
}

// State is what the acts so far add up to.
type State struct {
	t        tables
	requests map[string]answered
}

// New is the state before the first act: an unclaimed installation.
func New() *State {
	s := &State{requests: map[string]answered{}}
	s.t.fill()
	return s
}

// fill makes the maps that a snapshot leaves out when they are empty.
func (t *tables) fill() {
	made(&t.People)
	made(&t.Sites)
	made(&t.Drafts)
	made(&t.Overlays)
	made(&t.Editions)
	made(&t.Releases)
	made(&t.Rollouts)
	made(&t.Follows)
	made(&t.Stations)
	made(&t.SigningKeys)
	made(&t.Direct)
	made(&t.Stops)
	made(&t.Training)
}

func made[K comparable, V any](m *map[K]V) {
	if *m == nil {
		*m = map[K]V{}
	}
}

// Number is that of the last act applied.
func (s *State) Number() uint64 { return s.t.Number }

// At is the time of the last act.
func (s *State) At() time.Time { return s.t.At }

// Apply takes the next act. It never fails for what a decision on this very
// state returned.
func (s *State) Apply(a Act) error {
	if a.Number != s.t.Number+1 {
		return fmt.Errorf("act %d cannot follow act %d", a.Number, s.t.Number)
	}
	if a.At.Before(s.t.At) {
		return fmt.Errorf("act %d is of %s, before the act before it, %s", a.Number, a.At.Format(time.RFC3339Nano), s.t.At.Format(time.RFC3339Nano))
	}
	if err := a.Body.apply(s, &a); err != nil {
		return fmt.Errorf("apply act %d (%s): %w", a.Number, a.Kind(), err)
	}
	s.t.Number, s.t.At = a.Number, a.At
	s.remember(a)
	return nil
}

func (s *State) remember(a Act) {
	for len(s.t.Requests) > 0 && s.t.Requests[0].At.Before(a.At.Add(-requestLife)) {
		delete(s.requests, s.t.Requests[0].ID)
		s.t.Requests = s.t.Requests[1:]
	}
	if a.Request != nil {
		r := answered{ID: a.Request.ID, Digest: a.Request.Digest, Act: a.Number, At: a.At}
		s.t.Requests = append(s.t.Requests, r)
		s.requests[r.ID] = r
	}
}

// Answered tells which act was the first that answered a request id, and the
// digest of what was asked. It is remembered for 7 days of act time.
func (s *State) Answered(requestID string) (act uint64, digest Digest, ok bool) {
	r, ok := s.requests[requestID]
	return r.Act, r.Digest, ok
}

// Snapshot gives the whole state as JSON, the same bytes for the same state.
func (s *State) Snapshot() ([]byte, error) {
	b, err := json.Marshal(&s.t)
	if err != nil {
		return nil, fmt.Errorf("snapshot after act %d: %w", s.t.Number, err)
	}
	return b, nil
}

// Restore reads a snapshot; acts from Number()+1 on are then to be applied. An
// unknown field is an error, since an older version would drop it.
func Restore(snapshot []byte) (*State, error) {
	s := New()
	d := json.NewDecoder(bytes.NewReader(snapshot))
	d.DisallowUnknownFields()
	if err := d.Decode(&s.t); err != nil {
		return nil, fmt.Errorf("restore a snapshot: %w; replay the record instead", err)
	}
	s.t.fill()
	for _, v := range s.t.Stations {
		if v.Placed == 0 {
			return nil, fmt.Errorf("restore a snapshot: station %s of %s was placed by no act, so an earlier version wrote it; replay the record instead", v.Station, v.Site)
		}
	}
	for _, r := range s.t.Requests {
		s.requests[r.ID] = r
	}
	return s, nil
}

// stamp is the time that an act of this call gets: a clock that was set back
// does not turn the record's order around.
func (s *State) stamp(c Call) time.Time {
	at := c.At.UTC().Truncate(time.Microsecond)
	if at.Before(s.t.At) {
		return s.t.At
	}
	return at
}

// acts numbers the bodies of one decision.
func (s *State) acts(c Call, list ...Body) []Act {
	out := make([]Act, len(list))
	for i, b := range list {
		out[i] = Act{Number: s.t.Number + uint64(i) + 1, At: s.stamp(c), By: c.Actor.Person, Name: c.Actor.Name, Body: b,
			Unclaimed: s.unclaimedCall(c)}
		if i == 0 && c.RequestID != "" {
			out[i].Request = &Request{ID: c.RequestID, Digest: c.RequestDigest}
		}
	}
	return out
}

// Claimed reports whether a person was ever added. Before, everything is
// allowed to the local caller.
func (s *State) Claimed() bool { return len(s.t.People) > 0 }

func (s *State) unclaimedCall(c Call) bool {
	return !s.Claimed() && c.Actor.Person == Local && !c.Actor.System && !c.Actor.Station
}

// may refuses a call that was answered, and one by somebody without any of the
// roles. With no roles named, every person but a mere auditor may.
func (s *State) may(c Call, what string, roles ...Role) error {
	if err := s.fresh(c); err != nil {
		return err
	}
	a := c.Actor
	switch {
	case a.System || a.Station || a.Person == "":
		return refuse(PermissionDenied, "PERSON_NEEDED", "", "%s is always a person's act; call with a person's token", what)
	case s.unclaimedCall(c):
		return nil
	case !s.Claimed() || a.Person == Local:
		return refuse(PermissionDenied, "NOT_ALLOWED", "", "%q may not %s: call with a person's token", a.Person, what)
	}
	if p := s.t.People[a.Person]; p != nil && p.Disabled {
		return refuse(PermissionDenied, "PERSON_DISABLED", "", "%s was disabled; ask an administrator", a.Person)
	}
	for _, r := range a.Roles {
		if slices.Contains(roles, r) || len(roles) == 0 && r != Auditor {
			return nil
		}
	}
	return refuse(PermissionDenied, "ROLE_MISSING", "", "%s may not %s: it needs %s; ask an administrator", a.Person, what, orList(roles))
}

// fresh is the backstop for a caller that did not ask Answered.
func (s *State) fresh(c Call) error {
	if r, ok := s.requests[c.RequestID]; ok && c.RequestID != "" {
		if r.Digest != c.RequestDigest {
			return refuse(AlreadyExists, "REQUEST_REUSED", "request_id", "is %s, which stands for another request (act %d); use a fresh UUID for each", c.RequestID, r.Act)
		}
		return refuse(AlreadyExists, "REQUEST_ANSWERED", "request_id", "is %s, which was answered by act %d", c.RequestID, r.Act)
	}
	return nil
}

func orList(roles []Role) string {
	if len(roles) == 0 {
		return "a role other than auditor"
	}
	out := "the role " + string(roles[0])
	for i, r := range roles[1:] {
		if i == len(roles)-2 {
			out += " or " + string(r)
		} else {
			out += ", " + string(r)
		}
	}
	return out
}
