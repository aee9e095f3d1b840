package release

import (
	"bytes"
	"fmt"
	"strings"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// Admit decides whether a release may be held: the assignment names it with
// these very bytes, for a scope of the site, and it is not older than what was
// once in force there. It returns the last order that names it, and changes
// nothing. The error is always a *Refusal.
func (t *Trust) Admit(v *Verified, a *Assigned, scopes []string) (*pb.Order, error) {
	no := func(reason Reason, format string, args ...any) (*pb.Order, error) {
		return nil, &Refusal{Number: v.Release.Number, Reason: reason, Detail: fmt.Sprintf(format, args...)}
	}
	switch {
	case len(v.signers) == 0:
		return no(BadSignature, "it was not verified against a key list")
	case t.Dropped(v.Keys):
		return no(RevokedKey, "signed by keys that are revoked by now: %s", strings.Join(v.Keys, ", "))
	case t.Dropped(a.Keys):
		return no(RevokedKey, "assignment %d was signed by keys that are revoked by now: %s", a.Assignment.Serial, strings.Join(a.Keys, ", "))
	}
	var order *pb.Order
	for _, o := range a.Assignment.Orders {
		if o.Release == v.Release.Number {
			order = o
		}
	}
	switch {
	case order == nil:
		return no(NotAssigned, "assignment %d of %s does not name it", a.Assignment.Serial, a.Assignment.Site)
	case !bytes.Equal(order.Digest, v.Digest[:]):
		return no(WrongDigest, "assignment %d names other bytes under this number: %x, and these are %x", a.Assignment.Serial, order.Digest, v.Digest)
	case order.Scope != v.Release.Scope:
		return no(WrongDigest, "assignment %d names it for %s, and it is for %s", a.Assignment.Serial, order.Scope, v.Release.Scope)
	}
	if !contains(scopes, v.Release.Scope) {
		return no(OtherScope, "it is for %s, and this station follows %s", v.Release.Scope, strings.Join(scopes, ", "))
	}
	floor := t.releases[v.Release.Scope]
	switch floor.check(v.Release.Number, v.Digest[:]) {
	case Older:
		return no(Older, "release %d was in force for %s already; numbers only rise, and a roll-back is a new number with old content", floor.top().Number, v.Release.Scope)
	case Conflict:
		return no(Conflict, "release %d was in force for %s with other bytes", v.Release.Number, v.Release.Scope)
	}
	return order, nil
}

// Follow is Admit for the moment when a release comes into force: it must be
// the one that the assignment puts in force at now. From then on nothing
// before it is followed for its scope. A release that is only held for later
// raises no floor, so that the centre can still call it off.
func (t *Trust) Follow(v *Verified, a *Assigned, scopes []string, now time.Time) (*pb.Order, error) {
	if _, err := t.Admit(v, a, scopes); err != nil {
		return nil, err
	}
	in := a.InForce(now)
	if in == nil || in.Release != v.Release.Number {
		return nil, &Refusal{Number: v.Release.Number, Reason: NotAssigned, Detail: fmt.Sprintf("assignment %d does not put it in force yet, or no longer", a.Assignment.Serial)}
	}
	if t.releases[v.Release.Scope] == nil {
		t.releases[v.Release.Scope] = marks{}
	}
	t.releases[v.Release.Scope].raise(v.signers, mark{Number: v.Release.Number, Digest: v.Digest[:]})
	return in, nil
}

func contains(list []string, s string) bool {
	for _, x := range list {
		if x == s {
			return true
		}
	}
	return false
}

// forget drops all that a revoked key raised, and says what it was.
func (t *Trust) forget(k keyHex) (said []string) {
	for site, m := range t.assignments {
		if x, ok := m[k]; ok {
			delete(m, k)
			said = append(said, fmt.Sprintf("assignment serial of %s: %d, now %d", site, x.Number, m.top().Number))
		}
	}
	for station, m := range t.placements {
		if x, ok := m[k]; ok {
			delete(m, k)
			said = append(said, fmt.Sprintf("placement of %s: %d, now %d", station, x.Number, m.top().Number))
		}
	}
	for scope, m := range t.releases {
		if x, ok := m[k]; ok {
			delete(m, k)
			said = append(said, fmt.Sprintf("release number for %s: %d, now %d", scope, x.Number, m.top().Number))
		}
	}
	if x, ok := t.stops[k]; ok {
		delete(t.stops, k)
		said = append(said, fmt.Sprintf("stop list version: %d, now %d", x.Number, t.stops.top().Number))
	}
	if _, ok := t.heard[k]; ok {
		delete(t.heard, k)
		said = append(said, "what the centre last said to this station")
	}
	return said
}

// Floor is the highest assignment serial, stop list version and, by scope,
// release number that are accepted; 0 for none.
func (t *Trust) Floor(site string) (assignment, stopList uint64, releases map[string]uint64) {
	releases = map[string]uint64{}
	for scope, m := range t.releases {
		if n := m.top().Number; n > 0 {
			releases[scope] = n
		}
	}
	return t.assignments[site].top().Number, t.stops.top().Number, releases
}
