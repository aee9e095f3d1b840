package govern

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Person is somebody at head office.
type Person struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Roles []Role `json:"roles"`
	// TokenHash is all that is kept of the person's token.
	TokenHash Digest    `json:"token_hash"`
	Disabled  bool      `json:"disabled,omitempty"`
	Created   time.Time `json:"created"`
}

// Person finds one by id.
func (s *State) Person(id string) (Person, bool) { return get(s.t.People, id) }

// People lists them by id.
func (s *State) People() []Person { return list(s.t.People) }

// ActorByToken finds who a token's hash belongs to; disabled people are not
// found.
func (s *State) ActorByToken(hash Digest) (Actor, bool) {
	for _, p := range s.t.People {
		if p.TokenHash == hash && !p.Disabled && hash != (Digest{}) {
			return Actor{Person: p.ID, Name: p.Name, Roles: p.Roles}, true
		}
	}
	return Actor{}, false
}

func get[K comparable, V any](m map[K]*V, k K) (V, bool) {
	if v := m[k]; v != nil {
		return *v, true
	}
	var none V
	return none, false
}

func list[K cmp.Ordered, V any](m map[K]*V) []V {
	out := make([]V, 0, len(m))
	for _, k := range slices.Sorted(maps.Keys(m)) {
		out = append(out, *m[k])
	}
	return out
}

// PersonAdded adds a person.
type PersonAdded struct {
	Person    string `json:"person"`
	Name      string `json:"name"`
	Roles     []Role `json:"roles"`
	TokenHash Digest `json:"token_hash"`
}

func (*PersonAdded) kind() string { return "person.added" }

func (b *PersonAdded) tell() string {
	return fmt.Sprintf("added %s (%s) as %s", b.Name, b.Person, roleNames(b.Roles))
}

func (b *PersonAdded) apply(s *State, a *Act) error {
	if s.t.People[b.Person] != nil {
		return fmt.Errorf("person %q exists", b.Person)
	}
	s.t.People[b.Person] = &Person{ID: b.Person, Name: b.Name, Roles: b.Roles, TokenHash: b.TokenHash, Created: a.At}
	return nil
}

// PersonChanged gives a person other roles, a new token, or no access.
type PersonChanged struct {
	Person string `json:"person"`
	Name   string `json:"name"`
	// Roles replace those held when not empty.
	Roles []Role `json:"roles,omitempty"`
	// TokenHash replaces the one held when set.
	TokenHash *Digest `json:"token_hash,omitempty"`
	Disabled  bool    `json:"disabled,omitempty"`
}

func (*PersonChanged) kind() string { return "person.changed" }

func (b *PersonChanged) tell() string {
	var what []string
	if len(b.Roles) > 0 {
		what = append(what, fmt.Sprintf("made %s %s", b.Name, roleNames(b.Roles)))
	}
	if b.TokenHash != nil {
		what = append(what, fmt.Sprintf("gave %s a new token", b.Name))
	}
	if b.Disabled {
		what = append(what, "disabled "+b.Name)
	}
	return strings.Join(what, " and ")
}

func (b *PersonChanged) apply(s *State, _ *Act) error {
	p := s.t.People[b.Person]
	if p == nil {
		return fmt.Errorf("no person %q", b.Person)
	}
	if len(b.Roles) > 0 {
		p.Roles = b.Roles
	}
	if b.TokenHash != nil {
		p.TokenHash = *b.TokenHash
	}
	p.Disabled = p.Disabled || b.Disabled
	return nil
}

func roleNames(roles []Role) string {
	names := make([]string, len(roles))
	for i, r := range roles {
		names[i] = string(r)
	}
	return strings.Join(names, ", ")
}

func normalRoles(roles []Role) ([]Role, error) {
	out := slices.Compact(slices.Sorted(slices.Values(roles)))
	for _, r := range out {
		if !slices.Contains(Roles(), r) {
			return nil, bad("roles", "holds %.40q; the roles are %s", r, roleNames(Roles()))
		}
	}
	return out, nil
}

// NewPerson is what AddPerson takes.
type NewPerson struct {
	ID, Name  string
	Roles     []Role
	TokenHash Digest
}

// AddPerson adds a person. The first one claims the installation and must be
// an administrator, or nobody could ever add another.
func (s *State) AddPerson(c Call, p NewPerson) ([]Act, error) {
	if err := s.may(c, "add people", Administrator); err != nil {
		return nil, err
	}
	if err := wantSlug("person_id", p.ID); err != nil {
		return nil, err
	}
	roles, err := normalRoles(p.Roles)
	switch {
	case err != nil:
		return nil, err
	case p.ID == Local || p.ID == Authority || p.ID == Machine:
		return nil, bad("person_id", "is %q, which stands for the system; choose another", p.ID)
	case s.t.People[p.ID] != nil:
		return nil, refuse(AlreadyExists, "PERSON_EXISTS", "person_id", "is %q, and there is such a person already; change them, or choose another id", p.ID)
	case len(roles) == 0:
		return nil, bad("roles", "is empty; name at least one of %s", roleNames(Roles()))
	case p.TokenHash == (Digest{}):
		return nil, bad("token", "is missing; this is a fault of the caller, which makes it")
	case !s.Claimed() && !slices.Contains(roles, Administrator):
		return nil, blocked("FIRST_MUST_ADMINISTER", "roles", "the first person must have the role administrator, or nobody could add the next")
	}
	if p.Name == "" {
		p.Name = p.ID
	}
	return s.acts(c, &PersonAdded{Person: p.ID, Name: p.Name, Roles: roles, TokenHash: p.TokenHash}), nil
}

// PersonChange is what ChangePerson takes.
type PersonChange struct {
	ID string
	// Roles replace those held when not empty.
	Roles   []Role
	Disable bool
	// TokenHash of a new token; zero keeps the old one.
	TokenHash Digest
}

// ChangePerson is for administrators; a person may renew their own token.
func (s *State) ChangePerson(c Call, q PersonChange) ([]Act, error) {
	own := q.ID == c.Actor.Person && len(q.Roles) == 0 && !q.Disable
	roles := []Role{Administrator}
	if own {
		roles = Roles()
	}
	if err := s.may(c, "change people", roles...); err != nil {
		return nil, err
	}
	p := s.t.People[q.ID]
	if p == nil {
		return nil, refuse(NotFound, "PERSON_NOT_FOUND", "name", "there is no person %.80q; list the people to see their ids", q.ID)
	}
	next, err := normalRoles(q.Roles)
	if err != nil {
		return nil, err
	}
	b := &PersonChanged{Person: p.ID, Name: p.Name, Disabled: q.Disable && !p.Disabled}
	if len(next) > 0 && !slices.Equal(next, p.Roles) {
		b.Roles = next
	}
	if q.TokenHash != (Digest{}) && q.TokenHash != p.TokenHash {
		b.TokenHash = &q.TokenHash
	}
	if len(b.Roles) == 0 && b.TokenHash == nil && !b.Disabled {
		return nil, nil
	}
	loses := b.Disabled || len(b.Roles) > 0 && !slices.Contains(b.Roles, Administrator)
	if loses && s.administers(p) && s.administrators() == 1 {
		return nil, blocked("LAST_ADMINISTRATOR", "name", "%s is the last administrator; make somebody else one first", p.ID)
	}
	return s.acts(c, b), nil
}

func (s *State) administers(p *Person) bool {
	return !p.Disabled && slices.Contains(p.Roles, Administrator)
}

func (s *State) administrators() (n int) {
	for _, p := range s.t.People {
		if s.administers(p) {
			n++
		}
	}
	return n
}
