package govern

import (
	"fmt"
	"strings"
)

// PersonRecovered gives a person a new token where the old one was lost, on the
// word of whoever has the authority's data directory in their hands.
type PersonRecovered struct {
	Person    string `json:"person"`
	Name      string `json:"name"`
	TokenHash Digest `json:"token_hash"`
	// OSUser is who the operating system says did it; may be empty.
	OSUser string `json:"os_user,omitempty"`
}

func (*PersonRecovered) kind() string { return "person.recovered" }

func (b *PersonRecovered) tell() string {
	out := fmt.Sprintf("recovered %s (%s) on this machine with a new token; every earlier one ended", b.Name, b.Person)
	if b.OSUser != "" {
		out += "; done by the system's user " + b.OSUser
	}
	return out
}

func (b *PersonRecovered) apply(s *State, _ *Act) error {
	p := s.t.People[b.Person]
	if p == nil {
		return fmt.Errorf("no person %q", b.Person)
	}
	p.TokenHash = b.TokenHash
	return nil
}

// RecoverPerson is refused to everybody but Machine. A person who was disabled
// stays so: recover an administrator, who may add another.
func (s *State) RecoverPerson(c Call, id string, token Digest, osUser string) ([]Act, error) {
	p := s.t.People[id]
	switch {
	case c.Actor.Person != Machine || !c.Actor.System:
		return nil, refuse(PermissionDenied, "NOT_ALLOWED", "", "%q may not recover a person; that is done on the authority's own machine", c.Actor.Person)
	case !s.Claimed():
		return nil, blocked("UNCLAIMED", "", "nobody was added as a person yet, so there is nothing to recover; add the first one, an administrator, while the authority runs")
	case p == nil:
		return nil, refuse(NotFound, "PERSON_NOT_FOUND", "name", "there is no person %.80q; the administrators are %s", id, s.administratorNames())
	case p.Disabled:
		return nil, blocked("PERSON_DISABLED", "name", "%s was disabled for good; recover one of the administrators, %s", id, s.administratorNames())
	case token == (Digest{}):
		return nil, bad("token", "is missing; this is a fault of the caller, which makes it")
	}
	return s.acts(c, &PersonRecovered{Person: p.ID, Name: p.Name, TokenHash: token, OSUser: osUser}), nil
}

func (s *State) administratorNames() string {
	var out []string
	for _, p := range s.People() {
		if s.administers(&p) {
			out = append(out, p.ID)
		}
	}
	return strings.Join(out, ", ")
}
