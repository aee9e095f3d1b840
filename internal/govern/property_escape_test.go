package govern_test

import (
	"fmt"

	"samecup.example/samecup/internal/govern"
)

// escapes checks that the state is no dead end: on a copy of it, a few acts that
// are allowed bring every site onto one edition at once. The roles are those of
// people whom an administrator adds, so that it does not hang on who is there.
func (p *player) escapes() {
	p.Helper()
	snapshot, err := p.o.Snapshot()
	if err != nil {
		p.Fatalf("%v", err)
	}
	state, err := govern.Restore(snapshot)
	if err != nil {
		p.Fatalf("%v", err)
	}
	// Nothing is logged, and nothing chained: the copy is thrown away.
	o := &office{tb: p.T, State: state, now: p.o.now, rules: p.o.rules}
	do := func(what string, acts []govern.Act, err error) {
		p.Helper()
		if err != nil {
			p.Fatalf("a dead end: %s: %v", what, err)
		}
		for _, a := range acts {
			if err := state.Apply(a); err != nil {
				p.Fatalf("%s: %v", what, err)
			}
		}
	}
	author, approver, fleet := govern.Local, govern.Local, govern.Local
	if state.Claimed() {
		author, approver, fleet = "way-author", "way-approver", "way-fleet"
		for id, role := range map[string]govern.Role{author: govern.Author, approver: govern.Approver, fleet: govern.FleetManager} {
			acts, err := state.AddPerson(p.call("max"), govern.NewPerson{ID: id, Roles: []govern.Role{role}, TokenHash: digest(id)})
			do("add a person", acts, err)
		}
	}
	replaces := uint64(0)
	if r, open := state.Unfinished(); open {
		acts, err := state.HaltRollout(o.call(fleet), r.Edition, "a way out")
		do("halt", acts, err)
		replaces = r.Edition
	}
	// What is particular to a scope could hold its sites back.
	for _, scope := range modelScopes {
		if v, there := state.Overlay(scope); there && v.State != govern.OverlayIsRetired {
			acts, err := state.RetireOverlay(o.call(fleet), scope, "a way out", maker("", p.liveWithin(state, scope)...))
			do("retire "+scope, acts, err)
		}
	}
	etag := "way-1"
	acts, err := state.CreateDraft(o.call(author), govern.NewDraft{ID: "way", Etag: etag, BaseEdition: state.Newest()})
	do("draft", acts, err)
	acts, err = state.ProposeDraft(o.call(author), "way", etag, govern.Review{})
	do("propose", acts, err)
	acts, err = state.ApproveDraft(o.call(approver), "way", etag, govern.Approver, nil, govern.Review{})
	do("approve", acts, err)
	acts, err = state.CreateRollout(o.call(fleet), o.rules, govern.NewRollout{Draft: "way", Replaces: replaces, Make: maker("way", "chain")})
	do("roll out", acts, err)
	for _, scope := range modelScopes { // what was published directly lies over it
		if acts, err := state.RetireOverlay(o.call(fleet), scope, "a way out", nil); err == nil {
			do("retire "+scope, acts, nil)
		}
	}
	for _, site := range state.Sites() {
		orders, _ := state.Orders(site.ID)
		if got, _ := state.InForce(site.ID, o.now); got.Edition != state.Newest() || orders[len(orders)-1].Edition != state.Newest() {
			p.Fatalf("a dead end: %s follows edition %d and not %d; orders %s", site.ID, got.Edition, state.Newest(), fmt.Sprint(orders))
		}
	}
}

// liveWithin lists the overlays in force inside a scope other than its own.
func (p *player) liveWithin(state *govern.State, scope string) (out []string) {
	if o, _ := state.Overlay(scope); o.Live == nil {
		return nil
	}
	for _, o := range state.Overlays() {
		if o.Live == nil || o.Scope == scope || o.Scope[:5] != "site." {
			continue
		}
		for _, s := range state.Scopes(o.Scope[5:]) {
			if s == scope {
				out = append(out, o.Scope)
			}
		}
	}
	return out
}
