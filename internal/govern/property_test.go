package govern_test

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"samecup.example/samecup/internal/govern"
)

// player makes random calls on an office and the same on the model.
type player struct {
	*rapid.T
	o     *office
	m     *model
	count int
	// everything that was made, so that releases stay known to their edition.
	of map[uint64]*mEdition
}

var (
	modelSites   = []string{"a", "b", "c", "d", "e"}
	modelRegions = []string{"north", "south"}
	modelScopes  = []string{"site.a", "site.b", "region.north", "region.south"}
	modelPeople  = map[string][]govern.Role{
		"max": {govern.Administrator, govern.FleetManager, govern.Approver},
		"ada": {govern.Author, govern.Approver},
		"ben": {govern.Author, govern.Approver, govern.FoodSafety},
		"eve": {govern.FoodSafety},
		"oli": {govern.Auditor},
	}
)

func (p *player) pick(what string, from []string) string { return from[p.n(what, 0, len(from)-1)] }

// n is uniform, from bits; rapid's own ranges and samples favour the first, and
// most acts would be refused.
func (p *player) n(what string, lo, hi int) int {
	return lo + uniform.Draw(p.T, what)%(hi-lo+1)
}

var uniform = rapid.Custom(func(t *rapid.T) int {
	n := 0
	for range 10 {
		n *= 2
		if rapid.Bool().Draw(t, "bit") {
			n++
		}
	}
	return n
})

func (p *player) yes(what string) bool { return rapid.Bool().Draw(p.T, what) }

// who is mostly somebody who may, sometimes anybody, and now and then the local
// caller where there are people, or a person where there are none.
func (p *player) who(roles ...govern.Role) string {
	everybody := slices.Sorted(maps.Keys(modelPeople))
	kind := p.n("who", 0, 19)
	if p.m.claimed == (kind == 0) {
		return govern.Local
	}
	if kind < 5 || !p.m.claimed {
		return p.pick("person", everybody)
	}
	able := slices.DeleteFunc(slices.Clone(everybody), func(id string) bool { return !p.can(id, roles...) })
	if len(able) == 0 {
		able = everybody
	}
	return p.pick("person", able)
}

func (p *player) can(who string, roles ...govern.Role) bool {
	if !p.m.claimed {
		return who == govern.Local
	}
	return slices.ContainsFunc(modelPeople[who], func(r govern.Role) bool { return slices.Contains(roles, r) })
}

func (p *player) call(who string) govern.Call { return p.o.call(who, modelPeople[who]...) }

// agree compares the decision with the model's and applies it.
func (p *player) agree(what string, want bool, acts []govern.Act, err error) bool {
	p.Helper()
	if (err == nil) != want {
		p.Fatalf("%s: the model says %v, the state %v", what, want, err)
	}
	if err == nil {
		p.o.do(acts, nil)
	}
	return err == nil
}

func (p *player) fresh(prefix string) string {
	p.count++
	return fmt.Sprintf("%s%d", prefix, p.count)
}

// when draws at once, or a business day from today on.
func (p *player) when() (govern.When, func(site string) time.Time) {
	days := p.n("days ahead", -1, 3)
	if days < 0 {
		return govern.When{}, func(string) time.Time { return p.o.now }
	}
	w := govern.When{BusinessDay: p.o.now.AddDate(0, 0, days).Format(time.DateOnly)}
	return w, func(site string) time.Time { return p.startOf(site, w) }
}

func (p *player) startOf(site string, w govern.When) time.Time {
	t, err := open5(p.m.sites[site], w)
	if err != nil {
		p.Fatalf("%v", err)
	}
	if t.Before(p.o.now) {
		return p.o.now
	}
	return t.UTC()
}

func (p *player) opening(site string, floor time.Time) time.Time {
	for d := -1; ; d++ {
		t, _ := open5(p.m.sites[site], govern.When{BusinessDay: floor.AddDate(0, 0, d).Format(time.DateOnly)})
		if !t.Before(floor) {
			return t.UTC()
		}
	}
}

// edition draws what a new edition is made of: the chain's release and one of
// each live overlay, some of which conflict.
func (p *player) edition(content string, isSafe bool) (govern.Maker, func() *mEdition) {
	scopes := []string{"chain"}
	var conflicts []string
	for _, scope := range modelScopes {
		if v := p.m.overlays[scope]; v != nil && v.live {
			if p.n("conflicts", 0, 2) == 0 {
				conflicts = append(conflicts, scope)
			} else {
				scopes = append(scopes, scope)
			}
		}
	}
	mk := needing(maker(content, scopes...), conflicts...)
	if isSafe {
		mk = safety(mk)
	}
	return mk, func() *mEdition {
		e := &mEdition{number: p.m.release + 1, content: content, members: map[string]uint64{}, waits: map[string]bool{}, held: map[string]time.Time{}, safety: isSafe}
		for _, scope := range scopes {
			p.m.release++
			e.members[scope] = p.m.release
		}
		for _, scope := range conflicts {
			e.waits[scope] = true
			if v := p.m.overlays[scope]; v.state == govern.OverlayIsActive {
				v.state = govern.OverlayIsBehind
			}
		}
		p.m.editions = append(p.m.editions, e)
		return e
	}
}

func (p *player) step() {
	switch p.pick("act", []string{"draft", "save", "propose", "approve", "approve", "return", "roll out", "roll out", "roll out", "advance", "advance", "halt", "report", "roll back",
		"acknowledge", "overlay", "rebase", "approve overlay", "approve overlay", "overlay to release", "overlay to release", "retire", "stop", "see stop", "lift", "site", "move site", "publish", "claim", "wait", "enrol", "enrol", "deliver", "deliver", "draft to roll out", "acknowledge", "acknowledge", "advance", "halt"}) {
	case "draft":
		p.draft()
	case "save":
		p.save()
	case "propose":
		p.propose()
	case "approve":
		p.approve()
	case "return":
		p.giveBack()
	case "draft to roll out":
		p.passed()
	case "roll out":
		p.rollOut()
	case "advance":
		p.advance()
	case "halt":
		p.halt()
	case "report":
		p.report()
	case "roll back":
		p.rollBack()
	case "acknowledge":
		p.acknowledge()
	case "overlay", "rebase":
		p.overlay()
	case "approve overlay":
		p.approveOverlay()
	case "overlay to release":
		p.released()
	case "retire":
		p.retire()
	case "stop":
		p.stop()
	case "see stop":
		p.seeStop()
	case "lift":
		p.lift()
	case "site", "move site":
		p.site()
	case "enrol":
		p.enrol()
	case "deliver":
		p.deliver()
	case "publish":
		p.publish()
	case "claim":
		p.claim()
	case "wait":
		p.o.now = p.o.now.Add(time.Duration(p.n("hours", 1, 30)) * time.Hour)
	}
}

// check compares what both say of the world.
func (p *player) check() {
	for site := range p.m.sites {
		for _, t := range p.m.moments(p.o.now) {
			got, _ := p.o.InForce(site, t)
			if want := p.m.follows(site, t); got.Release != want {
				orders, _ := p.o.Orders(site)
				p.Fatalf("%s at %s (now %s) follows %d, the model says %d; orders %+v", site, t, p.o.now, got.Release, want, orders)
			}
		}
		orders, _ := p.o.Orders(site)
		begun := 0
		for i, x := range orders {
			if i > 0 && !orders[i-1].Start.Before(x.Start) {
				p.Fatalf("%s: the orders are not in the order of their starts: %+v", site, orders)
			}
			if !x.Start.After(p.o.At()) {
				begun++
			}
			if r, _ := p.o.Release(x.Release); r.Digest != x.Digest || r.Scope != x.Scope {
				p.Fatalf("%s: %+v is not release %+v", site, x, r)
			}
		}
	}
	for id, want := range p.m.drafts {
		d, _ := p.o.Draft(id)
		if d.State != want.state || d.Etag != want.etag {
			p.Fatalf("draft %s is %s at %s, the model says %s at %s", id, d.State, d.Etag, want.state, want.etag)
		}
		for _, a := range d.Approvals {
			if a.Person != govern.Local && slices.Contains(d.Editors, a.Person) {
				p.Fatalf("draft %s was approved by its editor %s", id, a.Person)
			}
		}
	}
	for scope, want := range p.m.overlays {
		if v, _ := p.o.Overlay(scope); v.State != want.state || (v.Live != nil) != want.live {
			p.Fatalf("overlay %s is %s, the model says %s", scope, v.State, want.state)
		}
	}
	for n, want := range p.m.rollouts {
		if r, _ := p.o.Rollout(n); r.State != want.state || len(r.Reached()) != len(want.reached) || len(r.WaitingSites()) != len(want.waiting) {
			p.Fatalf("rollout %d is %s with %v reached and %v waiting, the model says %s, %v, %v", n, r.State, r.Reached(), r.WaitingSites(), want.state, want.reached, want.waiting)
		}
	}
	for site := range p.m.sites {
		var want []string
		for i, v := range p.m.stops {
			if !v.lifted && slices.Contains(p.m.scopes(site), v.scope) {
				want = append(want, fmt.Sprint(i+1))
			}
		}
		var got []string
		for _, v := range p.o.StopsFor(site) {
			got = append(got, v.ID)
		}
		if !slices.Equal(got, want) {
			p.Fatalf("at %s the stops %v hold, the model says %v", site, got, want)
		}
	}
	p.checkStations()
	if p.o.NextRelease() != p.m.release+1 {
		p.Fatalf("the next release is %d, the model says %d", p.o.NextRelease(), p.m.release+1)
	}
	for _, e := range p.m.editions {
		for _, r := range e.members {
			p.of[r] = e
		}
	}
}

// plan is what a site follows from now on; the serial must rise exactly when it
// changes.
func (p *player) plan(site string) (out string, serial uint64) {
	orders, serial := p.o.Orders(site)
	f, _ := p.o.InForce(site, p.o.now)
	out = fmt.Sprint(f.Release)
	for _, x := range orders {
		if x.Start.After(p.o.now) {
			out += fmt.Sprint(" ", x.Release, x.Start)
		}
	}
	return out, serial
}

func play(t *rapid.T) {
	p := &player{T: t, o: newOffice(t), m: newModel(), of: map[uint64]*mEdition{}}
	for _, id := range modelSites[:3] {
		q := govern.Site{ID: id, Region: modelRegions[len(p.m.sites)%2], Zone: "UTC", People: 2}
		acts, err := p.o.AddSite(p.call(govern.Local), p.o.rules, q)
		p.agree("add site", true, acts, err)
		p.m.sites[id] = q
	}
	acts, err := p.o.PublishDirect(p.call(govern.Local), p.o.rules, govern.DirectRelease{Scope: "chain", Make: maker("content0", "chain")})
	p.agree("publish", true, acts, err)
	p.m.release = 1
	first := &mEdition{number: 1, content: "content0", members: map[string]uint64{"chain": 1}, waits: map[string]bool{}, held: map[string]time.Time{}, everywhere: true, start: p.o.now}
	p.m.editions = append(p.m.editions, first)
	for site := range p.m.sites {
		p.m.order(site, 1, p.o.now)
	}
	p.check()
	if p.n("begins claimed", 0, 3) > 0 {
		p.claim()
	}
	for range p.n("steps", 10, 80) {
		number := p.o.NextRelease()
		plans, serials := map[string]string{}, map[string]uint64{}
		version, stops := p.o.StopList()
		at := p.o.now
		for site := range p.m.sites {
			plans[site], serials[site] = p.plan(site)
		}
		p.step()
		if p.o.NextRelease() < number {
			t.Fatalf("the number fell")
		}
		if p.o.now.Equal(at) {
			for site := range plans {
				if plan, serial := p.plan(site); (plan != plans[site]) != (serial > serials[site]) || serial < serials[site] {
					t.Fatalf("%s: serial %d to %d, orders %s to %s", site, serials[site], serial, plans[site], plan)
				}
			}
		}
		after, now := p.o.StopList()
		if changed := len(now) != len(stops); changed != (after > version) || after < version {
			t.Fatalf("stop list %d to %d, stops %d to %d", version, after, len(stops), len(now))
		}
		p.check()
		if p.n("try to end", 0, 9) == 0 {
			p.escapes()
		}
	}
	p.escapes()
	p.o.replays()
}

// TestAgainstTheModel plays random sequences of every act, allowed and not.
func TestAgainstTheModel(t *testing.T) {
	rounds := 30 // of rapid's 100 sequences each
	if testing.Short() {
		rounds = 3
	}
	for i := range rounds {
		t.Run(fmt.Sprint(i), func(t *testing.T) { rapid.Check(t, play) })
	}
}
