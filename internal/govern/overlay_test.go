package govern_test

import (
	"testing"
	"time"

	"samecup.example/samecup/internal/govern"
)

func (o *office) overlaid(scope, etag string, scopes ...string) {
	o.Helper()
	o.do(o.CreateOverlay(o.call("ada"), govern.NewOverlay{Scope: scope, Reason: "hard water", Etag: etag, Edits: []byte(`[{"path":"x"}]`)}))
	o.passed(scope, etag, scopes...)
}

func (o *office) passed(scope, etag string, scopes ...string) {
	o.Helper()
	o.do(o.ApproveOverlay(o.call("ben"), govern.OverlayApproval{Scope: scope, Etag: etag, Role: govern.Approver, Make: maker("", append([]string{scope}, scopes...)...)}))
}

func TestOverlays(t *testing.T) {
	o := launched(t)
	acts, err := o.CreateOverlay(o.call("ada"), govern.NewOverlay{Scope: "region.moon", Reason: "x", Etag: "1", Edits: []byte("[]")})
	o.refused("SCOPE_UNKNOWN", acts, err)
	o.do(o.CreateOverlay(o.call("ada"), govern.NewOverlay{Scope: "region.north", Reason: "hard water", Etag: "n1", Edits: []byte("[1]")}))
	acts, err = o.ApproveOverlay(o.call("ada"), govern.OverlayApproval{Scope: "region.north", Etag: "n1", Role: govern.Approver})
	o.refused("OWN_CHANGE", acts, err)
	o.passed("region.north", "n1")
	o.follows("tannery-row", 2)
	o.follows("oyster-steps", 1)
	o.overlaid("site.tannery-row", "t1")
	o.follows("tannery-row", 3)
	o.follows("lantern-hill", 2)

	// A new edition that the region's overlay conflicts with: its sites keep
	// what they have, and say so.
	o.rollOut("autumn", govern.NewRollout{Make: needing(maker("autumn", "chain"), "region.north"), When: govern.When{BusinessDay: "2026-10-21"}})
	o.follows("tannery-row", 3)
	o.follows("lantern-hill", 2)
	o.follows("oyster-steps", 1, 4)
	if v, _ := o.Overlay("region.north"); v.State != govern.OverlayIsBehind || len(v.Conflicts) != 1 {
		t.Fatal(v)
	}
	if e, _ := o.Edition(4); len(e.Held) != 2 {
		t.Fatal(e.Held)
	}
	// Rebased with its edits kept: whoever edited it before still may not
	// approve it.
	o.do(o.RebaseOverlay(o.call("eve", govern.Author), govern.NewOverlay{Scope: "region.north", Reason: "as before", Etag: "n2", BaseEtag: "n1"}))
	acts, err = o.ApproveOverlay(o.call("ada"), govern.OverlayApproval{Scope: "region.north", Etag: "n2", Role: govern.Approver})
	o.refused("OWN_CHANGE", acts, err)
	o.passed("region.north", "n2", "site.tannery-row")
	o.follows("tannery-row", 3, 6)
	o.follows("lantern-hill", 2, 5)
	o.now = time.Date(2026, 10, 22, 12, 0, 0, 0, time.UTC)

	// Retired, the scope returns to the wider book.
	o.do(o.RetireOverlay(o.call("ben"), "site.tannery-row", "softener fitted", nil))
	o.follows("tannery-row", 5)
	o.do(o.RetireOverlay(o.call("ben"), "region.north", "softeners everywhere", nil))
	o.follows("tannery-row", 4)
	o.follows("lantern-hill", 4)
	acts, err = o.RetireOverlay(o.call("ben"), "region.north", "again", nil)
	o.refused("OVERLAY_NOT_FOUND", acts, err)

	// Proposed on an edition that is not the newest any more.
	o.do(o.CreateOverlay(o.call("ada"), govern.NewOverlay{Scope: "site.tannery-row", Reason: "again", Etag: "t2", Edits: []byte("[2]")}))
	o.rollOut("winter", govern.NewRollout{})
	acts, err = o.ApproveOverlay(o.call("ben"), govern.OverlayApproval{Scope: "site.tannery-row", Etag: "t2", Role: govern.Approver})
	o.refused("NEEDS_REBASE", acts, err)

	// A site that moves to another region follows what holds there.
	o.overlaid("region.coast", "c1")
	next := o.NextRelease() - 1
	o.do(o.UpdateSite(o.call("max"), o.rules, govern.Site{ID: "lantern-hill", Region: "coast", Zone: "Europe/London", People: 3}))
	o.follows("lantern-hill", next)
	o.replays()
}

func TestDirectPublishing(t *testing.T) {
	o := newOffice(t)
	o.site("tannery-row", "north", "UTC", 0)
	o.site("oyster-steps", "coast", "UTC", 0)
	publish := func(scope string, in time.Duration) {
		t.Helper()
		o.do(o.PublishDirect(o.call(govern.Local), o.rules, govern.DirectRelease{Scope: scope, Start: o.now.Add(in), Make: maker(scope, scope)}))
	}
	publish("site.tannery-row", time.Hour) // 1, before the chain has anything
	o.follows("tannery-row", 0, 1)
	publish("chain", 0) // 2
	o.follows("tannery-row", 2, 1)
	publish("region.north", 30*time.Minute) // 3
	o.follows("tannery-row", 2, 3, 1)
	publish("chain", 45*time.Minute) // 4: hidden there from the first moment on
	o.follows("tannery-row", 2, 3, 1)
	o.follows("oyster-steps", 2, 4)
	_, serial := o.Orders("tannery-row")
	publish("chain", 50*time.Minute) // 5
	if _, again := o.Orders("tannery-row"); again != serial {
		t.Fatal("the serial rose, and nothing changed")
	}
	publish("chain", -time.Hour) // 6, in the past: in force now, and 4 and 5 never
	o.follows("oyster-steps", 6)
	o.site("lantern-hill", "north", "UTC", 0)
	o.follows("lantern-hill", 6, 3)
	o.now = o.now.Add(2 * time.Hour)
	o.follows("tannery-row", 1)
	publish("site.tannery-row", 0) // 7
	o.follows("tannery-row", 7)
	o.claim()
	o.rollOut("autumn", govern.NewRollout{}) // 8
	o.follows("tannery-row", 7)
	o.follows("lantern-hill", 3)
	o.follows("oyster-steps", 8)
	o.do(o.RetireOverlay(o.call("max"), "region.north", "no longer", nil))
	o.follows("lantern-hill", 8)
	o.overlaid("site.tannery-row", "t1") // 9
	o.follows("tannery-row", 9)
	o.replays()
}
