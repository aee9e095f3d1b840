package govern_test

import (
	"testing"
	"time"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/stat"
)

// chain of four sites in three zones, claimed, with edition 1 everywhere.
func launched(t *testing.T) *office {
	o := newOffice(t)
	o.site("tannery-row", "north", "Europe/London", 4)
	o.site("lantern-hill", "north", "Europe/London", 3)
	o.site("oyster-steps", "coast", "Europe/Athens", 0)
	o.site("quillmaker-street", "west", "America/New_York", 10)
	o.do(o.PublishDirect(o.call(govern.Local), o.rules, govern.DirectRelease{Scope: "chain", Make: maker("one", "chain")}))
	o.claim()
	for _, v := range o.Sites() {
		o.follows(v.ID, 1)
	}
	return o
}

func (o *office) rollOut(draft string, q govern.NewRollout) {
	o.Helper()
	o.approved(draft)
	q.Draft = draft
	if q.Make == nil {
		q.Make = maker(draft, "chain")
	}
	o.do(o.CreateRollout(o.call("max"), o.rules, q))
}

func (o *office) state(edition uint64) govern.RolloutState {
	r, _ := o.Rollout(edition)
	return r.State
}

func TestWavesReachSitesAtTheirOwnOpening(t *testing.T) {
	o := launched(t)
	// 25 October 2026: clocks go back in Europe, a week before New York's.
	o.rollOut("autumn", govern.NewRollout{When: govern.When{BusinessDay: "2026-10-26"},
		Waves: []govern.WaveSpec{{Sites: []string{"tannery-row"}}, {SharePercent: 75}, {All: true}}})
	o.follows("tannery-row", 1, 2)
	o.follows("oyster-steps", 1)
	r, _ := o.Rollout(2)
	acts, err := o.AdvanceRollout(o.call("max"), o.rules, 2, govern.Advance{Etag: r.Etag(), When: r.When})
	o.refused("REASON_MISSING", acts, err)
	acts, err = o.AdvanceRollout(o.system(), o.rules, 2, govern.Advance{Reason: "because"})
	o.refused("PERSON_NEEDED", acts, err)
	o.do(o.ReportWave(o.system(), 2, stat.WaveReport{Advice: stat.AdviceGoOn, Text: "Go on."}))
	acts, err = o.AdvanceRollout(o.call("max"), o.rules, 2, govern.Advance{Etag: r.Etag(), When: r.When})
	o.refused("ETAG_DIFFERS", acts, err)
	r, _ = o.Rollout(2)
	o.do(o.AdvanceRollout(o.call("max"), o.rules, 2, govern.Advance{Etag: r.Etag(), When: r.When}))
	r, _ = o.Rollout(2)
	if got := len(r.Reached()); got != 3 {
		t.Fatalf("75 %% of 4 sites: %d", got)
	}
	o.do(o.AdvanceRollout(o.call("max"), o.rules, 2, govern.Advance{When: r.When, Reason: "the season begins"}))
	if o.state(2) != govern.RolloutIsDone {
		t.Fatal(o.state(2))
	}
	for site, want := range map[string]string{"tannery-row": "05:00Z", "oyster-steps": "03:00Z", "quillmaker-street": "09:00Z"} {
		orders, _ := o.Orders(site)
		if got := orders[len(orders)-1]; got.Start.Format("15:04Z07:00") != want || got.BusinessDay != "2026-10-26" || got.Edition != 2 {
			t.Fatalf("%s: %+v", site, got)
		}
	}
	// Later hours move what is to come; a new site joins by the same day.
	o.do(o.UpdateSite(o.call("max"), o.rules, govern.Site{ID: "tannery-row", Region: "north", Zone: "Europe/London", People: 4, Opening: []int{420, 420, 420, 420, 420, -1, -1}}))
	orders, serial := o.Orders("tannery-row")
	if got := orders[len(orders)-1].Start.Format("15:04"); got != "07:00" || serial != 3 || len(orders) != 2 {
		t.Fatal(got, serial, orders)
	}
	o.site("salt-lane", "coast", "Europe/Athens", 2)
	o.follows("salt-lane", 1, 2)
	o.now = time.Date(2026, 10, 26, 12, 0, 0, 0, time.UTC)
	o.follows("tannery-row", 2)
	o.replays()
}

func TestAHaltIsAutomaticAndGoingOnIsNot(t *testing.T) {
	o := launched(t)
	o.rollOut("autumn", govern.NewRollout{Waves: []govern.WaveSpec{{Sites: []string{"tannery-row", "lantern-hill"}}, {All: true}}})
	o.follows("tannery-row", 2)
	o.follows("oyster-steps", 1)
	o.do(o.ReportWave(o.system(), 2, stat.WaveReport{Advice: stat.AdviceRollBack, Text: "Roll back."}))
	if o.state(2) != govern.RolloutIsHalted {
		t.Fatal(o.state(2))
	}
	acts, err := o.AdvanceRollout(o.call("max"), o.rules, 2, govern.Advance{Reason: "so what"})
	o.refused("ROLLOUT_HALTED", acts, err)
	o.approved("other")
	acts, err = o.CreateRollout(o.call("max"), o.rules, govern.NewRollout{Draft: "other", Make: maker("x", "chain")})
	o.refused("ROLLOUT_OPEN", acts, err)
	o.do(o.ResumeRollout(o.call("max"), o.rules, 2, "", "a scale was out"))
	o.do(o.ReportSafety(o.system(), 2, "build-7", "milk at 71 °C"))
	if r, _ := o.Rollout(2); r.State != govern.RolloutIsHalted || r.Reason != "safety finding: milk at 71 °C" {
		t.Fatal(r)
	}
	o.do(o.ResumeRollout(o.call("max"), o.rules, 2, "", "looked at it"))
	if acts, err := o.ReportSafety(o.system(), 2, "build-7", "milk at 71 °C"); err != nil || acts != nil {
		t.Fatal("the same finding halts twice", err)
	}

	acts, err = o.RollBack(o.call("max"), o.rules, govern.RollBackTo{Reason: "worse", Objections: []string{"lot 7 of oat milk is stopped"}, Make: maker("one", "chain")})
	o.refused("ROLLBACK_BLOCKED", acts, err)
	o.do(o.RollBack(o.call("max"), o.rules, govern.RollBackTo{Reason: "worse", Make: maker("one", "chain")}))
	o.follows("tannery-row", 3)
	o.follows("oyster-steps", 1)
	if o.state(2) != govern.RolloutIsUndone || o.state(3) != govern.RolloutIsDone {
		t.Fatal(o.state(2), o.state(3))
	}
	if e, _ := o.Edition(3); e.RollsBackTo != 1 {
		t.Fatal(e)
	}
	// An overlay pinned to the roll-back's edition fits sites on what it brings
	// back.
	o.do(o.CreateOverlay(o.call("ada"), govern.NewOverlay{Scope: "region.coast", Reason: "soft water", Etag: "o1", Edits: []byte(`[1]`)}))
	o.do(o.ApproveOverlay(o.call("ben"), govern.OverlayApproval{Scope: "region.coast", Etag: "o1", Role: govern.Approver, Make: maker("", "region.coast")}))
	o.follows("oyster-steps", 4)
	o.follows("tannery-row", 3)
	o.replays()
}

func TestRollBackOvertakesWhatHasNotBegun(t *testing.T) {
	o := launched(t)
	o.rollOut("autumn", govern.NewRollout{When: govern.When{BusinessDay: "2026-10-21"}})
	o.follows("tannery-row", 1, 2)
	o.do(o.RollBack(o.call("max"), o.rules, govern.RollBackTo{Reason: "a slip", When: govern.When{BusinessDay: "2026-10-23"}, Make: maker("one", "chain")}))
	o.follows("tannery-row", 1, 3)
	// An emergency at once supersedes all that was to come.
	o.rollOut("allergen", govern.NewRollout{Make: safety(maker("allergen", "chain")), TrainingPercent: 100})
	o.follows("tannery-row", 4)
	o.replays()
}

func TestSitesWaitForTraining(t *testing.T) {
	o := launched(t)
	o.rollOut("autumn", govern.NewRollout{TrainingPercent: 50})
	o.follows("oyster-steps", 2) // nobody said how many work there
	o.follows("lantern-hill", 1)
	r, _ := o.Rollout(2)
	if got := r.WaitingSites(); len(got) != 3 || r.State != govern.RolloutRuns {
		t.Fatal(got)
	}
	ack := func(site, person string) {
		t.Helper()
		o.do(o.AcknowledgeCard(o.station(site), o.rules, govern.CardSeen{Site: site, Edition: 2, Person: person}))
	}
	ack("lantern-hill", "p1")
	ack("lantern-hill", "p1")
	o.follows("lantern-hill", 1)
	acts, err := o.AcknowledgeCard(o.station("oyster-steps"), o.rules, govern.CardSeen{Site: "lantern-hill", Edition: 2, Person: "p2"})
	o.refused("OTHER_SITE", acts, err)
	ack("lantern-hill", "p2") // 2 of 3 is at least half
	o.follows("lantern-hill", 1, 2)
	orders, _ := o.Orders("lantern-hill")
	if got := orders[1]; !got.Start.Equal(time.Date(2026, 10, 20, 4, 0, 0, 0, time.UTC)) || got.BusinessDay != "2026-10-20" {
		t.Fatalf("not at its next opening: %+v", got)
	}
	// While halted nobody joins; resuming makes up for it.
	o.do(o.HaltRollout(o.call("kit"), 2, "looks odd"))
	ack("tannery-row", "a")
	ack("tannery-row", "b")
	o.follows("tannery-row", 1)
	o.do(o.ResumeRollout(o.call("max"), o.rules, 2, "", "it was nothing"))
	o.follows("tannery-row", 1, 2)
	// A smaller crew needs fewer.
	for _, p := range []string{"a", "b"} {
		ack("quillmaker-street", p)
	}
	o.do(o.UpdateSite(o.call("max"), o.rules, govern.Site{ID: "quillmaker-street", Region: "west", Zone: "America/New_York", People: 4}))
	o.follows("quillmaker-street", 1, 2)
	if o.state(2) != govern.RolloutIsDone {
		t.Fatal(o.state(2))
	}
	for _, v := range o.Training(2) {
		if v.Acknowledged < v.Needed {
			t.Fatal(v)
		}
	}
	o.now = o.now.AddDate(0, 0, 2)
	o.rollOut("b", govern.NewRollout{})
	o.rollOut("c", govern.NewRollout{})
	acts, err = o.AcknowledgeCard(o.call("kit"), o.rules, govern.CardSeen{Site: "tannery-row", Edition: 2, Person: "late"})
	o.refused("EDITION_ENDED", acts, err)
	if got := o.Training(2); got[3].Acknowledged != 2 {
		t.Fatal("the counts were lost with the names", got)
	}
	o.replays()
}

func TestRolloutsAreRefused(t *testing.T) {
	o := launched(t)
	o.approved("autumn")
	for name, c := range map[string]struct {
		q      govern.NewRollout
		reason string
	}{
		"two kinds in a wave":  {govern.NewRollout{Waves: []govern.WaveSpec{{Sites: []string{"tannery-row"}, All: true}}}, "BAD_REQUEST"},
		"no wave for all":      {govern.NewRollout{Waves: []govern.WaveSpec{{SharePercent: 20}}}, "BAD_REQUEST"},
		"a share that falls":   {govern.NewRollout{Waves: []govern.WaveSpec{{SharePercent: 20}, {SharePercent: 10}, {All: true}}}, "BAD_REQUEST"},
		"an unknown site":      {govern.NewRollout{Waves: []govern.WaveSpec{{Sites: []string{"moon"}}, {All: true}}}, "SITE_NOT_FOUND"},
		"a ratio below 1":      {govern.NewRollout{Test: stat.WaveTest{HarmfulRatio: .5}}, "BAD_REQUEST"},
		"an impossible share":  {govern.NewRollout{TrainingPercent: 101}, "BAD_REQUEST"},
		"a day that is none":   {govern.NewRollout{When: govern.When{BusinessDay: "soon"}}, "BAD_REQUEST"},
		"a draft not approved": {govern.NewRollout{Draft: "none"}, "DRAFT_NOT_FOUND"},
	} {
		if c.q.Draft == "" {
			c.q.Draft = "autumn"
		}
		c.q.Make = func(uint64) (govern.Made, error) { t.Fatal(name, "was signed"); panic("unreachable") }
		acts, err := o.CreateRollout(o.call("max"), o.rules, c.q)
		o.refused(c.reason, acts, err)
	}
	if _, err := o.CreateRollout(o.call("max"), o.rules, govern.NewRollout{Draft: "autumn", Make: maker("x", "region.north")}); err == nil {
		t.Fatal("an edition without a chain release was taken")
	}
}

func TestSharesAreAFixedShuffle(t *testing.T) {
	sites := []string{"a", "b", "c", "d", "e", "f", "g", "h"}
	first := govern.Shuffle(7, sites)
	again := govern.Shuffle(7, []string{"h", "g", "f", "e", "d", "c", "b", "a"})
	differs := false
	for i := range first {
		if first[i] != again[i] {
			t.Fatal("the shuffle depends on the order of its input")
		}
		differs = differs || first[i] != govern.Shuffle(8, sites)[i]
	}
	if !differs {
		t.Fatal("every edition begins at the same sites")
	}
}

// A halted edition that alone declares an allergen can neither be rolled back
// nor go on: a mended one takes its place.
func TestAMendedEditionTakesAHaltedOnesPlace(t *testing.T) {
	o := launched(t)
	o.rollOut("autumn", govern.NewRollout{Make: safety(maker("autumn", "chain")), Waves: []govern.WaveSpec{{Sites: []string{"tannery-row", "lantern-hill"}}, {All: true}}})
	o.approved("mended")
	mended := govern.NewRollout{Draft: "mended", Make: maker("mended", "chain"), TrainingPercent: 100,
		Waves: []govern.WaveSpec{{Sites: []string{"oyster-steps"}}, {All: true}}}
	acts, err := o.CreateRollout(o.call("max"), o.rules, mended)
	o.refused("ROLLOUT_OPEN", acts, err)
	mended.Replaces = 2
	acts, err = o.CreateRollout(o.call("max"), o.rules, mended)
	o.refused("ROLLOUT_NOT_HALTED", acts, err)
	o.do(o.HaltRollout(o.call("kit"), 2, "too pale"))
	acts, err = o.RollBack(o.call("max"), o.rules, govern.RollBackTo{Reason: "too pale", Objections: []string{"syrup contains soya according to edition 2"}, Make: maker("one", "chain")})
	o.refused("ROLLBACK_BLOCKED", acts, err)
	mended.Replaces = 7
	acts, err = o.CreateRollout(o.call("max"), o.rules, mended)
	o.refused("ROLLOUT_NOT_FOUND", acts, err)
	mended.Replaces = 1
	acts, err = o.CreateRollout(o.call("max"), o.rules, mended)
	o.refused("ROLLOUT_NOT_FOUND", acts, err) // edition 1 was published directly

	mended.Replaces = 2
	o.do(o.CreateRollout(o.call("max"), o.rules, mended))
	for _, site := range []string{"tannery-row", "lantern-hill", "oyster-steps"} {
		o.follows(site, 3)
	}
	o.follows("quillmaker-street", 1)
	old, _ := o.Rollout(2)
	now, _ := o.Rollout(3)
	if old.State != govern.RolloutIsReplaced || old.ReplacedBy != 3 || now.Replaces != 2 || len(now.Reached()) != 3 || len(now.WaitingSites()) != 0 {
		t.Fatalf("%+v\n%+v", old, now)
	}
	// For a site that never had edition 2 the two are one change, and a safety one.
	if e, _ := o.Edition(3); !e.Safety {
		t.Fatal("what edition 2 declared no longer counts as a safety change")
	}
	acts, err = o.ResumeRollout(o.call("max"), o.rules, 2, "", "after all")
	o.refused("ROLLOUT_NOT_HALTED", acts, err)
	o.site("salt-lane", "coast", "Europe/Athens", 2)
	o.follows("salt-lane", 1)
	o.do(o.AdvanceRollout(o.call("max"), o.rules, 3, govern.Advance{Reason: "it is mended"}))
	for _, v := range o.Sites() {
		o.follows(v.ID, 3)
	}
	// Going back passes over what was replaced.
	if to, err := o.RollBackTarget(0); to != 1 || err != nil {
		t.Fatal(to, err)
	}
	o.replays()
}

// What a halted edition would still begin never does once it is replaced, and
// its sites need no training to leave it.
func TestAReplacedEditionNeverBegins(t *testing.T) {
	o := launched(t)
	o.rollOut("autumn", govern.NewRollout{When: govern.When{BusinessDay: "2026-10-21"}, Waves: []govern.WaveSpec{{SharePercent: 99}, {All: true}}})
	o.do(o.HaltRollout(o.call("kit"), 2, "a slip"))
	o.approved("mended")
	o.do(o.CreateRollout(o.call("max"), o.rules, govern.NewRollout{Draft: "mended", Replaces: 2, TrainingPercent: 50,
		When: govern.When{BusinessDay: "2026-10-23"}, Make: maker("mended", "chain")}))
	for _, v := range o.Sites() {
		o.follows(v.ID, 1, 3)
	}
	orders, _ := o.Orders("tannery-row")
	if got := orders[1]; got.BusinessDay != "2026-10-21" {
		t.Fatalf("edition 3 begins %+v, after edition 2 would have", got)
	}
	if o.state(3) != govern.RolloutIsDone {
		t.Fatal(o.state(3))
	}
	o.replays()
}
