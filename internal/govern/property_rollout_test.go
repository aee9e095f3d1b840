package govern_test

import (
	"maps"
	"slices"
	"time"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/stat"
)

func (p *player) claim() {
	if p.m.claimed {
		return
	}
	for _, id := range []string{"max", "ada", "ben", "eve", "oli"} {
		who := "max"
		if !p.m.claimed {
			who = govern.Local
		}
		acts, err := p.o.AddPerson(p.call(who), govern.NewPerson{ID: id, Roles: modelPeople[id], TokenHash: digest(id)})
		p.agree("add person", true, acts, err)
		p.m.claimed = true
	}
}

func (p *player) site() {
	q := govern.Site{ID: p.pick("site", modelSites), Region: p.pick("region", modelRegions), Zone: p.pick("zone", []string{"UTC", "Asia/Tokyo"}), People: p.n("people", 0, 3)}
	who := p.who(govern.FleetManager, govern.Administrator)
	old, exists := p.m.sites[q.ID]
	if !exists {
		acts, err := p.o.AddSite(p.call(who), p.o.rules, q)
		if !p.agree("add site", p.can(who, govern.FleetManager, govern.Administrator), acts, err) {
			return
		}
		p.m.sites[q.ID] = q
		for _, e := range p.m.editions {
			if !e.everywhere {
				continue
			}
			start := e.start
			if e.day != "" {
				t, _ := open5(q, govern.When{BusinessDay: e.day})
				start = t.UTC()
			}
			if p.m.isHeld(e, q.ID) {
				if e == p.m.newest() {
					e.held[q.ID] = start
				}
				continue
			}
			p.m.order(q.ID, p.m.best(e, q.ID), start)
		}
		return
	}
	q.Zone = old.Zone // so that what is to come need not move in the model
	acts, err := p.o.UpdateSite(p.call(who), p.o.rules, q)
	if !p.agree("update site", p.can(who, govern.FleetManager, govern.Administrator), acts, err) {
		return
	}
	p.m.sites[q.ID] = q
	if old.Region != q.Region {
		p.m.moveStations(q, acts[0].Number)
		p.m.remap(q.ID, p.o.now, func(release uint64) uint64 {
			if e := p.of[release]; e != nil {
				return p.m.best(e, q.ID)
			}
			return release
		})
		if e := p.m.newest(); e != nil && !p.m.isHeld(e, q.ID) {
			if start, ok := e.held[q.ID]; ok {
				if start.Before(p.o.now) {
					start = p.o.now
				}
				p.m.give(e, q.ID, start)
			}
		}
	}
	p.m.settle(p.o.now, p.opening)
}

func (p *player) publish() {
	who, scope := p.who(), p.pick("scope", append([]string{"chain", "chain"}, modelScopes...))
	start := p.o.now.Add(time.Duration(p.n("in hours", -20, 40)) * time.Hour)
	want := !p.m.claimed && who == govern.Local && (scope == "chain" || len(p.m.in(scope)) > 0)
	q := govern.DirectRelease{Scope: scope, Start: start, Make: maker(scope, scope)}
	var make1 func() *mEdition
	if scope == "chain" {
		want = want && p.m.unfinished() == nil
		q.Make, make1 = p.edition(p.fresh("content"), p.yes("safety"))
	}
	acts, err := p.o.PublishDirect(p.call(who), p.o.rules, q)
	if !p.agree("publish", want, acts, err) {
		return
	}
	if scope != "chain" {
		p.m.release++
		p.m.direct = append(p.m.direct, told{scope: scope, release: p.m.release, start: start})
		return
	}
	e := make1()
	e.everywhere, e.start = true, start
	for site := range p.m.sites {
		p.m.give(e, site, start)
	}
}

func (p *player) rollOut() {
	var ready []string
	for id, d := range p.m.drafts {
		if d.state == govern.DraftIsPassed {
			ready = append(ready, id)
		}
	}
	slices.Sort(ready)
	id := p.pick("draft", append(ready, "d0", "none"))
	open := p.m.unfinished()
	if p.n("pass one", 0, 3) > 0 && (open == nil || open.state == govern.RolloutIsHalted) {
		id = p.passed()
	}
	replaces := uint64(0)
	if open != nil && p.n("replace", 0, 3) > 0 || p.n("replace at random", 0, 19) == 0 {
		replaces = p.m.newest().number
	}
	who := p.who(govern.FleetManager)
	waves := []govern.WaveSpec{{All: true}}
	if p.n("a share", 0, 2) > 0 {
		waves = slices.Insert(waves, 0, govern.WaveSpec{SharePercent: p.n("percent", 1, 99)})
	}
	known := true
	if p.n("named sites", 0, 2) > 0 {
		site := p.pick("first site", append(slices.Sorted(maps.Keys(p.m.sites)), modelSites...))
		_, known = p.m.sites[site]
		waves = slices.Insert(waves, 0, govern.WaveSpec{Sites: []string{site}})
	}
	w, startAt := p.when()
	mk, make1 := p.edition(p.fresh("content"), p.n("safety", 0, 3) == 0)
	pct := []int{0, 50, 100}[p.n("training", 0, 2)]
	acts, err := p.o.CreateRollout(p.call(who), p.o.rules, govern.NewRollout{Draft: id, Replaces: replaces, Waves: waves, When: w, TrainingPercent: pct, Make: mk})
	d := p.m.drafts[id]
	if !p.agree("roll out", p.can(who, govern.FleetManager) && d != nil && d.state == govern.DraftIsPassed && known &&
		(open == nil && replaces == 0 || open != nil && open.state == govern.RolloutIsHalted && open.edition.number == replaces), acts, err) {
		return
	}
	d.state = govern.DraftIsOut
	left := p.m.newest()
	e := make1()
	astray := map[string]*mEdition{}
	if open != nil {
		for site := range p.m.sites {
			if from := p.m.astray(site, p.of); from != nil {
				astray[site] = from
				plain := startAt
				startAt = func(s string) time.Time {
					if s == site && !p.m.isHeld(e, s) {
						return p.m.away(s, from, plain(s), p.o.now, p.of)
					}
					return plain(s)
				}
			}
		}
		open.state, open.waiting = govern.RolloutIsReplaced, map[string]time.Time{}
		left.held, left.everywhere = map[string]time.Time{}, false
		e.safety = e.safety || left.safety
	}
	e.start, e.day = p.o.now, w.BusinessDay
	r := &mRollout{edition: e, state: govern.RolloutRuns, waves: waves, pct: pct, waiting: map[string]time.Time{}, findings: map[string]bool{}}
	p.m.rollouts[e.number] = r
	p.m.openWave(r, startAt, astray)
}

func (p *player) someRollout() (uint64, *mRollout) {
	n := uint64(0)
	if e := p.m.newest(); e != nil {
		n = e.number
	}
	if p.n("another", 0, 9) == 0 {
		n++
	}
	return n, p.m.rollouts[n]
}

func (p *player) advance() {
	n, r := p.someRollout()
	who, reason := p.who(govern.FleetManager), p.pick("reason", []string{"", "because", "because"})
	w, startAt := p.when()
	acts, err := p.o.AdvanceRollout(p.call(who), p.o.rules, n, govern.Advance{When: w, Reason: reason})
	want := p.can(who, govern.FleetManager) && r != nil && r.state == govern.RolloutRuns && r.open < len(r.waves) && (r.goOn || reason != "")
	if !p.agree("advance", want, acts, err) {
		return
	}
	if r.waves[r.open].All {
		r.edition.start, r.edition.day = p.o.now, w.BusinessDay
	}
	p.m.openWave(r, startAt, nil)
}

func (p *player) halt() {
	n, r := p.someRollout()
	who := p.who(govern.FleetManager, govern.QualityLead, govern.FoodSafety, govern.Approver, govern.Administrator)
	if p.yes("halt") {
		acts, err := p.o.HaltRollout(p.call(who), n, "odd")
		if p.agree("halt", p.can(who, govern.FleetManager, govern.QualityLead, govern.FoodSafety, govern.Approver, govern.Administrator) && r != nil &&
			(r.state == govern.RolloutRuns || r.state == govern.RolloutIsHalted), acts, err) {
			r.state = govern.RolloutIsHalted
		}
		return
	}
	acts, err := p.o.ResumeRollout(p.call(who), p.o.rules, n, "", "fine")
	if p.agree("resume", p.can(who, govern.FleetManager) && r != nil && r.state == govern.RolloutIsHalted, acts, err) {
		r.state = govern.RolloutRuns
		p.m.settle(p.o.now, p.opening)
	}
}

func (p *player) report() {
	n, r := p.someRollout()
	if p.n("finding", 0, 3) == 0 {
		id := p.pick("finding", []string{"f1", "f2"})
		acts, err := p.o.ReportSafety(p.o.system(), n, id, "hot")
		if p.agree("finding", r != nil, acts, err) && r.state == govern.RolloutRuns && !r.findings[id] {
			r.state, r.findings[id] = govern.RolloutIsHalted, true
		}
		return
	}
	advice := []stat.Advice{stat.AdviceGoOn, stat.AdviceGoOn, stat.AdviceHold, stat.AdviceRollBack}[p.n("advice", 0, 3)]
	acts, err := p.o.ReportWave(p.o.system(), n, stat.WaveReport{Advice: advice})
	if !p.agree("report", r != nil, acts, err) || r != p.m.unfinished() {
		return
	}
	if advice == stat.AdviceRollBack && !r.rollBack && r.state == govern.RolloutRuns {
		r.state = govern.RolloutIsHalted
	}
	r.goOn, r.rollBack = advice == stat.AdviceGoOn, advice == stat.AdviceRollBack
}

func (p *player) rollBack() {
	who, objects := p.who(govern.FleetManager), p.n("objections", 0, 4) == 0
	w, startAt := p.when()
	content, before := "", false
	for _, e := range p.m.editions[:len(p.m.editions)-1] {
		if r := p.m.rollouts[e.number]; r == nil || r.state != govern.RolloutIsReplaced {
			content, before = e.content, true
		}
	}
	mk, make1 := p.edition(content, p.yes("safety"))
	q := govern.RollBackTo{Reason: "worse", When: w, Make: mk}
	if objects {
		q.Objections = []string{"a stopped lot"}
	}
	acts, err := p.o.RollBack(p.call(who), p.o.rules, q)
	if !p.agree("roll back", p.can(who, govern.FleetManager) && before && !objects, acts, err) {
		return
	}
	left := p.m.newest()
	e := make1()
	e.everywhere, e.start, e.day = left.everywhere, p.o.now, w.BusinessDay
	r := p.m.rollouts[left.number]
	var sites []string
	from := map[string]*mEdition{}
	for site := range p.m.sites {
		got := left.everywhere
		from[site] = left
		if r != nil && !left.everywhere {
			_, waits := r.waiting[site]
			_, held := left.held[site]
			got = slices.Contains(r.reached, site) && !waits && !held
		}
		if other := p.m.astray(site, p.of); other != nil {
			got, from[site] = true, other
		}
		if got {
			sites = append(sites, site)
		}
	}
	if r != nil {
		r.state = govern.RolloutIsUndone
		r.waiting = map[string]time.Time{}
	}
	left.held = map[string]time.Time{}
	// Where the edition left would begin before the roll-back does, the
	// roll-back begins in its stead.
	for _, site := range sites {
		start := startAt(site)
		if !p.m.isHeld(e, site) {
			start = p.m.away(site, from[site], start, p.o.now, p.of)
		}
		p.m.give(e, site, start)
	}
	p.m.rollouts[e.number] = &mRollout{edition: e, state: govern.RolloutIsDone, waves: []govern.WaveSpec{{All: true}}, open: 1, reached: sites, waiting: map[string]time.Time{}, findings: map[string]bool{}}
}

func (p *player) acknowledge() {
	site, person := p.pick("site", append(slices.Sorted(maps.Keys(p.m.sites)), modelSites...)), p.pick("crew", []string{"x", "y", "z"})
	_, known := p.m.sites[site]
	back := p.n("editions back", 0, 9)
	if back > 2 {
		back = 0
	}
	i := len(p.m.editions) - 1 - back
	if i < 0 {
		return
	}
	e := p.m.editions[i]
	acts, err := p.o.AcknowledgeCard(p.o.station(site), p.o.rules, govern.CardSeen{Site: site, Edition: e.number, Person: person})
	if !p.agree("acknowledge", known && back < 2, acts, err) {
		return
	}
	if p.m.acks[e.number] == nil {
		p.m.acks[e.number] = map[string]map[string]bool{}
	}
	if p.m.acks[e.number][site] == nil {
		p.m.acks[e.number][site] = map[string]bool{}
	}
	if p.m.acks[e.number][site][person] {
		return
	}
	p.m.acks[e.number][site][person] = true
	p.m.settle(p.o.now, p.opening)
}
