package govern_test

import (
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/record"
)

func TestUnknownActsStopAReplay(t *testing.T) {
	for name, e := range map[string]record.Entry{
		"a kind of a newer version":  {Number: 1, Actor: "ada", Kind: "draft.sung", Body: []byte(`{"act":{}}`)},
		"a field of a newer version": {Number: 1, Actor: "ada", Kind: "draft.returned", Body: []byte(`{"act":{"draft":"a","key":"C"}}`)},
		"no act":                     {Number: 1, Actor: "ada", Kind: "draft.returned", Body: []byte(`{}`)},
		"two values":                 {Number: 1, Actor: "ada", Kind: "draft.returned", Body: []byte(`{"act":{}}{}`)},
		"no JSON":                    {Number: 1, Actor: "ada", Kind: "draft.returned", Body: []byte(`x`)},
	} {
		if a, err := govern.Decode(e); err == nil {
			t.Errorf("%s was read as %+v", name, a)
		}
	}
	if _, err := govern.Restore([]byte(`{"number":1,"at":"2026-10-19T12:00:00Z","choir":{}}`)); err == nil {
		t.Error("a snapshot of a newer version was restored")
	}
}

func TestApplyWantsTheNextAct(t *testing.T) {
	s := govern.New()
	for _, n := range []uint64{0, 2} {
		if err := s.Apply(govern.Act{Number: n, At: monday, Body: &govern.NumberRaised{AtLeast: 1}}); err == nil {
			t.Errorf("act %d was applied first", n)
		}
	}
	if err := s.Apply(govern.Act{Number: 1, At: monday, Body: &govern.NumberRaised{AtLeast: 1}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Apply(govern.Act{Number: 2, At: monday.Add(-time.Second), Body: &govern.NumberRaised{AtLeast: 1}}); err == nil {
		t.Error("an act was applied that is older than the one before")
	}
}

// A drink's history reads as one, from the draft to the counters.
func TestADrinksHistory(t *testing.T) {
	o := launched(t)
	touched := govern.Touched{Drinks: []string{"latte"}, Changes: []string{"latte medium: milk from 180 to 190 g"}}
	o.do(o.CreateDraft(o.call("ada"), govern.NewDraft{ID: "autumn", Etag: "1", BaseEdition: 1}))
	o.do(o.SaveDraft(o.call("ada"), "autumn", govern.DraftSave{BaseEtag: "1", Etag: "2", Touched: touched}))
	o.do(o.ProposeDraft(o.call("ada"), "autumn", "2", govern.Review{Touched: touched}))
	o.do(o.ApproveDraft(o.call("ben"), "autumn", "2", govern.Approver, nil, govern.Review{Touched: touched}))
	o.do(o.CreateRollout(o.call("max"), o.rules, govern.NewRollout{Draft: "autumn", Waves: []govern.WaveSpec{{Sites: []string{"tannery-row"}}, {All: true}},
		Make: func(first uint64) (govern.Made, error) {
			m, err := maker("autumn", "chain")(first)
			m.Touched = touched
			return m, err
		}}))
	o.do(o.HaltRollout(o.call("kit"), 2, "too pale"))
	o.do(o.OrderStop(o.call("kit"), govern.NewStop{Kind: govern.StopDrink, Target: "latte", Reason: "glass", Touched: govern.Touched{Drinks: []string{"latte"}}}))
	var got []string
	for _, a := range o.acts {
		if d := govern.Drinks(a); len(d) == 1 && d[0] == "latte" {
			got = append(got, govern.Sentence(a))
		}
	}
	want := []string{
		"Ada edited draft autumn (revision 2).",
		"Ada proposed draft autumn (revision 2).",
		"Ben approved draft autumn (revision 2) as approver.",
		"Max made edition 2 of draft autumn.",
		"Max began to roll out edition 2 in 2 waves.",
		"Max opened wave 1 of edition 2 for 1 site.",
		`Kit halted the rollout of edition 2: "too pale".`,
		`Kit stopped drink latte in the whole chain (stop 1): "glass".`,
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") {
		t.Fatalf("got\n%s", strings.Join(got, "\n"))
	}
	for _, a := range o.acts {
		if s := govern.Sentence(a); strings.Contains(s, "%!") || !strings.HasSuffix(s, ".") {
			t.Errorf("%s reads %q", a.Kind(), s)
		}
	}
	o.replays()
}
