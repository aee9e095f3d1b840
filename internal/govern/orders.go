package govern

import (
	"slices"
	"time"
)

// Order puts one release in force at a site.
type Order struct {
	Release uint64 `json:"release"`
	Digest  Digest `json:"digest"`
	Scope   string `json:"scope"`
	Edition uint64 `json:"edition"`
	// Start: builds that begin at or after this are judged by it.
	Start time.Time `json:"start"`
	// BusinessDay that Start was resolved from; empty when it started at once.
	BusinessDay string `json:"business_day,omitempty"`
	Minute      *int   `json:"minute,omitempty"`
}

// SiteOrder is an order as acts carry it: the start is resolved when the act is
// made, so that a replay does not depend on the zone data of the day.
type SiteOrder struct {
	Site        string    `json:"site"`
	Release     uint64    `json:"release"`
	Start       time.Time `json:"start"`
	BusinessDay string    `json:"business_day,omitempty"`
	Minute      *int      `json:"minute,omitempty"`
}

// follows is what one site follows.
type follows struct {
	// Base is what editions and overlays order: in force and later, by start.
	// What was published directly for a narrower scope lies over it.
	Base []Order `json:"base,omitempty"`
	// List is what the site is told: one before, in force, and later.
	List   []Order `json:"list,omitempty"`
	Serial uint64  `json:"serial"`
}

// Orders returns what a site is told: the orders by their start, pruned to the
// one in force, those to come and the one before. The serial rises exactly when
// what is in force or to come changes. Both are zero for a site without any.
func (s *State) Orders(site string) (orders []Order, serial uint64) {
	f := s.t.Follows[site]
	if f == nil {
		return nil, 0
	}
	return slices.Clone(f.List), f.Serial
}

// InForce is the order that a site follows at t; ok is false before the first.
func (s *State) InForce(site string, t time.Time) (o Order, ok bool) {
	if f := s.t.Follows[site]; f != nil {
		if i := inForce(f.List, t); i >= 0 {
			return f.List[i], true
		}
	}
	return Order{}, false
}

// inForce is the index of the last order that has started at t, -1 for none.
func inForce(list []Order, t time.Time) int {
	i := len(list) - 1
	for i >= 0 && list[i].Start.After(t) {
		i--
	}
	return i
}

// live drops what came before the one in force.
func live(list []Order, t time.Time) []Order { return list[max(inForce(list, t), 0):] }

// cut adds an order; those of older acts that would start at or after it never
// do.
func cut(list []Order, o Order) []Order {
	n := len(list)
	for n > 0 && !list[n-1].Start.Before(o.Start) {
		n--
	}
	if n > 0 && list[n-1].Release == o.Release {
		return slices.Clip(list[:n]) // it goes on
	}
	return append(slices.Clip(list[:n]), o)
}

// order fills an order in from its release.
func (s *State) order(so SiteOrder) Order {
	o := Order{Release: so.Release, Start: so.Start, BusinessDay: so.BusinessDay, Minute: so.Minute}
	if r := s.t.Releases[so.Release]; r != nil {
		o.Digest, o.Scope, o.Edition = r.Digest, r.Scope, r.Edition
	}
	return o
}

func (o Order) forSite(site string) SiteOrder {
	return SiteOrder{Site: site, Release: o.Release, Start: o.Start, BusinessDay: o.BusinessDay, Minute: o.Minute}
}

// obey applies the orders of an act, in the order that they stand in.
func (s *State) obey(orders []SiteOrder, at time.Time) {
	var sites []string
	newest := map[string]uint64{}
	for _, so := range orders {
		f := s.t.Follows[so.Site]
		if f == nil {
			f = &follows{}
			s.t.Follows[so.Site] = f
		}
		o := s.order(so)
		f.Base = cut(live(f.Base, at), o)
		newest[so.Site] = max(newest[so.Site], o.Edition)
		if n := len(sites); n == 0 || sites[n-1] != so.Site {
			sites = append(sites, so.Site)
		}
	}
	for _, e := range s.t.Editions {
		if len(e.Held) > 0 {
			e.Held = slices.DeleteFunc(slices.Clone(e.Held), func(h SiteOrder) bool { return newest[h.Site] >= e.Number })
			if len(e.Held) == 0 {
				e.Held = nil
			}
		}
	}
	for _, site := range sites {
		s.refollow(site, at)
	}
}

// refollow derives what a site is told from the layers that it belongs to.
func (s *State) refollow(site string, at time.Time) {
	next := s.merged(site, at)
	f := s.t.Follows[site]
	if f == nil {
		if len(next) == 0 {
			return
		}
		f = &follows{}
		s.t.Follows[site] = f
	}
	i := inForce(f.List, at)
	old := f.List[max(i, 0):]
	if i >= 0 {
		switch {
		case len(next) == 0 || next[0].Start.After(at):
			// Nothing wider is there: it keeps what it has.
			next = append([]Order{old[0]}, next...)
		case next[0].Release == old[0].Release:
			next[0] = old[0] // it stays as it was told
		case !next[0].Start.After(old[0].Start):
			// It takes over now, not in the past that was judged by another.
			next[0].Start, next[0].BusinessDay, next[0].Minute = at, "", nil
		}
	}
	if sameOrders(next, old) {
		return
	}
	before := f.List[:max(i, 0)]
	if i >= 0 && len(next) > 0 && next[0].Release != old[0].Release {
		before = f.List[:i+1]
	}
	var list []Order
	if n := len(before); n > 0 && (len(next) == 0 || before[n-1].Start.Before(next[0].Start)) {
		list = append(list, before[n-1])
	}
	f.List = append(list, next...)
	f.Serial++
}

// merged is what a site follows from at on: of the narrowest scope that has a
// release in effect, the one ordered last.
func (s *State) merged(site string, at time.Time) []Order {
	layers := [][]Order{}
	if f := s.t.Follows[site]; f != nil {
		layers = append(layers, f.Base)
	}
	for _, scope := range s.scopes(site)[1:] {
		layers = append(layers, s.t.Direct[scope])
	}
	moments := []time.Time{at}
	for _, l := range layers {
		for _, o := range l {
			if o.Start.After(at) {
				moments = append(moments, o.Start)
			}
		}
	}
	slices.SortFunc(moments, time.Time.Compare)
	var out []Order
	for _, t := range moments {
		for _, l := range slices.Backward(layers) {
			if i := inForce(l, t); i >= 0 {
				if n := len(out); n == 0 || out[n-1].Release != l[i].Release {
					out = append(out, l[i])
				}
				break
			}
		}
	}
	return out
}

func sameOrders(a, b []Order) bool {
	return slices.EqualFunc(a, b, func(x, y Order) bool {
		return x.Release == y.Release && x.Start.Equal(y.Start) && x.BusinessDay == y.BusinessDay
	})
}
