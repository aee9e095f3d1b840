package wire

import (
	"errors"
	"fmt"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// BookToProto writes a book with its servings resolved.
func BookToProto(b *drink.Book) *pb.Book {
	return &pb.Book{
		Chain: b.Chain, Sampling: b.Sampling,
		House: &pb.House{
			Pull: &pb.Pull{
				BasketMilli: int64(b.House.Pull.Basket), StartEvent: b.House.Pull.StartEvent,
				SinglesPerPull: int32(b.House.Pull.SinglesPerPull),
				Checks:         mapSlice(b.House.Pull.Checks, checkToProto),
				Price:          contentToProto(b.House.Pull.Price.Amount, b.House.Pull.Price.Per),
			},
			MilkMaxMilli:       int64(b.House.MilkMax),
			HeadspaceMinMilli:  int64(b.House.HeadspaceMin),
			StrengthBandMilli:  int64(b.House.StrengthBand),
			MilkHotFactorMilli: int64(b.House.MilkHotFactor),
			FrothGasShareMilli: int64(b.House.FrothGasShare),
			Cautions:           b.House.Cautions,
			Currency:           b.House.Currency,
		},
		Vessels: mapSlice(b.Vessels, func(v *drink.Vessel) *pb.Vessel {
			return &pb.Vessel{Id: v.ID, Name: v.Name, Material: v.Material,
				BaseMilli: int64(v.Base), TopMilli: int64(v.Top), HeightMilli: int64(v.Height),
				BrimMilli: int64(v.Brim), TakeAway: v.TakeAway, MassMilli: int64(v.Mass),
				Sections: mapSlice(v.Sections, sectionToProto), Fills: mapSlice(v.Fills, fillToProto)}
		}),
		Ingredients: mapSlice(b.Ingredients, func(g *drink.Ingredient) *pb.Ingredient {
			return &pb.Ingredient{Id: g.ID, Name: g.Name, Kind: g.Kind, Contains: g.Contains, MayContain: g.MayContain,
				AllergensKnown: g.AllergensKnown, DensityMilli: int64(g.Density), PumpVolumeMilli: int64(g.PumpVolume),
				HotFactorMilli: int64(g.HotFactor),
				EnergyKcal:     contentToProto(g.Energy.Kcal, g.Energy.Per), EnergyKj: contentToProto(g.Energy.KJ, g.Energy.Per),
				Price: contentToProto(g.Price.Amount, g.Price.Per), Caffeine: contentToProto(g.Caffeine.Amount, g.Caffeine.Per)}
		}),
		Servings: servingsToProto(b.Drinks),
	}
}

func sectionToProto(s *drink.VesselSection) *pb.VesselSection {
	return &pb.VesselSection{BaseMilliMm: int64(s.Base), TopMilliMm: int64(s.Top), HeightMilliMm: int64(s.Height)}
}

func sectionFromProto(p **pb.VesselSection) drink.VesselSection {
	s := *p
	return drink.VesselSection{Base: drink.Milli(s.GetBaseMilliMm()), Top: drink.Milli(s.GetTopMilliMm()), Height: drink.Milli(s.GetHeightMilliMm())}
}

func fillToProto(f *drink.VesselFill) *pb.VesselFill {
	return &pb.VesselFill{DepthMilliMm: int64(f.Depth), VolumeMilliMl: int64(f.Volume)}
}

func fillFromProto(p **pb.VesselFill) drink.VesselFill {
	f := *p
	return drink.VesselFill{Depth: drink.Milli(f.GetDepthMilliMm()), Volume: drink.Milli(f.GetVolumeMilliMl())}
}

// contentToProto writes a figure with its unit; one without a unit is not known
// and stays absent, which is not the same as nought.
func contentToProto(amount drink.Milli, per drink.Unit) *pb.Content {
	if per == "" {
		return nil
	}
	return &pb.Content{AmountMilli: int64(amount), Per: string(per)}
}

func contentFromProto(c *pb.Content) (drink.Milli, drink.Unit) {
	return drink.Milli(c.GetAmountMilli()), drink.Unit(c.GetPer())
}

func priceFromProto(c *pb.Content) drink.Price {
	amount, per := contentFromProto(c)
	return drink.Price{Amount: amount, Per: per}
}

func ingredientFromProto(p **pb.Ingredient) drink.Ingredient {
	g := *p
	in := drink.Ingredient{ID: g.GetId(), Name: g.GetName(), Kind: g.GetKind(), Contains: g.GetContains(), MayContain: g.GetMayContain(),
		AllergensKnown: g.GetAllergensKnown(), Density: drink.Milli(g.GetDensityMilli()), PumpVolume: drink.Milli(g.GetPumpVolumeMilli()),
		HotFactor: drink.Milli(g.GetHotFactorMilli()), Price: priceFromProto(g.GetPrice())}
	in.Energy.Kcal, in.Energy.Per = contentFromProto(g.GetEnergyKcal())
	in.Energy.KJ, _ = contentFromProto(g.GetEnergyKj())
	in.Caffeine.Amount, in.Caffeine.Per = contentFromProto(g.GetCaffeine())
	return in
}

func servingsToProto(drinks []drink.Drink) []*pb.Serving {
	var out []*pb.Serving
	for i := range drinks {
		out = append(out, mapSlice(drinks[i].Servings, ServingToProto)...)
	}
	return out
}

// ServingToProto writes a serving.
func ServingToProto(s *drink.Serving) *pb.Serving {
	return &pb.Serving{
		Id: s.ID, Drink: s.Drink, DrinkName: s.DrinkName, Size: s.Size, Milk: s.Milk,
		Vessel: s.Vessel, Shots: int32(s.Shots),
		Parts: mapSlice(s.Parts, func(p *drink.Part) *pb.Part {
			return &pb.Part{Ingredient: p.Ingredient, AmountMilli: int64(p.Amount), Unit: string(p.Unit)}
		}),
		AirMilli: int64(s.Air), AboveRimMilli: int64(s.AboveRim), Garnish: s.Garnish,
		Steps: mapSlice(s.Steps, func(st *drink.Step) *pb.Step {
			return &pb.Step{Id: st.ID, Act: st.Act, Ingredient: st.Ingredient, Text: st.Text, After: st.After,
				Criticality: pb.Criticality(st.Criticality), Optional: st.Optional}
		}),
		Checks:     mapSlice(s.Checks, checkToProto),
		MayReplace: mapSlice(s.MayReplace, substitutionToProto),
		Cautions:   s.Cautions,
	}
}

func checkToProto(c *drink.Check) *pb.Check {
	return &pb.Check{Id: c.ID, Measure: c.Measure, TargetMilli: int64(c.Target),
		LowMilli: limit(c.Low, drink.NoLow), HighMilli: limit(c.High, drink.NoHigh), HardHighMilli: hardLimit(c),
		Criticality: pb.Criticality(c.Criticality), Need: pb.Need(c.Need),
		Occurrences: int32(c.Occurrences), ResolutionMilli: int64(c.Resolution)}
}

// hardLimit writes a hard maximum; none is absent, however the check says it.
func hardLimit(c *drink.Check) *int64 {
	if !c.HasHardHigh() {
		return nil
	}
	return limit(c.HardHigh, drink.NoHigh)
}

// BookFromProto reads a book that a release carries. It trusts the signature
// for the book's sense and checks only what the code relies on.
func BookFromProto(m *pb.Book) (*drink.Book, error) {
	if m == nil {
		return nil, errors.New("book: absent")
	}
	h := m.GetHouse()
	b := &drink.Book{
		Chain: m.Chain, Sampling: m.Sampling,
		House: drink.House{
			Pull: drink.Pull{
				Basket: drink.Milli(h.GetPull().GetBasketMilli()), StartEvent: h.GetPull().GetStartEvent(),
				SinglesPerPull: int(h.GetPull().GetSinglesPerPull()),
				Checks:         mapSlice(h.GetPull().GetChecks(), checkFromProto),
				Price:          priceFromProto(h.GetPull().GetPrice()),
			},
			MilkMax:       drink.Milli(h.GetMilkMaxMilli()),
			HeadspaceMin:  drink.Milli(h.GetHeadspaceMinMilli()),
			StrengthBand:  drink.Milli(h.GetStrengthBandMilli()),
			MilkHotFactor: drink.Milli(h.GetMilkHotFactorMilli()),
			FrothGasShare: drink.Milli(h.GetFrothGasShareMilli()),
			Cautions:      h.GetCautions(),
			Currency:      h.GetCurrency(),
		},
		Vessels: mapSlice(m.Vessels, func(p **pb.Vessel) drink.Vessel {
			v := *p
			return drink.Vessel{ID: v.GetId(), Name: v.GetName(), Material: v.GetMaterial(), Base: drink.Milli(v.GetBaseMilli()),
				Top: drink.Milli(v.GetTopMilli()), Height: drink.Milli(v.GetHeightMilli()), Brim: drink.Milli(v.GetBrimMilli()), TakeAway: v.GetTakeAway(), Mass: drink.Milli(v.GetMassMilli()),
				Sections: mapSlice(v.GetSections(), sectionFromProto), Fills: mapSlice(v.GetFills(), fillFromProto)}
		}),
		Ingredients: mapSlice(m.Ingredients, ingredientFromProto),
	}
	seen := make(map[string]bool, len(m.Servings))
	for i, p := range m.Servings {
		s := servingFromProto(p)
		if s.ID == "" || s.Drink == "" || seen[s.ID] {
			return nil, fmt.Errorf("book: servings[%d]: id %q is empty or stands twice", i, s.ID)
		}
		seen[s.ID] = true
		if n := len(b.Drinks); n == 0 || b.Drinks[n-1].ID != s.Drink {
			b.Drinks = append(b.Drinks, drink.Drink{ID: s.Drink, Name: s.DrinkName})
		}
		d := &b.Drinks[len(b.Drinks)-1]
		d.Servings = append(d.Servings, s)
	}
	return b, nil
}

func servingFromProto(s *pb.Serving) drink.Serving {
	return drink.Serving{
		ID: s.GetId(), Drink: s.GetDrink(), DrinkName: s.GetDrinkName(), Size: s.GetSize(), Milk: s.GetMilk(),
		Vessel: s.GetVessel(), Shots: int(s.GetShots()),
		Parts: mapSlice(s.GetParts(), func(p **pb.Part) drink.Part {
			return drink.Part{Ingredient: (*p).GetIngredient(), Amount: drink.Milli((*p).GetAmountMilli()), Unit: drink.Unit((*p).GetUnit())}
		}),
		Air: drink.Milli(s.GetAirMilli()), AboveRim: drink.Milli(s.GetAboveRimMilli()), Garnish: s.GetGarnish(),
		Steps: mapSlice(s.GetSteps(), func(p **pb.Step) drink.Step {
			st := *p
			return drink.Step{ID: st.GetId(), Act: st.GetAct(), Ingredient: st.GetIngredient(), Text: st.GetText(), After: st.GetAfter(),
				Criticality: drink.Criticality(st.GetCriticality()), Optional: st.GetOptional()}
		}),
		Checks: mapSlice(s.GetChecks(), checkFromProto),
		MayReplace: mapSlice(s.GetMayReplace(), func(p **pb.Substitution) drink.Substitution {
			return drink.Substitution{From: (*p).GetFrom(), To: (*p).GetTo()}
		}),
		Cautions: s.GetCautions(),
	}
}

func checkFromProto(p **pb.Check) drink.Check {
	c := *p
	return drink.Check{ID: c.GetId(), Measure: c.GetMeasure(), Target: drink.Milli(c.GetTargetMilli()),
		Low: limitFrom(c.LowMilli, drink.NoLow), High: limitFrom(c.HighMilli, drink.NoHigh), HardHigh: limitFrom(c.HardHighMilli, drink.NoHigh),
		Criticality: drink.Criticality(c.GetCriticality()), Need: drink.Need(c.GetNeed()),
		Occurrences: int(c.GetOccurrences()), Resolution: drink.Milli(c.GetResolutionMilli())}
}
