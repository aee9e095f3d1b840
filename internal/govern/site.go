package govern

import (
	"fmt"
	"slices"
	"time"
)

// Site is a shop.
type Site struct {
	ID     string `json:"id"`
	Name   string `json:"name,omitempty"`
	Region string `json:"region,omitempty"`
	// Zone is an IANA time zone.
	Zone string `json:"zone,omitempty"`
	// Opening of each weekday, Monday first, minutes after midnight by the wall
	// clock, 0 to 1439; -1 for closed. Empty means 300 (05:00) every day.
	Opening []int `json:"opening,omitempty"`
	// DayCut: a trading date begins at this minute of the wall clock, 0 to 1439;
	// 0 means 180 (03:00).
	DayCut int `json:"day_cut,omitempty"`
	// People work the bar; 0 where nobody said.
	People int `json:"people,omitempty"`
}

func (a Site) equal(b Site) bool {
	return a.ID == b.ID && a.Name == b.Name && a.Region == b.Region && a.Zone == b.Zone &&
		slices.Equal(a.Opening, b.Opening) && a.DayCut == b.DayCut && a.People == b.People
}

// When is when something takes effect at each site.
type When struct {
	// BusinessDay is the ISO 8601 date of the site's business day; empty means
	// at once.
	BusinessDay string `json:"business_day,omitempty"`
	// Minute after midnight by the wall clock; nil means at opening.
	Minute *int `json:"minute,omitempty"`
}

// Rules are what decisions need to know of the world.
type Rules struct {
	// Start resolves a business day at a site to an instant. It is not asked for
	// a When without a business day.
	Start func(site Site, w When) (time.Time, error)
}

// Site finds one by id.
func (s *State) Site(id string) (Site, bool) { return get(s.t.Sites, id) }

// Sites lists them by id.
func (s *State) Sites() []Site { return list(s.t.Sites) }

// Scopes lists a site's scopes from the widest to the most specific.
func (s *State) Scopes(site string) []string { return slices.Clone(s.scopes(site)) }

func (s *State) scopes(site string) []string {
	if v := s.t.Sites[site]; v != nil {
		return v.scopes()
	}
	return (&Site{ID: site}).scopes()
}

func (a *Site) scopes() []string {
	if a.Region == "" {
		return []string{"chain", "site." + a.ID}
	}
	return []string{"chain", "region." + a.Region, "site." + a.ID}
}

// SitesOf lists the ids of the sites that a scope holds, sorted.
func (s *State) SitesOf(scope string) []string {
	var out []string
	for _, v := range list(s.t.Sites) {
		if slices.Contains(v.scopes(), scope) {
			out = append(out, v.ID)
		}
	}
	return out
}

// SiteSet adds a site or changes its facts.
type SiteSet struct {
	Site Site `json:"site"`
	New  bool `json:"new,omitempty"`
	// Orders replace those to come, and the one in force if one starts now.
	Orders []SiteOrder `json:"orders,omitempty"`
	Reset  bool        `json:"reset,omitempty"`
	// Held are the editions that wait for an overlay of the site to be rebased.
	Held []SiteOrder `json:"held,omitempty"`
}

func (*SiteSet) kind() string { return "site.set" }

func (b *SiteSet) tell() string {
	if b.New {
		return "added site " + b.Site.ID
	}
	return "changed site " + b.Site.ID
}

func (b *SiteSet) apply(s *State, a *Act) error {
	v := b.Site
	if old := s.t.Sites[v.ID]; old != nil && old.Region != v.Region {
		s.move(v, a)
	}
	s.t.Sites[v.ID] = &v
	if f := s.t.Follows[v.ID]; b.Reset && f != nil {
		f.Base = slices.Clone(f.Base[:inForce(f.Base, a.At)+1])
	}
	s.hold(b.Held)
	s.obey(b.Orders, a.At)
	s.refollow(v.ID, a.At) // its region's releases may be others now
	return nil
}

func (s *State) wantSite(q Site) error {
	if err := wantSlug("site.id", q.ID); err != nil {
		return err
	}
	if q.Region != "" {
		if err := wantSlug("site.region", q.Region); err != nil {
			return err
		}
	}
	if _, err := time.LoadLocation(q.Zone); err != nil {
		return bad("site.time_zone", "is %.80q, which is no IANA time zone; write one such as Europe/London", q.Zone)
	}
	if len(q.Opening) != 0 && len(q.Opening) != 7 {
		return bad("site.opening_minutes", "has %d days; give none, or seven from Monday", len(q.Opening))
	}
	for _, m := range q.Opening {
		if m < -1 || m > 1439 {
			return bad("site.opening_minutes", "holds %d; write minutes after midnight, 0 to 1439, or -1 for closed", m)
		}
	}
	if q.DayCut < 0 || q.DayCut > 1439 {
		return bad("site.day_cut_minutes", "is %d; write minutes after midnight, 0 to 1439", q.DayCut)
	}
	if q.People < 0 || q.People > 100_000 {
		return bad("site.people_count", "is %d; write 0 to 100000", q.People)
	}
	return nil
}

// AddSite adds a site, which follows at once what is out everywhere. The same
// site again gives no act.
func (s *State) AddSite(c Call, rules Rules, q Site) ([]Act, error) {
	if err := s.may(c, "add sites", FleetManager, Administrator); err != nil {
		return nil, err
	}
	if err := s.wantSite(q); err != nil {
		return nil, err
	}
	if v := s.t.Sites[q.ID]; v != nil {
		if v.equal(q) {
			return nil, nil
		}
		return nil, refuse(AlreadyExists, "SITE_DIFFERS", "site", "is %s, which exists with other facts; change it instead", q.ID)
	}
	b := &SiteSet{Site: q, New: true}
	b.Orders, b.Held = s.join(rules, q, s.stamp(c))
	return s.acts(c, b), nil
}

// join is what a new site gets: the editions that are out everywhere, by their
// starts.
func (s *State) join(rules Rules, q Site, at time.Time) (orders, held []SiteOrder) {
	var base []Order
	for _, e := range s.Editions() {
		if !e.Everywhere {
			continue
		}
		so := SiteOrder{Site: q.ID, Start: e.Start}
		if e.When.BusinessDay != "" {
			if t, err := rules.start(q, e.When); err == nil {
				so.Start, so.BusinessDay, so.Minute = t, e.When.BusinessDay, e.When.Minute
			}
		}
		if s.rebaseHolds(e, q) {
			so.Release = e.Number
			held = append(held, so)
			continue
		}
		so.Release = best(e, q)
		base = cut(base, s.order(so))
	}
	for _, o := range live(base, at) {
		orders = append(orders, o.forSite(q.ID))
	}
	// Only the newest edition can still be rebased on.
	held = slices.DeleteFunc(held, func(h SiteOrder) bool { return h.Release != s.t.Newest })
	return orders, held
}

// UpdateSite changes a site's facts. What it follows is resolved anew where its
// region or its hours changed, and a smaller crew may have been trained by now.
func (s *State) UpdateSite(c Call, rules Rules, q Site) ([]Act, error) {
	if err := s.may(c, "change sites", FleetManager, Administrator); err != nil {
		return nil, err
	}
	if err := s.wantSite(q); err != nil {
		return nil, err
	}
	v := s.t.Sites[q.ID]
	if v == nil {
		return nil, refuse(NotFound, "SITE_NOT_FOUND", "site.id", "there is no site %.80q; add it first", q.ID)
	}
	if v.equal(q) {
		return nil, nil
	}
	at := s.stamp(c)
	b := &SiteSet{Site: q}
	if f := s.t.Follows[q.ID]; f != nil {
		b.Orders = s.reorder(q, f.Base, at, func(o Order) (uint64, time.Time) {
			release, start := o.Release, o.Start
			if e := s.t.Editions[o.Edition]; e != nil && v.Region != q.Region {
				release = best(*e, q)
			}
			if o.BusinessDay != "" && start.After(at) {
				if t, err := rules.start(q, When{BusinessDay: o.BusinessDay, Minute: o.Minute}); err == nil {
					start = later(t, at)
				}
			}
			return release, start
		})
		b.Reset = len(b.Orders) > 0
	}
	if e := s.t.Editions[s.t.Newest]; e != nil && !s.rebaseHolds(*e, q) {
		// Its overlay held it, and in its new region none does.
		for _, so := range e.Held {
			if so.Site == q.ID {
				so.Release = best(*e, q)
				if !so.Start.After(at) {
					so.Start, so.BusinessDay, so.Minute = at, "", nil
				}
				b.Orders = append(b.Orders, so)
			}
		}
	}
	bodies := []Body{b}
	if r := s.running(); r != nil {
		joined, done := s.joins(r, rules, at, func(site string) Site {
			if site == q.ID {
				return q
			}
			return *s.t.Sites[site]
		}, func(site string) int { return s.acknowledged(r.Edition, site) })
		bodies = append(bodies, joined...)
		if done {
			bodies = append(bodies, &RolloutCompleted{Edition: r.Edition, Touched: s.about(r.Edition)})
		}
	}
	return s.acts(c, bodies...), nil
}

// reorder maps the orders in force and to come and returns all from the first
// that changed; one in force that changes starts now.
func (s *State) reorder(site Site, base []Order, at time.Time, f func(Order) (release uint64, start time.Time)) (out []SiteOrder) {
	changed := false
	for _, o := range live(base, at) {
		release, start := f(o)
		if release != o.Release || !start.Equal(o.Start) {
			changed = true
			if !o.Start.After(at) {
				start, o.BusinessDay, o.Minute = at, "", nil
			}
			o.Release, o.Start = release, start
		}
		if changed || o.Start.After(at) {
			out = append(out, o.forSite(site.ID))
		}
	}
	if !changed {
		return nil
	}
	slices.SortStableFunc(out, func(a, b SiteOrder) int { return a.Start.Compare(b.Start) })
	return out
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// start resolves a When with a business day.
func (r Rules) start(site Site, w When) (time.Time, error) {
	if r.Start == nil {
		return time.Time{}, bad("when", "names a business day, and no calendar is at hand")
	}
	t, err := r.Start(site, w)
	if err != nil {
		return time.Time{}, bad("when", "cannot be resolved at %s: %v", site.ID, err)
	}
	return t.UTC().Truncate(time.Microsecond), nil
}

// nextOpening is the site's first opening at or after floor, with its business
// day; floor itself where none is found within 16 days.
func (r Rules) nextOpening(site Site, floor time.Time) (time.Time, string) {
	zone, err := time.LoadLocation(site.Zone)
	if err != nil {
		zone = time.UTC
	}
	y, m, d := floor.In(zone).Date()
	var found time.Time
	name := ""
	for i := -1; i <= 16; i++ {
		day := time.Date(y, m, d+i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
		t, err := r.start(site, When{BusinessDay: day})
		switch {
		case err != nil || t.Before(floor):
		case name == "" || t.Equal(found):
			// A closed day may count as the next one; the last that gives this
			// instant is the day that it opens.
			found, name = t, day
		default:
			return found, name
		}
	}
	if name != "" {
		return found, name
	}
	return floor, ""
}

// NumberRaised makes the next release's number at least one more, after a
// restore from a backup that is older than what the bus has.
type NumberRaised struct {
	AtLeast uint64 `json:"at_least"`
}

func (*NumberRaised) kind() string { return "number.raised" }

func (b *NumberRaised) tell() string {
	return fmt.Sprintf("saw release %d on the bus and goes on counting from there", b.AtLeast)
}

func (b *NumberRaised) apply(s *State, _ *Act) error {
	s.t.LastRelease = max(s.t.LastRelease, b.AtLeast)
	return nil
}

// RaiseNumber is the authority's own act; no act where it is not needed.
func (s *State) RaiseNumber(c Call, atLeast uint64) []Act {
	if atLeast <= s.t.LastRelease {
		return nil
	}
	return s.acts(c, &NumberRaised{AtLeast: atLeast})
}
