package shelf

import "time"

// InForce returns the release in force at t: of the most specific scope that
// has one, the highest number that is effective. Nil when there is none.
func (s *Shelf) InForce(t time.Time) *Held {
	for _, list := range s.view.Load().scopes {
		for _, h := range list {
			if !h.Effective.After(t) {
				return h
			}
		}
	}
	return nil
}

// For returns the release that judges a build which began at t and names none.
// A build that began before anything held was effective gets the earliest one
// that is effective by now, so that it is judged and kept. Nil when there is
// no release in force now.
func (s *Shelf) For(t, now time.Time) *Held {
	if t.After(now) {
		// A wrong clock must not bring a release forward.
		t = now
	}
	if h := s.InForce(t); h != nil {
		return h
	}
	var first *Held
	for _, list := range s.view.Load().scopes {
		for _, h := range list {
			if !h.Effective.After(now) && (first == nil || h.Effective.Before(first.Effective)) {
				first = h
			}
		}
	}
	return first
}

// ByNumber finds a held release; nil when it is not held.
func (s *Shelf) ByNumber(number uint64) *Held { return s.view.Load().byNumber[number] }

// Next returns the release that will take over from the one in force at t, and
// so the next change; nil when none is held.
func (s *Shelf) Next(t time.Time) *Held {
	current := s.InForce(t)
	var next *Held
	for _, list := range s.view.Load().scopes {
		for _, h := range list {
			if h.Effective.After(t) && (next == nil || h.Effective.Before(next.Effective)) && s.InForce(h.Effective) != current {
				next = h
			}
		}
	}
	return next
}

// Newest is the highest number ever accepted for a scope, 0 for none.
func (s *Shelf) Newest(scope string) uint64 {
	newest := s.cfg.Floors[scope]
	for _, list := range s.view.Load().scopes {
		if len(list) > 0 && list[0].Scope == scope {
			newest = max(newest, list[0].Number)
		}
	}
	return newest
}

// Held is the highest number on the shelf for a scope, 0 for none: less than
// Newest when its file was lost.
func (s *Shelf) Held(scope string) uint64 {
	for _, list := range s.view.Load().scopes {
		if len(list) > 0 && list[0].Scope == scope {
			return list[0].Number
		}
	}
	return 0
}
