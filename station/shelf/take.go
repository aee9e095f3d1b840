package shelf

import (
	"bytes"
	"fmt"
	"maps"
	"slices"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/station/durable"
)

// TakeRelease puts a release on the shelf that the trusted state admitted. The
// first result is false for one that is there already. The error is a
// *release.Refusal if it cannot be judged by, or that of the disk. The shelf takes
// v over.
func (s *Shelf) TakeRelease(raw []byte, v *release.Verified) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	number := v.Release.GetNumber()
	if h := s.held[number]; h != nil {
		if h.Digest == v.Digest {
			return false, nil
		}
		return false, &release.Refusal{Number: number, Reason: release.Conflict, Detail: fmt.Sprintf("release %d is held with other content; new content needs a new number", number)}
	}
	h, err := compile(v)
	if err != nil {
		return false, err
	}
	if err := durable.WriteFile(s.path(number, releaseSuffix), raw); err != nil {
		return false, err
	}
	s.held[number] = h
	s.arrange()
	return true, nil
}

// TakeAssignment makes an accepted assignment the one to follow. What was in
// force before stays in the history.
func (s *Shelf) TakeAssignment(raw []byte, a *release.Assigned, commit func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.started(); err != nil {
		return err
	}
	path := s.path(a.Assignment.Serial, assignmentSuffix)
	if err := durable.WriteFile(path, raw); err != nil {
		return err
	}
	if err := commit(); err != nil {
		return err
	}
	if s.assigned != nil && s.assigned.Assignment.Serial != a.Assignment.Serial {
		s.remove(s.path(s.assigned.Assignment.Serial, assignmentSuffix))
	}
	s.assigned, s.raw, s.orders = a, bytes.Clone(raw), ordersOf(a)
	s.arrange()
	return nil
}

// TakeStops makes an accepted stop list the one to enforce.
func (s *Shelf) TakeStops(raw []byte, l *release.Listed, commit func() error) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := durable.WriteFile(s.path(l.List.Version, stopsSuffix), raw); err != nil {
		return err
	}
	if err := commit(); err != nil {
		return err
	}
	older := slices.DeleteFunc(slices.Clone(s.stops), func(o *StopList) bool { return o.Version == l.List.Version })
	if len(older) > KeepStops {
		for _, o := range older[KeepStops:] {
			s.remove(s.path(o.Version, stopsSuffix))
		}
		older = older[:KeepStops]
	}
	s.stops = append([]*StopList{s.compileStops(l, bytes.Clone(raw))}, older...)
	s.arrange()
	return nil
}

// Place makes the stops hold that are for these scopes, older lists included:
// what may be made here is where the station stands now.
func (s *Shelf) Place(scopes []string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if slices.Equal(s.cfg.Scopes, scopes) {
		return
	}
	s.cfg.Scopes = slices.Clone(scopes)
	lists := make([]*StopList, len(s.stops))
	for i, l := range s.stops {
		lists[i] = s.compileStops(l.listed, l.raw)
	}
	s.stops = lists
	s.arrange()
}

// Drop lets go of the releases, orders and the assignment whose keys are all
// revoked. Stop lists stay: the current one is enforced until another comes.
func (s *Shelf) Drop(dropped func(keys []string) bool) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for number, h := range s.held {
		if dropped(h.Verified.Keys) {
			delete(s.held, number)
			s.remove(s.path(number, releaseSuffix))
		}
	}
	if s.assigned != nil && dropped(s.assigned.Keys) {
		s.remove(s.path(s.assigned.Assignment.Serial, assignmentSuffix))
		s.assigned, s.raw, s.orders = nil, nil, nil
	}
	before := len(s.history)
	s.history = slices.DeleteFunc(slices.Clone(s.history), func(o Order) bool { return dropped(o.Keys) })
	s.arrange()
	if len(s.history) == before {
		return nil
	}
	return s.writeHistory()
}

// Refuse marks the orders of the assignment that must not be followed.
func (s *Shelf) Refuse(refused func(i int) bool) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.orders = slices.Clone(s.orders)
	for i := range s.orders {
		s.orders[i].Refused = refused(i)
	}
	s.arrange()
}

// Started puts what has come into force by now into the history.
func (s *Shelf) Started() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.started(); err != nil {
		return err
	}
	s.arrange()
	return nil
}

func (s *Shelf) started() error {
	now := s.cfg.Now()
	fresh := slices.Clone(s.history)
	for _, o := range s.orders {
		if o.Held = s.match(&o); o.Start.After(now) || !o.followable() ||
			slices.ContainsFunc(fresh, func(p Order) bool { return p.same(&o) }) {
			continue
		}
		fresh = append(fresh, o)
	}
	if len(fresh) == len(s.history) {
		return nil
	}
	slices.SortStableFunc(fresh, func(a, b Order) int { return a.Start.Compare(b.Start) })
	s.history = fresh[max(0, len(fresh)-KeepOlder-1):]
	return s.writeHistory()
}

// match finds the release of an order.
func (s *Shelf) match(o *Order) *Held {
	if h := s.held[o.Release]; h != nil && h.Digest == o.Digest {
		return h
	}
	return nil
}

// arrange drops the releases that nothing names and publishes a view; the
// caller holds mu.
func (s *Shelf) arrange() {
	v := &view{
		history: slices.Clone(s.history), orders: slices.Clone(s.orders), assigned: s.assigned, raw: s.raw,
		held: make(map[uint64]*Held, len(s.held)), stops: s.stops,
	}
	for _, list := range [...][]Order{v.history, v.orders} {
		for i := range list {
			if list[i].Held = s.match(&list[i]); list[i].Held != nil {
				v.held[list[i].Release] = list[i].Held
			}
		}
	}
	for number := range s.held {
		if v.held[number] == nil {
			s.remove(s.path(number, releaseSuffix))
		}
	}
	s.held = maps.Clone(v.held)
	s.view.Store(v)
}
