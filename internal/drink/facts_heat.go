package drink

import (
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/internal/milk"
)

// Temperatures and properties where a book states none.
const (
	espressoC    = 70.0 // °C in the cup; common practice, no source
	coldMilkC    = 4.0  // °C; cold holding is 5 °C or less (US Food Code 3-501.16)
	roomC        = 22.0 // °C of sauces and an unheated cup; common practice, no source
	steamedMilkC = 60.0 // °C where no check states an end

	espressoHeatKJ = 4.1  // kJ/(kg K); from memory
	waterHeatKJ    = 4.18 // kJ/(kg K); steam tables
	steamedHeatKJ  = 3.95 // kJ/(kg K), milk with its condensate; from memory
	sauceHeatKJ    = 3.0  // kJ/(kg K), syrups and pastes; assumed
	fusionKJ       = 334  // kJ/kg to melt ice; from memory

	coldMilkDensity = 1.033 // g/mL at 4 °C; from memory
	// wandSteamKJ is saturated steam at 1.0 bar gauge, kJ/kg; steam tables 2013.
	wandSteamKJ = 2706.88

	// Solids, %, where no check on tds states them.
	espressoTDS = 9.5  // common practice, no source
	filterTDS   = 1.31 // derived: 20 % of 116 g in 1768 g

	// maxAir bounds air over hot milk; mostPart one part, mL, g or pumps.
	maxAir   Milli = 1500
	mostPart Milli = 2_000_000
)

// cupHeatKJ is the specific heat, kJ/(kg K), and mass, g a mL of brim, of a
// vessel that was not weighed: 250 g for a 240 mL cup (from memory, assumed).
func (v *Vessel) cupHeat() milk.Cup {
	heat, perML := 0.85, 1.04
	switch {
	case v.TakeAway:
		heat, perML = 1.4, 0.04
	case v.Material == "glass", v.Material == "tempered glass":
		heat, perML = 0.84, 0.9
	}
	mass := v.Mass.Float()
	if mass <= 0 {
		mass = v.Brim.Float() * perML
	}
	return milk.Cup{MassG: mass, HeatKJ: heat, CelsiusC: roomC, Share: 1}
}

// partGrams is the mass of a part, g. A volume with no density counts as water.
func partGrams(p Part, in *Ingredient) float64 {
	if p.Unit == Gram {
		return p.Amount.Float()
	}
	density := in.Density.Float()
	switch {
	case density > 0:
	case in.isMilk():
		density = coldMilkDensity
	default:
		density = 1
	}
	return partML(p, in) * density
}

func (in *Ingredient) isMilk() bool { return in.Kind == "milk" || in.Kind == "plant_milk" }

// heat fills in masses, strength and handover temperature.
func (d *Deriver) heat(s *Serving, vessel *vesselAt, v Volumes, f *Facts) error {
	var room [12]milk.Part
	parts := room[:0]
	known, iced := true, false
	coffee, tds := v.Espresso, espressoTDS
	var ice float64
	endC := steamedMilkC
	if t := s.target("milk_temp"); t > 0 {
		endC = t
	}
	steams, inJug := s.steams(), s.inJug()
	if v.Espresso > 0 {
		parts = append(parts, milk.Part{Name: "espresso", MassG: v.Espresso, CelsiusC: espressoC, HeatKJ: espressoHeatKJ})
	}
	for _, p := range s.Parts {
		in := d.ingredients[p.Ingredient]
		part := milk.Part{Name: p.Ingredient, MassG: partGrams(p, in), CelsiusC: roomC, HeatKJ: sauceHeatKJ}
		switch {
		case in.isMilk() && steams:
			if endC > coldMilkC {
				water, err := milk.Steam(part.MassG, coldMilkC, endC, wandSteamKJ)
				if err != nil {
					return fmt.Errorf("steam: %w", err)
				}
				f.SteamWaterGrams += water
				part.MassG += water
			}
			part.CelsiusC, part.HeatKJ = endC, steamedHeatKJ
		case in.isMilk():
			part.CelsiusC, part.HeatKJ = coldMilkC, milk.SpecificHeatKJ
		case in.Kind == "ice":
			ice, iced = ice+part.MassG, true
			continue
		case in.Kind == "ice_cream":
			iced = true
		case in.Kind == "water":
			part.HeatKJ = waterHeatKJ
			switch t := s.target("water_temp"); {
			case t > 0:
				part.CelsiusC = t
			default:
				known = false
			}
		case in.Kind == "coffee":
			if v.Espresso == 0 {
				tds = filterTDS
			}
			coffee += part.MassG
			part.HeatKJ = waterHeatKJ
			if t := s.target("serve_temp"); t > 0 {
				part.CelsiusC = t
			} else {
				known = false
			}
		}
		if slices.Contains(inJug, p.Ingredient) { // steamed with the milk
			part.CelsiusC = endC
		}
		parts = append(parts, part)
	}
	liquid, warmth := 0.0, 0.0
	for _, p := range parts {
		liquid += p.MassG
		warmth += p.MassG * p.HeatKJ * math.Max(p.CelsiusC-coldMilkC, 0)
	}
	f.MassGrams, f.CoffeeGrams = liquid+ice, coffee
	// What is warmer than 4 °C melts ice until it is not, or there is none left.
	beverage := liquid + math.Min(ice, warmth/fusionKJ)
	if t := s.target("tds"); t > 0 {
		tds = t
	}
	if coffee > 0 && beverage > 0 {
		f.StrengthPercent = math.Min(tds*coffee/beverage, tds)
	}
	if !known || iced || liquid <= 0 || s.Shots == 0 && !steams && s.target("water_temp") <= 0 && s.target("serve_temp") <= 0 {
		return nil
	}
	// A check on the handover itself is what the drink is handed over at.
	if t := s.target("serve_temp"); t > 0 {
		f.HandoverC, f.HandoverKnown = Range{t, t, t}, true
		return nil
	}
	in := vessel.cupHeat()
	mixed, err := milk.Mix(parts, in)
	if err != nil {
		return fmt.Errorf("handover temperature: %w", err)
	}
	low, high := math.Min(mixed.MixC, mixed.HandoverC), math.Max(mixed.MixC, mixed.HandoverC)
	f.HandoverC, f.HandoverKnown = Range{low, (low + high) / 2, high}, true
	return nil
}

// inJug lists what goes into the jug with the cold milk and is steamed with it:
// what a step adds that must come before the steam, where milk is added too.
func (s *Serving) inJug() []string {
	if !s.has("add_milk") || !s.steams() {
		return nil
	}
	index := make(map[string]int, len(s.Steps))
	for i := range s.Steps {
		index[s.Steps[i].ID] = i
	}
	var out []string
	for i := range s.Steps {
		if s.Steps[i].Act != "steam" {
			continue
		}
		for _, j := range before(s, index, i) {
			if step := &s.Steps[j]; step.Act == "add" || step.Act == "add_water" {
				out = append(out, step.Ingredient)
			}
		}
	}
	return out
}

// has is true when the serving has a step of that act.
func (s *Serving) has(act string) bool {
	for i := range s.Steps {
		if s.Steps[i].Act == act {
			return true
		}
	}
	return false
}
