package govern_test

import (
	"maps"
	"slices"
	"time"

	"samecup.example/samecup/internal/govern"
)

// The model: deliberately simple. It keeps everything that was ever ordered and
// works out from scratch, each time it is asked, what a site follows.

// told is one order that was ever given: of those begun by t, the last given
// counts.
type told struct {
	site, scope string // a site for orders, a scope for direct publishing
	release     uint64
	start       time.Time
	over        bool
}

type mEdition struct {
	number     uint64
	content    string
	members    map[string]uint64
	waits      map[string]bool
	held       map[string]time.Time
	safety     bool
	everywhere bool
	start      time.Time
	day        string
}

type mRollout struct {
	edition        *mEdition
	state          govern.RolloutState
	waves          []govern.WaveSpec
	open, pct      int
	reached        []string
	waiting        map[string]time.Time
	goOn, rollBack bool
	findings       map[string]bool
}

// far is after everything that is ever ordered.
var far = monday.AddDate(50, 0, 0)

type mDraft struct {
	state          govern.DraftState
	etag           string
	editors        map[string]bool
	approvals      map[string]govern.Role
	needsSafety    bool
	needsAttention bool // a caution
}

type mOverlay struct {
	state     govern.OverlayState
	etag      string
	editors   map[string]bool
	approvals map[string]govern.Role
	base      uint64
	live      bool
}

type mStop struct {
	scope   string
	lifted  bool
	askedBy string
	acks    map[string]bool
}

type model struct {
	sites    map[string]govern.Site
	orders   []told
	direct   []told
	editions []*mEdition
	rollouts map[uint64]*mRollout
	drafts   map[string]*mDraft
	overlays map[string]*mOverlay
	stops    []*mStop
	acks     map[uint64]map[string]map[string]bool
	stations map[string]*mStation
	release  uint64
	claimed  bool
}

func newModel() *model {
	return &model{sites: map[string]govern.Site{}, rollouts: map[uint64]*mRollout{}, drafts: map[string]*mDraft{},
		overlays: map[string]*mOverlay{}, acks: map[uint64]map[string]map[string]bool{}, stations: map[string]*mStation{}}
}

func (m *model) scopes(site string) []string {
	return []string{"site." + site, "region." + m.sites[site].Region, "chain"}
}

func (m *model) in(scope string) (out []string) {
	for _, site := range slices.Sorted(maps.Keys(m.sites)) {
		if slices.Contains(m.scopes(site), scope) {
			out = append(out, site)
		}
	}
	return out
}

func (m *model) base(site string, t time.Time) uint64 {
	for _, o := range slices.Backward(m.orders) {
		if o.site == site && !o.start.After(t) {
			return o.release
		}
	}
	return 0
}

func (m *model) follows(site string, t time.Time) uint64 {
	for _, scope := range m.scopes(site) {
		for _, o := range slices.Backward(m.direct) {
			if o.scope == scope && !o.over && !o.start.After(t) {
				return o.release
			}
		}
	}
	return m.base(site, t)
}

// moments are now and every later time at which anything ordered begins.
func (m *model) moments(now time.Time) []time.Time {
	out := []time.Time{now}
	for _, list := range [][]told{m.orders, m.direct} {
		for _, o := range list {
			if o.start.After(now) {
				out = append(out, o.start)
			}
		}
	}
	slices.SortFunc(out, time.Time.Compare)
	return slices.CompactFunc(out, time.Time.Equal)
}

// remap orders anew, at every moment from now on, what f makes of what is
// ordered then.
func (m *model) remap(site string, now time.Time, f func(release uint64) uint64) {
	var add []told
	for _, t := range m.moments(now) {
		if r := m.base(site, t); r != 0 {
			add = append(add, told{site: site, release: f(r), start: t})
		}
	}
	m.orders = append(m.orders, add...)
}

func (m *model) order(site string, release uint64, start time.Time) {
	m.orders = append(m.orders, told{site: site, release: release, start: start})
}

func (m *model) newest() *mEdition {
	if n := len(m.editions); n > 0 {
		return m.editions[n-1]
	}
	return nil
}

func (m *model) best(e *mEdition, site string) uint64 {
	for _, scope := range m.scopes(site) {
		if r := e.members[scope]; r != 0 {
			return r
		}
	}
	return 0
}

func (m *model) isHeld(e *mEdition, site string) bool {
	return slices.ContainsFunc(m.scopes(site), func(scope string) bool { return e.waits[scope] })
}

// give lets an edition take effect at a site, or holds it there.
func (m *model) give(e *mEdition, site string, start time.Time) {
	if m.isHeld(e, site) {
		e.held[site] = start
		return
	}
	m.order(site, m.best(e, site), start)
	for _, old := range m.editions {
		if old.number <= e.number {
			delete(old.held, site)
		}
	}
}

func (m *model) trained(r *mRollout, site string) bool {
	n := len(m.acks[r.edition.number][site])
	return 100*n >= r.pct*m.sites[site].People
}

// astray names the edition that a site ends up on, where its rollout was given
// up.
func (m *model) astray(site string, of map[uint64]*mEdition) *mEdition {
	e := of[m.base(site, far)]
	if e == nil {
		return nil
	}
	if r := m.rollouts[e.number]; r != nil && (r.state == govern.RolloutIsHalted || r.state == govern.RolloutIsReplaced || r.state == govern.RolloutIsUndone) {
		return e
	}
	return nil
}

// away is when a site begins that is led away from an edition: before that
// edition does, where it has not begun.
func (m *model) away(site string, left *mEdition, start, now time.Time, of map[uint64]*mEdition) time.Time {
	for _, t := range m.moments(now)[1:] {
		if t.Before(start) && of[m.base(site, t)] == left && of[m.base(site, now)] != left {
			start = t
		}
	}
	return start
}

// openWave opens the next one. Sites astray come with it and do not wait.
func (m *model) openWave(r *mRollout, startAt func(site string) time.Time, astray map[string]*mEdition) {
	w := r.waves[r.open]
	r.open++
	r.goOn, r.rollBack = false, false
	var add []string
	all := slices.Sorted(maps.Keys(m.sites))
	for _, site := range all {
		if astray[site] != nil && !slices.Contains(r.reached, site) {
			add = append(add, site)
		}
	}
	for _, site := range govern.Shuffle(r.edition.number, all) {
		want := w.All || slices.Contains(w.Sites, site) ||
			w.SharePercent > 0 && 100*(len(r.reached)+len(add)) < w.SharePercent*len(all)
		if want && !slices.Contains(r.reached, site) && !slices.Contains(add, site) {
			add = append(add, site)
		}
	}
	for _, site := range add {
		r.reached = append(r.reached, site)
		if r.pct > 0 && !r.edition.safety && astray[site] == nil && !m.trained(r, site) {
			r.waiting[site] = startAt(site)
		} else {
			m.give(r.edition, site, startAt(site))
		}
	}
	if w.All {
		r.edition.everywhere = true
	}
	m.finish(r)
}

// settle lets sites in whose training is enough, and ends a rollout.
func (m *model) settle(now time.Time, opening func(site string, floor time.Time) time.Time) {
	for _, r := range m.rollouts {
		if r.state != govern.RolloutRuns {
			continue
		}
		for site, start := range maps.Clone(r.waiting) {
			if m.trained(r, site) {
				delete(r.waiting, site)
				if !start.After(now) {
					start = opening(site, now)
				}
				m.give(r.edition, site, start)
			}
		}
		m.finish(r)
	}
}

func (m *model) finish(r *mRollout) {
	if r.open == len(r.waves) && len(r.waiting) == 0 {
		r.state = govern.RolloutIsDone
	}
}

func (m *model) unfinished() *mRollout {
	for _, r := range m.rollouts {
		if r.state == govern.RolloutRuns || r.state == govern.RolloutIsHalted {
			return r
		}
	}
	return nil
}

// takesOver takes an overlay's releases into the newest edition, or the
// overlay out of it; of tells which edition a release belongs to.
func (m *model) takesOver(scope string, made map[string]uint64, retire bool, now time.Time, of map[uint64]*mEdition) {
	e := m.newest()
	if retire {
		delete(e.members, scope)
	}
	maps.Copy(e.members, made)
	delete(e.waits, scope)
	for i := range m.direct {
		m.direct[i].over = m.direct[i].over || m.direct[i].scope == scope
	}
	for _, site := range m.in(scope) {
		if m.isHeld(e, site) {
			continue
		}
		if start, ok := e.held[site]; ok {
			delete(e.held, site)
			if start.Before(now) {
				start = now
			}
			m.order(site, m.best(e, site), start)
			continue
		}
		m.remap(site, now, func(release uint64) uint64 {
			if old := of[release]; old != nil && old.content == e.content {
				return m.best(e, site)
			}
			return release
		})
	}
}
