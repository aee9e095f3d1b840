package release_test

import (
	"testing"

	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	kindDrink      = pb.StopKind_STOP_KIND_DRINK
	kindIngredient = pb.StopKind_STOP_KIND_INGREDIENT
	kindLot        = pb.StopKind_STOP_KIND_LOT
)

func TestStopped(t *testing.T) {
	list := &pb.StopList{Version: 4, IssuedTime: timestamppb.New(noon), Stops: []*pb.Stop{
		{Id: "1", Kind: kindDrink, Target: "mocha", Scopes: []string{"chain"}},
		{Id: "2", Kind: kindIngredient, Target: "hazelnut-syrup", Scopes: []string{"region.north"}},
		{Id: "3", Kind: kindIngredient, Target: "oat-drink", Scopes: []string{"site.oyster-steps"}},
		{Id: "4", Kind: kindLot, Target: "L 2026-10a", Scopes: []string{"site.tannery-row"}},
		{Id: "5", Kind: kindDrink, Target: "latte"},
		{Id: "6", Kind: 9, Target: "what is this", Scopes: []string{"chain"}},
		{Id: "7", Kind: kindDrink, Target: "mocha", Scopes: []string{"chain"}},
		{Id: "8", Kind: kindDrink, Target: "flat-white", Scopes: []string{"planet.earth"}},
	}}
	s := release.CompileStops(list, scopes)
	for _, c := range []struct {
		name, drink       string
		ingredients, lots []string
		want              string
	}{
		{"a drink, the oldest stop", "mocha", nil, nil, "1"},
		{"an ingredient in the region", "espresso", []string{"milk", "hazelnut-syrup"}, nil, "2"},
		{"another site's ingredient", "espresso", []string{"oat-drink"}, nil, ""},
		{"a lot, however it is typed", "espresso", []string{"milk"}, []string{"l2026-10A "}, "4"},
		{"another lot", "espresso", nil, []string{"L 2026-11"}, ""},
		{"no scope is every scope", "latte", nil, nil, "5"},
		{"a scope that cannot be read is every scope", "flat-white", nil, nil, "8"},
		{"nothing stopped", "espresso", []string{"milk"}, nil, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			if got := s.Stopped(c.drink, c.ingredients, c.lots).GetId(); got != c.want {
				t.Fatalf("stopped by %q, want %q", got, c.want)
			}
		})
	}
	if len(s.Open()) != 7 || len(s.Unknown()) != 1 {
		t.Fatalf("%d open, %d unknown", len(s.Open()), len(s.Unknown()))
	}
	var none *release.Stops
	if none.Stopped("mocha", nil, nil) != nil || none.Open() != nil || none.Unknown() != nil || new(release.Stops).Stopped("mocha", nil, nil) != nil {
		t.Fatal("nothing stops something")
	}
	ingredients, lots := []string{"milk", "espresso"}, []string{"L2026-11"}
	for _, s := range []*release.Stops{nil, release.CompileStops(nil, scopes), s} {
		if n := testing.AllocsPerRun(100, func() { s.Stopped("cortado", ingredients, lots) }); n != 0 {
			t.Errorf("%v allocations for a drink that is not stopped", n)
		}
	}
}
