package release_test

import (
	"crypto/ed25519"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// latte is a serving with a milk, a syrup and a dust on top.
func latte() *drink.Serving {
	return &drink.Serving{
		ID: "latte/cup/milk", Drink: "latte", Milk: "milk", Garnish: []string{"cocoa"},
		Parts: []drink.Part{{Ingredient: "syrup"}, {Ingredient: "milk"}},
	}
}

func TestStopsJudge(t *testing.T) {
	stops := release.CompileStops(&pb.StopList{Version: 1, Stops: []*pb.Stop{
		{Id: "1", Kind: kindDrink, Target: "mocha", Reason: "undeclared nut"},
		{Id: "2", Kind: kindIngredient, Target: "milk", Reason: "recalled"},
		{Id: "3", Kind: kindIngredient, Target: "cocoa", Reason: "foreign body"},
		{Id: "4", Kind: kindLot, Target: "L-2231", Reason: "mould"},
	}}, scopes)
	for _, c := range []struct {
		name  string
		sv    *drink.Serving
		build drink.Build
		want  []string
	}{
		{"nothing stopped", latte(), drink.Build{Milk: "oat", Garnish: []string{}}, nil},
		{"the milk of the spec, none logged", latte(), drink.Build{}, []string{"ingredient milk"}},
		{"the milk used, counted once", latte(), drink.Build{Milk: "milk"}, []string{"ingredient milk"}},
		{"the milk used, against the spec", &drink.Serving{Drink: "latte", Milk: "oat"}, drink.Build{Milk: "milk"}, []string{"ingredient milk"}},
		{"replaced by something else", latte(), drink.Build{Substitutions: []drink.Substitution{{From: "milk", To: "oat"}}}, nil},
		{"replaced by what is stopped", &drink.Serving{Drink: "latte", Milk: "oat"}, drink.Build{Milk: "oat", Substitutions: []drink.Substitution{{From: "sugar", To: "milk"}}}, []string{"ingredient milk"}},
		{"a garnish and a lot", latte(), drink.Build{Milk: "oat", Garnish: []string{"cocoa"}, Lots: []string{"l-2231 ", "L-2231"}}, []string{"ingredient cocoa", "lot L-2231"}},
		{"a drink that the book does not have", nil, drink.Build{Serving: "mocha/cup"}, []string{"drink mocha"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := verdict.Verdict{Grade: verdict.InSpec}
			stops.Judge(c.sv, &c.build, &v)
			var got []string
			for _, f := range v.Findings {
				got = append(got, f.Got)
			}
			slices.Sort(got)
			if diff := cmp.Diff(c.want, got); diff != "" {
				t.Error(diff)
			}
			if stopped := v.Grade == verdict.Unsafe; stopped != (len(c.want) > 0) {
				t.Errorf("grade %s", v.Grade)
			}
		})
	}
	if !stops.Serving(latte()) || stops.Serving(&drink.Serving{Drink: "cortado", Milk: "oat"}) {
		t.Error("a serving with a stopped milk is stopped, one without is not")
	}
	var none *release.Stops
	build := drink.Build{Serving: "latte/cup", Milk: "oat", Garnish: []string{"sugar"}, Lots: []string{"L-1"}}
	v := verdict.Verdict{Grade: verdict.InSpec}
	sv := &drink.Serving{Drink: "latte", Milk: "oat", Parts: []drink.Part{{Ingredient: "oat"}}}
	for _, s := range []*release.Stops{none, release.CompileStops(nil, scopes), stops} {
		if n := testing.AllocsPerRun(100, func() { s.Judge(sv, &build, &v) }); n != 0 {
			t.Errorf("%v allocations for a build that is not stopped", n)
		}
	}
}

func TestPastStopListOutlivesItsKey(t *testing.T) {
	c := newCeremony(t)
	tr := c.trust()
	old, newer := c.stops(1), c.stops(2)
	must[*release.Listed](t)(tr.VerifyStopList(newer))
	if _, err := tr.HeldStopList(old); err == nil {
		t.Fatal("an older list became the current one")
	}
	if l := must[*release.Listed](t)(tr.PastStopList(old)); l.List.Version != 1 {
		t.Errorf("version %d, want 1", l.List.Version)
	}
	if _, err := tr.AddKeyList(c.next(release.KeyListEdit{Revoke: []ed25519.PublicKey{c.live.Public()}})); err != nil {
		t.Fatal(err)
	}
	if l := must[*release.Listed](t)(tr.PastStopList(newer)); l.List.Version != 2 || !tr.Dropped(l.Keys) {
		t.Errorf("list %d of %v: want 2, of a dropped key", l.List.Version, l.Keys)
	}
	forged := seal(t, signer(9), release.StopsPayloadType, &pb.StopList{Version: 3, IssuedTime: nil})
	_, err := tr.PastStopList(forged)
	wantReason(t, err, release.UntrustedKey)
}

// A tea blend that is steeped stands in a step alone.
func TestAStoppedIngredientOfAStepIsFound(t *testing.T) {
	sv := &drink.Serving{ID: "chai/large", Drink: "chai", Steps: []drink.Step{{ID: "steep", Ingredient: "chai-blend"}}}
	stops := release.CompileStops(&pb.StopList{Version: 1, Stops: []*pb.Stop{{Id: "1", Kind: pb.StopKind_STOP_KIND_INGREDIENT, Target: "chai-blend", Reason: "undeclared nut"}}}, nil)
	v := verdict.Verdict{Grade: verdict.InSpec}
	stops.Judge(sv, &drink.Build{Serving: sv.ID}, &v)
	if v.Grade != verdict.Unsafe || !stops.Serving(sv) {
		t.Fatalf("grade %s, serving stopped %v", v.Grade, stops.Serving(sv))
	}
}
