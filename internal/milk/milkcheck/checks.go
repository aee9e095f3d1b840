// Package milkcheck lists the figures that a reader can check package milk
// against, each with its source.
package milkcheck

import (
	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/milk"
)

// Where the figures come from.
const (
	derived   = "derived arithmetic on our own recipes"
	tables    = "computed from published steam tables (Spirax Sarco 2013; Ohio University)"
	kessler   = "published: Kessler (1981), specific heat by composition"
	wand      = "derived arithmetic; steam at 1.2 bar gauge from memory of steam tables"
	teaching  = "published: a barista teaching text, up to about 10 % of condensate"
	annexXIV  = "published: Regulation (EU) 1169/2011, Annex XIV (two copies agree)"
	assumed   = "derived arithmetic; heats and densities from memory"
	institute = "published: Italian Espresso National Institute, cappuccino (secondary pages agree)"
)

// Checks are the checks of package milk, in the order of its documentation.
func Checks() []check.Check {
	var all []check.Check
	for _, group := range [][]check.Check{properties(), steam(), wandSteam(), volumes(), froth(), mixing(), iced(), sweet(), burns()} {
		all = append(all, group...)
	}
	return all
}

// named is a check in the order that a reader takes it in.
func named(name, source string, expected, tolerance float64, unit string, got func() (float64, error)) check.Check {
	return check.Check{Name: name, Source: source, Expected: expected, Tolerance: tolerance, Unit: unit, Got: got}
}

func properties() []check.Check {
	whole := milk.Composition{Water: 0.875, Carbohydrate: 0.048, Protein: 0.033, Fat: 0.036, Ash: 0.008}
	return []check.Check{
		named("enthalpy of dry steam at 100 °C", "published: Spirax Sarco steam tables, 2013", 2675.76, 0.005, "kJ/kg", func() (float64, error) { return milk.AtmosphericSteam().EnthalpyKJ(), nil }),
		named("enthalpy of dry steam at 1.0 bar gauge", "published: Spirax Sarco steam tables, 2013", 2706.88, 0.015, "kJ/kg", func() (float64, error) { return milk.OneBarSteam().EnthalpyKJ(), nil }),
		named("enthalpy of water at 65 °C", "published: steam tables of Ohio University", 272.1, 0.05, "kJ/kg", func() (float64, error) { return milk.WaterEnthalpy(65) }),
		named("specific heat of whole milk by composition", kessler, 3.845, 0.0005, "kJ/kg K", whole.SpecificHeat),
		named("specific heat of whole milk, short form", "published: the form with 0.5 fat and 0.3 other solids", 3.844, 0.0005, "kJ/kg K", whole.SpecificHeatShort),
		named("specific heat of average milk, 0.93 kcal", "published: a dairy technology course (IASRI), 0.92 to 0.93 kcal/kg °C", 0.93*4.184, 0.045, "kJ/kg K", func() (float64, error) { return milk.SpecificHeatKJ, nil }),
	}
}

// steamed is the heat balance of a jug that takes no heat itself.
func steamed(milkG, fromC, toC float64, s milk.SteamState, form milk.Form) (milk.Steamed, error) {
	return milk.Steaming{MilkG: milkG, FromC: fromC, HeatKJ: milk.SpecificHeatKJ, Steam: s, Form: form}.To(toC)
}

func steam() []check.Check {
	grams := func(milkG, fromC, toC, latentKJ float64, form milk.Form) func() (float64, error) {
		return func() (float64, error) {
			r, err := steamed(milkG, fromC, toC, milk.SteamState{LiquidKJ: 2675.7 - latentKJ, LatentKJ: latentKJ, Dryness: 1}, form)
			return r.SteamG, err
		}
	}
	return []check.Check{
		named("steam for 150 g, 4 to 65 °C, full balance", tables, 14.961, 0.0006, "g", grams(150, 4, 65, 2257, milk.Full)),
		named("steam for 150 g, 4 to 65 °C, simple form", tables, 15.932, 0.0006, "g", grams(150, 4, 65, 2257, milk.Simple)),
		named("steam for 200 g, 4 to 60 °C, full balance", tables, 18.155, 0.0006, "g", grams(200, 4, 60, 2257, milk.Full)),
		named("steam for 200 g, 4 to 60 °C, simple form", tables, 19.502, 0.0006, "g", grams(200, 4, 60, 2257, milk.Simple)),
		named("steam for 120 g, 5 to 60 °C, simple form", "published: a forum post, order of magnitude only; recomputed", 11.49, 0.005, "g", grams(120, 5, 60, 2257, milk.Simple)),
		named("heat for 120 g, 5 to 60 °C", "published: a forum post; recomputed", 25.9, 0.05, "kJ", func() (float64, error) {
			r, err := steamed(120, 5, 60, milk.AtmosphericSteam(), milk.Simple)
			return r.MilkHeatKJ, err
		}),
		named("milk and condensate from 100 g of cold milk to 65 °C", teaching, 110, 0.5, "g", func() (float64, error) {
			r, err := steamed(100, 4, 65, milk.AtmosphericSteam(), milk.Full)
			return r.OutG, err
		}),
	}
}

func wandSteam() []check.Check {
	var list []check.Check
	for _, c := range []struct {
		name                  string
		toC, dryness, percent float64
	}{
		{"dilution to 55 °C, dry steam", 55, 1, 8.1},
		{"dilution to 60 °C, dry steam", 60, 1, 9.0},
		{"dilution to 65 °C, dry steam", 65, 1, 9.8},
		{"dilution to 55 °C, dryness 0.9", 55, 0.9, 8.9},
		{"dilution to 60 °C, dryness 0.9", 60, 0.9, 9.8},
		{"dilution to 65 °C, dryness 0.9", 65, 0.9, 10.8},
	} {
		list = append(list, named(c.name, wand, c.percent, 0.055, "%", func() (float64, error) {
			r, err := steamed(200, 4, c.toC, milk.WandSteam().Wet(c.dryness), milk.Full)
			return r.DilutionPercent, err
		}))
	}
	jug := milk.Steaming{MilkG: 200, FromC: 4, HeatKJ: milk.SpecificHeatKJ, Steam: milk.WandSteam(), Jug: milk.Jug{MassG: 300, HeatKJ: 0.5, CelsiusC: 20}}
	return append(list,
		named("heat taken by a jug of 300 g of steel, 20 to 60 °C", assumed, 6, 1e-9, "kJ", func() (float64, error) {
			r, err := jug.To(60)
			return r.JugHeatKJ, err
		}),
		named("steam that this jug adds", assumed, 2.4, 0.05, "g", func() (float64, error) {
			with, err := jug.To(60)
			if err != nil {
				return 0, err
			}
			without, err := steamed(200, 4, 60, milk.WandSteam(), milk.Full)
			return with.SteamG - without.SteamG, err
		}))
}

func volumes() []check.Check {
	base := milk.Base{MassG: 54, VolumeML: 54}
	return []check.Check{
		named("hot over cold volume of whole milk", assumed, 1.11, 0.005, "1", func() (float64, error) { return milk.HotFactor(1.033, 9, 1.014) }),
		named("hot volume of 135 ml of cold milk", derived, 150, 0.5, "ml", func() (float64, error) { return milk.HotVolume(135, 1.11) }),
		named("cold milk for 223 ml hot", derived, 201, 0.5, "ml", func() (float64, error) { return milk.ColdVolume(223, 1.11) }),
		named("mass of a medium latte", assumed, 280, 0.5, "g", func() (float64, error) { return milk.WholeCupMass(base, 201, 1.033, 9) }),
		named("mass lost when the air doubles at the same level", assumed, 30, 0.5, "g", func() (float64, error) {
			right, err := milk.MassAtLevel(base, 317, 0.18, 1.014)
			if err != nil {
				return 0, err
			}
			airy, err := milk.MassAtLevel(base, 317, 0.36, 1.014)
			return right - airy, err
		}),
		named("aeration found from 280 g at 317 ml", assumed, 0.18, 0.005, "1", func() (float64, error) {
			f, err := milk.AirFromMass(base, 280, 317, 1.014)
			return f.Aeration, err
		}),
	}
}
