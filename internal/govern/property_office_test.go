package govern_test

import (
	"fmt"
	"maps"
	"slices"

	"samecup.example/samecup/internal/govern"
)

func (p *player) draft() {
	id, who := fmt.Sprintf("d%d", p.n("draft", 0, 3)), p.who(govern.Author)
	etag := p.fresh("e")
	acts, err := p.o.CreateDraft(p.call(who), govern.NewDraft{ID: id, Etag: etag})
	if p.agree("draft", p.can(who, govern.Author) && p.m.drafts[id] == nil, acts, err) {
		p.m.drafts[id] = &mDraft{state: govern.DraftIsOpen, etag: etag, editors: map[string]bool{who: true}, approvals: map[string]govern.Role{},
			needsSafety: p.yes("needs food safety"), needsAttention: p.yes("has a caution")}
	}
}

func (p *player) someDraft() (string, *mDraft, string) {
	id := p.pick("draft", append(slices.Sorted(maps.Keys(p.m.drafts)), "none"))
	d := p.m.drafts[id]
	if d == nil || p.n("stale", 0, 9) == 0 {
		return id, d, "stale"
	}
	return id, d, d.etag
}

func (d *mDraft) review() govern.Review {
	r := govern.Review{NeedsFoodSafety: d.needsSafety}
	if d.needsAttention {
		r.Cautions = []govern.Caution{{ID: "c1", Text: "hot"}}
	}
	return r
}

func (p *player) save() {
	id, d, etag := p.someDraft()
	who, next := p.who(govern.Author), p.fresh("e")
	acts, err := p.o.SaveDraft(p.call(who), id, govern.DraftSave{BaseEtag: etag, Etag: next})
	if p.agree("save", p.can(who, govern.Author) && d != nil && etag == d.etag && d.state != govern.DraftIsOut && d.state != govern.DraftIsGone, acts, err) {
		d.etag, d.state, d.editors[who] = next, govern.DraftIsOpen, true
		clear(d.approvals)
	}
}

func (p *player) propose() {
	id, d, etag := p.someDraft()
	who, errors := p.who(govern.Author), p.n("errors", 0, 5)/5
	r := govern.Review{Errors: errors}
	acts, err := p.o.ProposeDraft(p.call(who), id, etag, r)
	if p.agree("propose", p.can(who, govern.Author) && d != nil && etag == d.etag && d.state == govern.DraftIsOpen && errors == 0, acts, err) {
		d.state = govern.DraftIsUp
		clear(d.approvals)
	}
}

// enough is the rule of the second pair of eyes, from scratch.
func (p *player) enough(approvals map[string]govern.Role, needsSafety bool) bool {
	if !p.m.claimed {
		return true
	}
	roles := slices.Collect(maps.Values(approvals))
	return slices.Contains(roles, govern.Approver) && (!needsSafety || slices.Contains(roles, govern.FoodSafety))
}

func (p *player) mayApprove(who string, role govern.Role, editors map[string]bool, approvals map[string]govern.Role) bool {
	_, twice := approvals[who]
	return p.can(who, role) && (!p.m.claimed || !editors[who] && !twice)
}

func (p *player) approve() {
	id, d, etag := p.someDraft()
	if d == nil {
		d = &mDraft{}
	}
	p.approveAs(id, d, etag, p.who(), p.role(), p.n("forgets", 0, 5) > 0)
}

func (p *player) role() govern.Role {
	return govern.Role(p.pick("role", []string{string(govern.Approver), string(govern.FoodSafety)}))
}

func (p *player) approveAs(id string, d *mDraft, etag, who string, role govern.Role, mindful bool) {
	var seen []string
	if d.needsAttention && mindful {
		seen = []string{"c1"}
	}
	acts, err := p.o.ApproveDraft(p.call(who), id, etag, role, seen, d.review())
	want := etag == d.etag && d.state == govern.DraftIsUp && p.mayApprove(who, role, d.editors, d.approvals) && (mindful || !d.needsAttention)
	if p.agree("approve", want, acts, err) {
		d.approvals[who] = role
		if p.enough(d.approvals, d.needsSafety) {
			d.state = govern.DraftIsPassed
		}
	}
}

// passed takes a new draft all the way, so that rollouts are met often enough.
func (p *player) passed() string {
	id, author := p.fresh("p"), "ada"
	if !p.m.claimed {
		author = govern.Local
	}
	etag := p.fresh("e")
	acts, err := p.o.CreateDraft(p.call(author), govern.NewDraft{ID: id, Etag: etag})
	p.agree("draft", true, acts, err)
	d := &mDraft{state: govern.DraftIsOpen, etag: etag, editors: map[string]bool{author: true}, approvals: map[string]govern.Role{}}
	p.m.drafts[id] = d
	acts, err = p.o.ProposeDraft(p.call(author), id, etag, govern.Review{})
	p.agree("propose", true, acts, err)
	d.state = govern.DraftIsUp
	if author = "ben"; !p.m.claimed {
		author = govern.Local
	}
	p.approveAs(id, d, etag, author, govern.Approver, true)
	return id
}

func (p *player) giveBack() {
	id, d, _ := p.someDraft()
	who := p.who(govern.Author)
	if p.yes("withdraw") {
		acts, err := p.o.WithdrawDraft(p.call(who), id, "no")
		if p.agree("withdraw", p.can(who, govern.Author) && d != nil && d.state != govern.DraftIsOut && d.state != govern.DraftIsGone, acts, err) {
			d.state = govern.DraftIsGone
		}
		return
	}
	acts, err := p.o.ReturnDraft(p.call(who), id, "no")
	if p.agree("return", p.can(who, govern.Approver, govern.FoodSafety, govern.Author) && d != nil && (d.state == govern.DraftIsUp || d.state == govern.DraftIsPassed), acts, err) {
		d.state = govern.DraftIsOpen
		clear(d.approvals)
	}
}

func (p *player) overlay() {
	scope, who, etag := p.pick("scope", modelScopes), p.who(govern.Author), p.fresh("o")
	v := p.m.overlays[scope]
	if v == nil || v.state == govern.OverlayIsRetired {
		acts, err := p.o.CreateOverlay(p.call(who), govern.NewOverlay{Scope: scope, Reason: "water", Etag: etag, Edits: []byte("[1]")})
		if p.agree("overlay", p.can(who, govern.Author) && len(p.m.in(scope)) > 0, acts, err) {
			p.m.overlays[scope] = &mOverlay{state: govern.OverlayIsUp, etag: etag, editors: map[string]bool{who: true}, approvals: map[string]govern.Role{}, base: p.m.newest().number}
		}
		return
	}
	keeps := p.yes("keeps the edits")
	q := govern.NewOverlay{Scope: scope, Reason: "water", Etag: etag}
	if !keeps {
		q.Edits = []byte("[2]")
	}
	acts, err := p.o.RebaseOverlay(p.call(who), q)
	if !p.agree("rebase", p.can(who, govern.Author), acts, err) {
		return
	}
	if !keeps {
		v.editors = map[string]bool{}
	}
	v.editors[who] = true
	v.state, v.etag, v.base = govern.OverlayIsUp, etag, p.m.newest().number
	clear(v.approvals)
}

// inner lists the scopes of live overlays inside one.
func (p *player) inner(scope string) (out []string) {
	for _, other := range modelScopes {
		v := p.m.overlays[other]
		if v != nil && v.live && other != scope && other[:5] == "site." && slices.Contains(p.m.in(scope), other[5:]) && scope[:5] != "site." {
			out = append(out, other)
		}
	}
	return out
}

// someOverlay is mostly one that there is.
func (p *player) someOverlay() string {
	return p.pick("scope", slices.Concat(slices.Sorted(maps.Keys(p.m.overlays)), slices.Sorted(maps.Keys(p.m.overlays)), modelScopes))
}

func (p *player) approveOverlay() {
	scope, who, role := p.someOverlay(), p.who(), p.role()
	v := p.m.overlays[scope]
	etag, needsSafety := "", p.n("safety", 0, 3) == 0
	if v != nil {
		etag = v.etag
	}
	p.approveOverlayAs(scope, v, etag, who, role, needsSafety)
}

func (p *player) approveOverlayAs(scope string, v *mOverlay, etag, who string, role govern.Role, needsSafety bool) {
	scopes := append([]string{scope}, p.inner(scope)...)
	acts, err := p.o.ApproveOverlay(p.call(who), govern.OverlayApproval{Scope: scope, Etag: etag, Role: role, Review: govern.Review{NeedsFoodSafety: needsSafety}, Make: maker("", scopes...)})
	want := v != nil && v.state == govern.OverlayIsUp && v.base == p.m.newest().number && p.mayApprove(who, role, v.editors, v.approvals)
	if !p.agree("approve overlay", want, acts, err) {
		return
	}
	v.approvals[who] = role
	if !p.enough(v.approvals, needsSafety) {
		return
	}
	v.state, v.live = govern.OverlayIsActive, true
	p.m.takesOver(scope, p.numbered(scopes), false, p.o.now, p.of)
}

// released takes an overlay all the way, new or rebased.
func (p *player) released() {
	scope := p.pick("scope", modelScopes)
	if len(p.m.in(scope)) == 0 {
		return
	}
	author, approver, etag := "ada", "ben", p.fresh("o")
	if !p.m.claimed {
		author, approver = govern.Local, govern.Local
	}
	q := govern.NewOverlay{Scope: scope, Reason: "water", Etag: etag, Edits: []byte("[3]")}
	v := p.m.overlays[scope]
	if v == nil || v.state == govern.OverlayIsRetired {
		acts, err := p.o.CreateOverlay(p.call(author), q)
		p.agree("overlay", true, acts, err)
		v = &mOverlay{}
		p.m.overlays[scope] = v
	} else {
		acts, err := p.o.RebaseOverlay(p.call(author), q)
		p.agree("rebase", true, acts, err)
	}
	*v = mOverlay{state: govern.OverlayIsUp, etag: etag, editors: map[string]bool{author: true}, approvals: map[string]govern.Role{}, base: p.m.newest().number, live: v.live}
	p.approveOverlayAs(scope, v, etag, approver, govern.Approver, false)
}

func (p *player) numbered(scopes []string) map[string]uint64 {
	out := map[string]uint64{}
	for _, scope := range scopes {
		p.m.release++
		out[scope] = p.m.release
	}
	return out
}

func (p *player) retire() {
	scope, who := p.someOverlay(), p.who(govern.Approver, govern.FoodSafety, govern.FleetManager)
	v := p.m.overlays[scope]
	there := v != nil && v.state != govern.OverlayIsRetired ||
		slices.ContainsFunc(p.m.direct, func(o told) bool { return o.scope == scope && !o.over })
	var scopes []string
	if v != nil && v.live {
		scopes = p.inner(scope)
	}
	acts, err := p.o.RetireOverlay(p.call(who), scope, "done", maker("", scopes...))
	if !p.agree("retire", p.can(who, govern.Approver, govern.FoodSafety, govern.FleetManager) && there, acts, err) {
		return
	}
	if v != nil {
		v.state, v.live = govern.OverlayIsRetired, false
	}
	p.m.takesOver(scope, p.numbered(scopes), true, p.o.now, p.of)
}

func (p *player) stop() {
	scope, who := p.pick("scope", append([]string{"chain"}, modelScopes...)), p.who(notAuditor()...)
	acts, err := p.o.OrderStop(p.call(who), govern.NewStop{Kind: govern.StopDrink, Target: "latte", Reason: "glass", Scopes: []string{scope}})
	if p.agree("stop", p.can(who, notAuditor()...) && (scope == "chain" || len(p.m.in(scope)) > 0), acts, err) {
		p.m.stops = append(p.m.stops, &mStop{scope: scope, acks: map[string]bool{}})
	}
}

func (p *player) someStop() (string, *mStop) {
	n := p.n("stop", 0, 9)
	if n > 0 && len(p.m.stops) > 0 {
		n = 1 + n%len(p.m.stops)
	}
	if n == 0 || n > len(p.m.stops) {
		return fmt.Sprint(n), nil
	}
	return fmt.Sprint(n), p.m.stops[n-1]
}

func (p *player) seeStop() {
	id, v := p.someStop()
	site := p.pick("site", slices.Concat(slices.Sorted(maps.Keys(p.m.sites)), modelSites))
	_, known := p.m.sites[site]
	acts, err := p.o.AcknowledgeStop(p.o.station(site), govern.StopSeen{Stop: id, Site: site, Person: "x"})
	if !p.agree("see stop", known && v != nil && slices.Contains(p.m.scopes(site), v.scope), acts, err) {
		return
	}
	if v.acks[site] = true; !v.lifted {
		for _, s := range p.o.StopSites(id, p.o.now) {
			if (s.Ack != nil) != v.acks[s.Site] {
				p.Fatalf("stop %s at %s: %+v, the model says %v", id, s.Site, s.Ack, v.acks[s.Site])
			}
		}
	}
}

func (p *player) lift() {
	id, v := p.someStop()
	who := p.who(govern.FleetManager, govern.FoodSafety, govern.QualityLead, govern.Approver)
	acts, err := p.o.LiftStop(p.call(who), id, "tested")
	want := p.can(who, govern.FleetManager, govern.FoodSafety, govern.QualityLead, govern.Approver) && v != nil && !v.lifted && (v.askedBy != who || !p.m.claimed)
	if !p.agree("lift", want, acts, err) {
		return
	}
	if v.askedBy == "" {
		v.askedBy = who
		return
	}
	v.lifted = true
	if s, _ := p.o.Stop(id); s.LiftAskedBy == s.LiftedBy && s.LiftedBy != govern.Local {
		p.Fatalf("stop %s was lifted by one person, %s", id, s.LiftedBy)
	}
}

func notAuditor() []govern.Role {
	return slices.DeleteFunc(govern.Roles(), func(r govern.Role) bool { return r == govern.Auditor })
}
