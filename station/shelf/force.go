package shelf

import (
	"time"

	"samecup.example/samecup/internal/release"
)

// InForce returns the order in force at t: the one that the assignment puts in
// force, or, while that cannot be followed, the last one before it. The release
// of what it returns is held. Nil when there is none.
func (s *Shelf) InForce(t time.Time) *Order {
	v := s.view.Load()
	o, h := last(v.orders, t), last(v.history, t)
	switch {
	case o == nil:
		return h
	case h == nil || o == &v.orders[current(v.orders, t)]:
		return o
	case h.Start.After(o.Start):
		// An assignment names older orders too, and not all that were in force
		// here.
		return h
	}
	return o
}

// last is the last order started by t that can be followed.
func last(list []Order, t time.Time) *Order {
	for i := len(list) - 1; i >= 0; i-- {
		if o := &list[i]; !o.Start.After(t) && o.followable() {
			return o
		}
	}
	return nil
}

// For returns the order that judges a build which began at t and names no
// release. A build that began before the first one gets that, so that it is
// judged and kept. Nil when nothing is in force now.
func (s *Shelf) For(t, now time.Time) *Order {
	if t.After(now) {
		// A wrong clock must not bring a release forward.
		t = now
	}
	if o := s.InForce(t); o != nil {
		return o
	}
	v := s.view.Load()
	var first *Order
	for _, list := range [...][]Order{v.history, v.orders} {
		for i := range list {
			if o := &list[i]; o.followable() && !o.Start.After(now) && (first == nil || o.Start.Before(first.Start)) {
				first = o
			}
		}
	}
	return first
}

// ByNumber finds a held release; nil when it is not held.
func (s *Shelf) ByNumber(number uint64) *Held { return s.view.Load().held[number] }

// Next returns the first order after t that changes what is in force; nil when
// there is none that can be followed.
func (s *Shelf) Next(t time.Time) *Order {
	v := s.view.Load()
	current := s.InForce(t)
	for i := range v.orders {
		if o := &v.orders[i]; o.Start.After(t) && o.followable() && (current == nil || o.Held != current.Held) {
			return o
		}
	}
	return nil
}

// Missing lists the orders in force at t or to come whose release is not held
// and may be fetched.
func (s *Shelf) Missing(t time.Time) (out []Order) {
	v := s.view.Load()
	for _, o := range v.orders[current(v.orders, t):] {
		if o.Held == nil && !o.Refused {
			out = append(out, o)
		}
	}
	return out
}

// Behind reports whether an order in force at t or to come cannot be followed.
func (s *Shelf) Behind(t time.Time) bool {
	v := s.view.Load()
	for i := current(v.orders, t); i < len(v.orders); i++ {
		if !v.orders[i].followable() {
			return true
		}
	}
	return false
}

// Current is the index of the order that the assignment puts in force at t,
// followed or not; 0 before the first.
func (s *Shelf) Current(t time.Time) int { return current(s.view.Load().orders, t) }

func current(list []Order, t time.Time) int {
	at := 0
	for i := range list {
		if !list[i].Start.After(t) {
			at = i
		}
	}
	return at
}

// Orders are those of the assignment; not to be changed.
func (s *Shelf) Orders() []Order { return s.view.Load().orders }

// Assigned is the assignment and its exact bytes; nil when there is none.
func (s *Shelf) Assigned() (*release.Assigned, []byte) {
	v := s.view.Load()
	return v.assigned, v.raw
}

// Serial is the assignment's, 0 for none.
func (s *Shelf) Serial() uint64 {
	if a := s.view.Load().assigned; a != nil {
		return a.Assignment.Serial
	}
	return 0
}

// Stops is the stop list to enforce; nil when there is none.
func (s *Shelf) Stops() *StopList {
	if list := s.view.Load().stops; len(list) > 0 {
		return list[0]
	}
	return nil
}

// StopsByVersion finds a stop list that is kept; nil when it is not.
func (s *Shelf) StopsByVersion(version uint64) *StopList {
	for _, l := range s.view.Load().stops {
		if l.Version == version {
			return l
		}
	}
	return nil
}

// Raw is the list as it was signed; not to be changed.
func (l *StopList) Raw() []byte { return l.raw }
