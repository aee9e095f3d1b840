package govern_test

import (
	"testing"

	"samecup.example/samecup/internal/govern"
)

func TestAnUnclaimedInstallationAllowsTheLocalCaller(t *testing.T) {
	o := newOffice(t)
	o.site("tannery-row", "north", "UTC", 4)
	local := func() govern.Call { return o.call(govern.Local) }
	o.do(o.CreateDraft(local(), govern.NewDraft{ID: "menu", Etag: "a"}))
	o.do(o.ProposeDraft(local(), "menu", "a", govern.Review{}))
	o.do(o.ApproveDraft(local(), "menu", "a", govern.Approver, nil, govern.Review{NeedsFoodSafety: true}))
	if d, _ := o.Draft("menu"); d.State != govern.DraftIsPassed {
		t.Fatal(d.State)
	}
	if last := o.acts[len(o.acts)-1]; !last.Unclaimed || govern.Sentence(last) != "local approved draft menu (revision 1) as approver (installation not yet claimed)." {
		t.Fatal(govern.Sentence(last))
	}
	acts, err := o.CreateDraft(o.call("ada", govern.Author), govern.NewDraft{ID: "x", Etag: "a"})
	o.refused("NOT_ALLOWED", acts, err)
	acts, err = o.AddPerson(local(), govern.NewPerson{ID: "ada", Roles: []govern.Role{govern.Author}, TokenHash: digest(1)})
	o.refused("FIRST_MUST_ADMINISTER", acts, err)
	o.claim()
	acts, err = o.CreateDraft(local(), govern.NewDraft{ID: "x", Etag: "a"})
	o.refused("NOT_ALLOWED", acts, err)
	acts, err = o.PublishDirect(local(), o.rules, govern.DirectRelease{Scope: "chain", Make: maker("a", "chain")})
	o.refused("NEEDS_APPROVAL", acts, err)
	acts, err = o.ChangePerson(o.call("max"), govern.PersonChange{ID: "max", Disable: true})
	o.refused("LAST_ADMINISTRATOR", acts, err)
	acts, err = o.ChangePerson(o.call("max"), govern.PersonChange{ID: "max", Roles: []govern.Role{govern.Auditor}})
	o.refused("LAST_ADMINISTRATOR", acts, err)
	o.do(o.ChangePerson(o.call("max"), govern.PersonChange{ID: "eve", Roles: []govern.Role{govern.Administrator}}))
	o.do(o.ChangePerson(o.call("max"), govern.PersonChange{ID: "max", Disable: true}))
	if _, ok := o.ActorByToken(digest("max")); ok {
		t.Fatal("a disabled person's token still works")
	}
	acts, err = o.AddPerson(o.call("max"), govern.NewPerson{ID: "x", Roles: []govern.Role{govern.Author}, TokenHash: digest(1)})
	o.refused("PERSON_DISABLED", acts, err)
	if a, ok := o.ActorByToken(digest("ada")); !ok || a.Name != "Ada" {
		t.Fatal(a)
	}
	o.do(o.ChangePerson(o.call("ada"), govern.PersonChange{ID: "ada", TokenHash: digest("new")}))
	acts, err = o.ChangePerson(o.call("ada"), govern.PersonChange{ID: "ben", TokenHash: digest("stolen")})
	o.refused("ROLE_MISSING", acts, err)
	o.replays()
}

func TestFourEyes(t *testing.T) {
	o := newOffice(t)
	o.claim()
	review := govern.Review{NeedsFoodSafety: true, Digest: "r1", Cautions: []govern.Caution{{ID: "c0ffee01", Text: "milk above 65 °C"}}}
	seen := []string{"c0ffee01"}
	review.Drinks, review.Changes = []string{"latte"}, []string{"latte medium: milk from 60 to 66 °C"}
	o.do(o.CreateDraft(o.call("ada"), govern.NewDraft{ID: "autumn-menu", Etag: "a"}))
	o.do(o.SaveDraft(o.call("eve", govern.Author), "autumn-menu", govern.DraftSave{BaseEtag: "a", Etag: "b"}))
	acts, err := o.SaveDraft(o.call("ada"), "autumn-menu", govern.DraftSave{BaseEtag: "a", Etag: "c", Differing: []string{"drinks/latte.yaml: note"}})
	if r := o.refused("ETAG_DIFFERS", acts, err); r.Code != govern.Aborted || len(r.Fields) != 1 {
		t.Fatal(r)
	}
	acts, err = o.ProposeDraft(o.call("ada"), "autumn-menu", "b", govern.Review{Errors: 2})
	o.refused("BOOK_HAS_ERRORS", acts, err)
	acts, err = o.ApproveDraft(o.call("ben"), "autumn-menu", "b", govern.Approver, seen, review)
	o.refused("DRAFT_NOT_PROPOSED", acts, err)
	o.do(o.ProposeDraft(o.call("ada"), "autumn-menu", "b", review))
	if got := govern.Sentence(o.acts[len(o.acts)-1]); got != "Ada proposed draft autumn-menu (revision 2)." {
		t.Fatal(got)
	}
	approve := func(who string, role govern.Role, cautions []string, r govern.Review) ([]govern.Act, error) {
		return o.ApproveDraft(o.call(who), "autumn-menu", "b", role, cautions, r)
	}
	for _, c := range []struct {
		name, who string
		role      govern.Role
		cautions  []string
		reason    string
	}{
		{"its author", "ada", govern.Approver, seen, "OWN_CHANGE"},
		{"somebody who saved it once", "eve", govern.FoodSafety, seen, "OWN_CHANGE"},
		{"a quality lead", "kit", govern.Approver, seen, "ROLE_MISSING"},
		{"an approver as food safety", "ben", govern.FoodSafety, seen, "ROLE_MISSING"},
		{"in no such role", "ben", govern.Author, seen, "BAD_REQUEST"},
		{"without a caution", "ben", govern.Approver, nil, "CAUTION_UNACKNOWLEDGED"},
		{"with a caution of another review", "ben", govern.Approver, []string{"c0ffee01", "00000000"}, "CAUTION_UNKNOWN"},
	} {
		acts, err := approve(c.who, c.role, c.cautions, review)
		if r := o.refused(c.reason, acts, err); r.Text == "" {
			t.Fatal(c.name)
		}
	}
	o.do(approve("ben", govern.Approver, seen, review))
	if d, _ := o.Draft("autumn-menu"); d.State != govern.DraftIsUp {
		t.Fatalf("approved by one: %s", d.State)
	}
	if n := o.DraftNeeds("autumn-menu", review); len(n) != 1 || n[0] != govern.FoodSafety {
		t.Fatal(n)
	}
	acts, err = o.ApproveDraft(o.call("ben", govern.Approver, govern.FoodSafety), "autumn-menu", "b", govern.FoodSafety, seen, review)
	o.refused("ALREADY_APPROVED", acts, err)

	// What there is to see has changed: the first approval was of something else.
	other := review
	other.Digest = "r2"
	if n := o.DraftNeeds("autumn-menu", other); len(n) != 2 {
		t.Fatal(n)
	}
	o.do(o.AddPerson(o.call("max"), govern.NewPerson{ID: "fay", Name: "Fay", Roles: []govern.Role{govern.FoodSafety}, TokenHash: digest("fay")}))
	o.do(approve("fay", govern.FoodSafety, seen, other))
	if d, _ := o.Draft("autumn-menu"); d.State != govern.DraftIsUp {
		t.Fatal("an approval of another review was counted")
	}
	o.do(approve("ben", govern.Approver, seen, other))
	d, _ := o.Draft("autumn-menu")
	if d.State != govern.DraftIsPassed {
		t.Fatal(d.State)
	}
	last := o.acts[len(o.acts)-1]
	if got := govern.Drinks(last); len(got) != 1 || got[0] != "latte" || len(govern.Changes(last)) != 1 {
		t.Fatal(got)
	}

	// An edit opens it again and drops what was approved.
	o.do(o.SaveDraft(o.call("ada"), "autumn-menu", govern.DraftSave{BaseEtag: "b", Etag: "c"}))
	if d, _ := o.Draft("autumn-menu"); d.State != govern.DraftIsOpen || len(d.Approvals) != 0 {
		t.Fatal(d)
	}
	o.do(o.ProposeDraft(o.call("ada"), "autumn-menu", "c", review))
	o.do(o.ReturnDraft(o.call("ben"), "autumn-menu", "too hot"))
	o.do(o.CommentDraft(o.call("kit"), "autumn-menu", "drinks/latte.yaml: milk", "why?"))
	acts, err = o.CommentDraft(o.call("oli"), "autumn-menu", "", "an auditor writes nothing")
	o.refused("ROLE_MISSING", acts, err)
	o.do(o.WithdrawDraft(o.call("ada"), "autumn-menu", "no"))
	acts, err = o.SaveDraft(o.call("ada"), "autumn-menu", govern.DraftSave{BaseEtag: "c", Etag: "d"})
	o.refused("DRAFT_ENDED", acts, err)
	o.replays()
}

func TestARequestIsAnsweredOnce(t *testing.T) {
	o := newOffice(t)
	o.claim()
	c := o.call("ada")
	c.RequestID, c.RequestDigest = "r-1", digest("asked")
	o.do(o.CreateDraft(c, govern.NewDraft{ID: "a", Etag: "1"}))
	act, d, ok := o.Answered("r-1")
	if !ok || act != o.Number() || d != digest("asked") {
		t.Fatal(act, d, ok)
	}
	acts, err := o.CreateDraft(c, govern.NewDraft{ID: "a", Etag: "1"})
	o.refused("REQUEST_ANSWERED", acts, err)
	c.RequestDigest = digest("something else")
	acts, err = o.CreateDraft(c, govern.NewDraft{ID: "b", Etag: "1"})
	o.refused("REQUEST_REUSED", acts, err)
	o.replays()
	o.now = o.now.AddDate(0, 0, 8)
	o.do(o.CreateDraft(o.call("ada"), govern.NewDraft{ID: "b", Etag: "1"}))
	if _, _, ok := o.Answered("r-1"); ok {
		t.Fatal("kept longer than 7 days")
	}
	o.replays()
}

func TestTheRecordsOrderSurvivesAClockSetBack(t *testing.T) {
	o := newOffice(t)
	o.claim()
	before := o.At()
	o.now = o.now.Add(-48 * 3600e9)
	o.do(o.CreateDraft(o.call("ada"), govern.NewDraft{ID: "a", Etag: "1"}))
	if !o.At().Equal(before) {
		t.Fatal(o.At())
	}
}
