package wire_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

func text() *rapid.Generator[string] { return rapid.StringN(0, 20, 80) }

func milli() *rapid.Generator[drink.Milli] {
	return rapid.Custom(func(t *rapid.T) drink.Milli {
		return drink.Milli(rapid.Int64Range(-int64(drink.MaxMilli), int64(drink.MaxMilli)).Draw(t, "milli"))
	})
}

func moment() *rapid.Generator[time.Time] {
	return rapid.Custom(func(t *rapid.T) time.Time {
		if rapid.Bool().Draw(t, "absent") {
			return time.Time{}
		}
		return time.Unix(rapid.Int64Range(0, 4e9).Draw(t, "s"), rapid.Int64Range(0, 999_999_999).Draw(t, "ns")).UTC()
	})
}

func builds() *rapid.Generator[drink.Build] {
	return rapid.Custom(func(t *rapid.T) drink.Build {
		str := func(n string) string { return text().Draw(t, n) }
		b := drink.Build{
			ID: str("id"), Serving: str("serving"), Release: rapid.Uint64().Draw(t, "release"), Site: str("site"), Station: str("station"),
			StartedAt: moment().Draw(t, "start"), FinishedAt: moment().Draw(t, "end"), Vessel: str("vessel"), Milk: str("milk"),
			Shots: rapid.IntRange(0, wire.MaxList).Draw(t, "shots"), Garnish: rapid.SliceOfN(text(), 0, 4).Draw(t, "garnish"),
			Sampled: rapid.Bool().Draw(t, "sampled"), By: str("by"), How: str("how"),
			StopList: rapid.Uint64().Draw(t, "stops"), Lots: rapid.SliceOfN(text(), 0, 3).Draw(t, "lots"), Corrects: str("corrects"),
		}
		for range rapid.IntRange(0, 5).Draw(t, "readings") {
			b.Readings = append(b.Readings, drink.Reading{
				Check: str("check"), Occurrence: rapid.IntRange(1, 8).Draw(t, "n"), Value: milli().Draw(t, "v"), Unit: drink.Unit(str("unit")),
				Resolution: max(0, milli().Draw(t, "res")), Instrument: str("ins"),
				MeasuredAt: moment().Draw(t, "m"), EnteredAt: moment().Draw(t, "e"), ReceivedAt: moment().Draw(t, "r"),
			})
		}
		for range rapid.IntRange(0, 5).Draw(t, "steps") {
			b.Steps = append(b.Steps, drink.StepLog{Step: str("step"), At: time.Duration(rapid.Int64Range(-1e15, 1e15).Draw(t, "at"))})
		}
		for range rapid.IntRange(0, 2).Draw(t, "subs") {
			b.Substitutions = append(b.Substitutions, drink.Substitution{From: str("from"), To: str("to")})
		}
		return b
	})
}

func TestBuildsComeBackAsTheyWent(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := builds().Draw(t, "build")
		raw, err := proto.Marshal(wire.BuildToProto(&in))
		if err != nil {
			t.Fatal(err)
		}
		var m pb.Build
		if err := proto.Unmarshal(raw, &m); err != nil {
			t.Fatal(err)
		}
		var out drink.Build
		if err := wire.BuildFromProto(&m, &out); err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(in, out, cmpopts.EquateEmpty()); d != "" {
			t.Fatal(d)
		}
	})
}

func TestBuildFromProtoNamesTheFieldAtFault(t *testing.T) {
	good := func() *pb.Build {
		return &pb.Build{Id: "x", Readings: []*pb.Reading{{Check: "dose", ValueMilli: 18_000, Unit: "g"}}, Steps: []*pb.StepLog{{Step: "pull", At: durationpb.New(1)}}}
	}
	for _, c := range []struct {
		field string
		edit  func(*pb.Build)
	}{
		{"serving", func(b *pb.Build) { b.Serving = strings.Repeat("x", 10<<20) }},
		{"milk", func(b *pb.Build) { b.Milk = "\xff\xfe" }},
		{"started_time", func(b *pb.Build) { b.StartedTime = &timestamppb.Timestamp{Seconds: math.MaxInt64} }},
		{"shots", func(b *pb.Build) { b.Shots = -1 }},
		{"readings", func(b *pb.Build) { b.Readings = make([]*pb.Reading, 10_000) }},
		{"readings[0].value_milli", func(b *pb.Build) { b.Readings[0].ValueMilli = math.MinInt64 }},
		{"readings[0].resolution_milli", func(b *pb.Build) { b.Readings[0].ResolutionMilli = -1 }},
		{"readings[0].occurrence", func(b *pb.Build) { b.Readings[0].Occurrence = -2 }},
		{"steps[0].at", func(b *pb.Build) { b.Steps[0].At = nil }},
		{"steps[0].at", func(b *pb.Build) { b.Steps[0].At = &durationpb.Duration{Seconds: math.MaxInt64} }},
		{"garnish", func(b *pb.Build) { b.Garnish = make([]string, 1000) }},
		{"substitutions[0].to", func(b *pb.Build) { b.Substitutions = []*pb.Substitution{{To: "\xff"}} }},
	} {
		b := good()
		c.edit(b)
		err := wire.BuildFromProto(b, new(drink.Build))
		var fe *wire.FieldError
		if !errors.As(err, &fe) || fe.Field != c.field || fe.Allowed == "" || len(fe.Value) > 60 {
			t.Errorf("%s: got %v", c.field, err)
		}
	}
}

func TestBookComesBackAsItWent(t *testing.T) {
	in := &drink.Book{
		Chain: "Harbour & Finch",
		House: drink.House{
			Pull:    drink.Pull{Basket: 20_000, StartEvent: "pump_on", SinglesPerPull: 2, Checks: []drink.Check{{ID: "dose", Measure: "dose", Target: 18_000, Low: 17_700, High: 18_300, HardHigh: drink.NoHigh, Criticality: drink.Quality, Need: drink.WhenSampled, Occurrences: 1, Resolution: 100}}},
			MilkMax: 65_000, HeadspaceMin: 1, StrengthBand: 2, MilkHotFactor: 1_110, FrothGasShare: 550, Cautions: []string{"steam scalds"},
		},
		Vessels: []drink.Vessel{{ID: "c180", Name: "cup", Material: "ceramic", Base: 46_000, Top: 84_000, Height: 52_700, Brim: 180_000, TakeAway: true},
			{ID: "t250", Name: "tulip", Brim: 250_000, Sections: []drink.VesselSection{{Base: 40_000, Top: 60_000, Height: 20_000}, {Base: 60_000, Top: 80_000, Height: 50_000}}},
			{ID: "b200", Name: "bowl", Top: 90_000, Brim: 200_000, Fills: []drink.VesselFill{{Depth: 10_000, Volume: 18_000}, {Depth: 50_000, Volume: 200_000}}}},
		Ingredients: []drink.Ingredient{{ID: "oat", Name: "Oat drink", Kind: "plant_milk", Contains: []string{"gluten"}, MayContain: []string{"nuts"}, AllergensKnown: true, Density: 1_030, PumpVolume: 8_000, HotFactor: 1_080}},
		Drinks: []drink.Drink{{ID: "flat-white", Name: "Flat white", Servings: []drink.Serving{{
			ID: "flat-white/s/oat", Drink: "flat-white", DrinkName: "Flat white", Size: "s", Milk: "oat", Vessel: "c180", Shots: 2,
			Parts: []drink.Part{{Ingredient: "oat", Amount: 100_000, Unit: drink.Millilitre}}, Air: 100, AboveRim: 5_000, Garnish: []string{"cocoa"},
			Steps:      []drink.Step{{ID: "pull", Act: "pull", Criticality: drink.Quality}, {ID: "pour", Act: "pour", Ingredient: "oat", Text: "pour", After: []string{"pull"}, Criticality: drink.Appearance, Optional: true}},
			Checks:     []drink.Check{{ID: "milk_temp", Measure: "milk_temp", Target: 57_000, Low: drink.NoLow, High: 63_000, HardHigh: 65_000, Criticality: drink.Safety, Need: drink.Always, Occurrences: 1, Resolution: 1_000}, {ID: "a", Measure: "dose", Low: 0, High: drink.NoHigh, HardHigh: drink.NoHigh, Criticality: drink.Quality, Need: drink.Optional, Occurrences: 2}},
			MayReplace: []drink.Substitution{{From: "oat", To: "soy"}}, Cautions: []string{"hot"},
		}}}},
	}
	in.House.Currency, in.House.Pull.Price = "GBP", drink.Price{Amount: 18_000, Per: drink.Gram}
	for i := range in.Vessels {
		in.Vessels[i].Mass = 250_000
	}
	for i := range in.Ingredients {
		g := &in.Ingredients[i]
		g.Energy, g.Caffeine = drink.Energy{Kcal: 64_000, KJ: 268_000, Per: drink.Millilitre}, drink.Content{Per: drink.Millilitre}
		g.Price = drink.Price{Amount: 1100, Per: drink.Gram}
	}
	out, err := wire.BookFromProto(wire.BookToProto(in))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(in, out); d != "" {
		t.Fatal(d)
	}
}
