package govern

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"
)

// StopKind is what a stop forbids.
type StopKind string

// The kinds of stops.
const (
	StopDrink      StopKind = "drink"
	StopIngredient StopKind = "ingredient"
	StopLot        StopKind = "lot"
)

// StopState is how a stop stands.
type StopState string

// The states of a stop.
const (
	StopIsOpen      StopState = "OPEN"
	StopIsAsked     StopState = "LIFT_ASKED"
	StopIsLifted    StopState = "LIFTED"
	escalateLead              = 15 * time.Minute
	escalateManager           = 30 * time.Minute
	escalateOffice            = 60 * time.Minute
)

// Stop forbids something now, whatever the book says.
type Stop struct {
	ID     string   `json:"id"`
	Kind   StopKind `json:"kind"`
	Target string   `json:"target"`
	// Scopes it holds for, sorted.
	Scopes      []string  `json:"scopes"`
	Reason      string    `json:"reason"`
	Instruction string    `json:"instruction,omitempty"`
	Created     time.Time `json:"created"`
	Author      string    `json:"author"`
	State       StopState `json:"state"`
	LiftAskedBy string    `json:"lift_asked_by,omitempty"`
	LiftedBy    string    `json:"lifted_by,omitempty"`
	Lifted      time.Time `json:"lifted,omitzero"`
	LiftReason  string    `json:"lift_reason,omitempty"`
	// Acks by site while it is open; once lifted, only how many there were.
	Acks     map[string]StopAck `json:"acks,omitempty"`
	AckCount int                `json:"ack_count,omitempty"`
	Touched
}

// StopAck is a site's acknowledgement.
type StopAck struct {
	Person string    `json:"person"`
	At     time.Time `json:"at"`
	Note   string    `json:"note,omitempty"`
}

// StopSite is how a site stands with a stop.
type StopSite struct {
	Site string
	// Ack is nil while nobody there acknowledged.
	Ack *StopAck
	// Escalation, while nobody did: 0 before 15 minutes, 1 (store manager) from
	// 15, 2 (area manager) from 30, 3 (head office) from 60.
	Escalation int
}

func copyStop(v *Stop) Stop {
	out := *v
	out.Acks = maps.Clone(v.Acks)
	return out
}

// Stop finds one by its id.
func (s *State) Stop(id string) (Stop, bool) {
	if v := s.t.Stops[id]; v != nil {
		return copyStop(v), true
	}
	return Stop{}, false
}

// Stops lists all, newest first.
func (s *State) Stops() []Stop {
	var out []Stop
	for _, v := range s.t.Stops {
		out = append(out, copyStop(v))
	}
	slices.SortFunc(out, func(a, b Stop) int { return cmp.Compare(stopNumber(b.ID), stopNumber(a.ID)) })
	return out
}

func stopNumber(id string) uint64 {
	n, _ := strconv.ParseUint(id, 10, 64)
	return n
}

// StopList is what stations hold: the stops that are not lifted, oldest first,
// under a version that rises exactly when that changes.
func (s *State) StopList() (version uint64, stops []Stop) {
	for _, v := range slices.Backward(s.Stops()) {
		if v.State != StopIsLifted {
			stops = append(stops, v)
		}
	}
	return s.t.StopVersion, stops
}

// StopsFor lists the stops that hold at a site, oldest first.
func (s *State) StopsFor(site string) (out []Stop) {
	_, all := s.StopList()
	for _, v := range all {
		if s.holdsAt(v, site) {
			out = append(out, v)
		}
	}
	return out
}

func (s *State) holdsAt(v Stop, site string) bool {
	return slices.ContainsFunc(s.scopes(site), func(scope string) bool { return slices.Contains(v.Scopes, scope) })
}

// StopSites tells how each site that a stop holds for stands at now, by site;
// nil once it is lifted.
func (s *State) StopSites(id string, now time.Time) (out []StopSite) {
	v := s.t.Stops[id]
	if v == nil || v.State == StopIsLifted {
		return nil
	}
	for _, site := range s.Sites() {
		if !s.holdsAt(*v, site.ID) {
			continue
		}
		one := StopSite{Site: site.ID}
		if a, ok := v.Acks[site.ID]; ok {
			one.Ack = &a
		} else {
			one.Escalation = escalation(now.Sub(v.Created))
		}
		out = append(out, one)
	}
	return out
}

func escalation(age time.Duration) (level int) {
	for _, d := range []time.Duration{escalateLead, escalateManager, escalateOffice} {
		if age >= d {
			level++
		}
	}
	return level
}

// StopOrdered stops something.
type StopOrdered struct {
	Stop        string   `json:"stop"`
	StopKind    StopKind `json:"stop_kind"`
	Target      string   `json:"target"`
	Scopes      []string `json:"scopes"`
	Reason      string   `json:"reason"`
	Instruction string   `json:"instruction,omitempty"`
	Touched
}

func (*StopOrdered) kind() string { return "stop.ordered" }

func (b *StopOrdered) tell() string {
	return fmt.Sprintf("stopped %s %s in %s (stop %s): %q", b.StopKind, b.Target, scopesWords(b.Scopes), b.Stop, b.Reason)
}

func scopesWords(scopes []string) string {
	out := make([]string, len(scopes))
	for i, v := range scopes {
		out[i] = scopeWords(v)
	}
	return strings.Join(out, ", ")
}

func (b *StopOrdered) apply(s *State, a *Act) error {
	if s.t.Stops[b.Stop] != nil {
		return fmt.Errorf("stop %q exists", b.Stop)
	}
	s.t.Stops[b.Stop] = &Stop{ID: b.Stop, Kind: b.StopKind, Target: b.Target, Scopes: b.Scopes, Reason: b.Reason, Instruction: b.Instruction,
		Created: a.At, Author: a.By, State: StopIsOpen, Touched: b.Touched}
	s.t.StopCount++
	s.t.StopVersion++
	return nil
}

// StopAcknowledged names who at a site saw a stop.
type StopAcknowledged struct {
	Stop   string `json:"stop"`
	Site   string `json:"site"`
	Person string `json:"person"`
	Note   string `json:"note,omitempty"`
	// Seen is when the person saw it, where a station told later.
	Seen time.Time `json:"seen"`
}

func (*StopAcknowledged) kind() string { return "stop.acknowledged" }

func (b *StopAcknowledged) tell() string {
	return fmt.Sprintf("took stop %s as seen at %s by %s", b.Stop, b.Site, b.Person)
}

func (b *StopAcknowledged) apply(s *State, _ *Act) error {
	v, err := s.stop(b.Stop)
	if err != nil {
		return err
	}
	made(&v.Acks)
	v.Acks[b.Site] = StopAck{Person: b.Person, At: b.Seen, Note: b.Note}
	return nil
}

// StopLiftAsked is the first person's word.
type StopLiftAsked struct {
	Stop   string `json:"stop"`
	Reason string `json:"reason"`
	Touched
}

func (*StopLiftAsked) kind() string { return "stop.lift_asked" }

func (b *StopLiftAsked) tell() string {
	return fmt.Sprintf("asked to lift stop %s: %q; a second person must agree", b.Stop, b.Reason)
}

func (b *StopLiftAsked) apply(s *State, a *Act) error {
	v, err := s.stop(b.Stop)
	if err != nil {
		return err
	}
	v.State, v.LiftAskedBy, v.LiftReason = StopIsAsked, a.By, b.Reason
	return nil
}

// StopLifted is the second person's.
type StopLifted struct {
	Stop    string `json:"stop"`
	Reason  string `json:"reason,omitempty"`
	AskedBy string `json:"asked_by"`
	Touched
}

func (*StopLifted) kind() string { return "stop.lifted" }

func (b *StopLifted) tell() string {
	return fmt.Sprintf("lifted stop %s, as %s had asked", b.Stop, b.AskedBy)
}

func (b *StopLifted) apply(s *State, a *Act) error {
	v, err := s.stop(b.Stop)
	if err != nil {
		return err
	}
	v.State, v.LiftedBy, v.Lifted = StopIsLifted, a.By, a.At
	if b.Reason != "" {
		v.LiftReason = b.Reason
	}
	v.AckCount, v.Acks = len(v.Acks), nil
	s.t.StopVersion++
	return nil
}

func (s *State) stop(id string) (*Stop, error) {
	if v := s.t.Stops[id]; v != nil {
		return v, nil
	}
	return nil, refuse(NotFound, "STOP_NOT_FOUND", "name", "there is no stop %.80q; list the stops to see their numbers", id)
}

// NewStop is what OrderStop takes.
type NewStop struct {
	Kind   StopKind
	Target string
	// Scopes; empty means the whole chain.
	Scopes      []string
	Reason      string
	Instruction string
	// Touched names the drinks that it takes off.
	Touched
}

// OrderStop needs one person and takes effect at once.
func (s *State) OrderStop(c Call, q NewStop) ([]Act, error) {
	if err := s.may(c, "order a stop"); err != nil {
		return nil, err
	}
	scopes := slices.Compact(slices.Sorted(slices.Values(q.Scopes)))
	if len(scopes) == 0 {
		scopes = []string{"chain"}
	}
	for _, scope := range scopes {
		if err := s.scopeKnown("scopes", scope); err != nil {
			return nil, err
		}
	}
	switch {
	case q.Kind != StopDrink && q.Kind != StopIngredient && q.Kind != StopLot:
		return nil, bad("kind", "is %.40q; write drink, ingredient or lot", q.Kind)
	case strings.TrimSpace(q.Target) == "":
		return nil, bad("target", "is empty; name the %s", q.Kind)
	case strings.TrimSpace(q.Reason) == "":
		return nil, noReason("stop a " + string(q.Kind))
	}
	return s.acts(c, &StopOrdered{Stop: strconv.FormatUint(s.t.StopCount+1, 10), StopKind: q.Kind, Target: q.Target, Scopes: scopes,
		Reason: q.Reason, Instruction: q.Instruction, Touched: q.Touched}), nil
}

// StopSeen is what AcknowledgeStop takes.
type StopSeen struct {
	Stop, Site, Person, Note string
	// Seen is when, zero for now.
	Seen time.Time
}

// AcknowledgeStop takes the first named person of each site; later ones, and
// those of a stop that was lifted meanwhile, give no act. A station speaks for
// its own site only.
func (s *State) AcknowledgeStop(c Call, q StopSeen) ([]Act, error) {
	if err := s.mayAt(c, "acknowledge a stop", q.Site); err != nil {
		return nil, err
	}
	v, err := s.stop(q.Stop)
	switch {
	case err != nil:
		return nil, err
	case strings.TrimSpace(q.Person) == "":
		return nil, bad("person", "is empty; name who at the site saw it")
	case !s.holdsAt(*v, q.Site):
		return nil, blocked("STOP_ELSEWHERE", "site", "stop %s does not hold at %s; name a site that it holds for", v.ID, q.Site)
	case v.State == StopIsLifted || v.Acks[q.Site].Person != "":
		return nil, nil
	}
	at := s.stamp(c)
	seen := q.Seen.UTC().Truncate(time.Microsecond)
	if q.Seen.IsZero() || seen.After(at) {
		seen = at
	}
	return s.acts(c, &StopAcknowledged{Stop: v.ID, Site: q.Site, Person: q.Person, Note: q.Note, Seen: later(seen, v.Created)}), nil
}

// mayAt lets a station act for its own site, and a person for any.
func (s *State) mayAt(c Call, what, site string) error {
	if s.t.Sites[site] == nil {
		return noSite("site", site)
	}
	if !c.Actor.Station {
		return s.may(c, what)
	}
	if c.Actor.Site != site {
		return refuse(PermissionDenied, "OTHER_SITE", "site", "is %q, and %s speaks for %s only", site, c.Actor.Person, c.Actor.Site)
	}
	return s.fresh(c)
}

// LiftStop by one person asks for it, by a second one lifts it.
func (s *State) LiftStop(c Call, id, reason string) ([]Act, error) {
	if err := s.may(c, "lift a stop", FleetManager, FoodSafety, QualityLead, Approver); err != nil {
		return nil, err
	}
	v, err := s.stop(id)
	switch {
	case err != nil:
		return nil, err
	case v.State == StopIsLifted:
		return nil, blocked("STOP_LIFTED", "name", "stop %s was lifted by %s already", id, v.LiftedBy)
	case v.State == StopIsOpen && strings.TrimSpace(reason) == "":
		return nil, noReason("lift a stop")
	case v.State == StopIsOpen:
		return s.acts(c, &StopLiftAsked{Stop: id, Reason: reason, Touched: v.Touched}), nil
	case v.LiftAskedBy == c.Actor.Person && !s.unclaimedCall(c):
		return nil, blocked("LIFT_NEEDS_SECOND", "name", "%s asked for stop %s to be lifted; a second person must agree, with a token of their own", v.LiftAskedBy, v.ID)
	}
	return s.acts(c, &StopLifted{Stop: id, Reason: reason, AskedBy: v.LiftAskedBy, Touched: v.Touched}), nil
}
