package milkcheck

import (
	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/milk"
)

// icedLatte is 54 g of espresso at 70 °C and 200 g of milk at 4 °C on 150 g of
// ice, each millilitre of liquid taken as a gram.
func icedLatte(form milk.Form) (milk.Melted, error) {
	return milk.Iced{
		Liquids: []milk.Part{
			{Name: "espresso", MassG: 54, CelsiusC: 70, HeatKJ: milk.WaterSpecificKJ},
			{Name: "milk", MassG: 200, CelsiusC: 4, HeatKJ: milk.SpecificHeatKJ},
		},
		LiquidML: 254, IceG: 150, EspressoG: 54, EndC: 4, Form: form,
	}.Melt()
}

func iced() []check.Check {
	of := func(pick func(milk.Melted) float64) func() (float64, error) {
		return func() (float64, error) {
			m, err := icedLatte(milk.Simple)
			return pick(m), err
		}
	}
	return []check.Check{
		named("heat of 54 g of espresso, 70 to 4 °C", assumed, 14.9, 0.05, "kJ", of(func(m milk.Melted) float64 { return m.HeatKJ })),
		named("ice that it melts, simple form", assumed, 45, 0.5, "g", of(func(m milk.Melted) float64 { return m.MeltG })),
		named("ice left of 150 g", assumed, 105, 0.5, "g", of(func(m milk.Melted) float64 { return m.IceLeftG })),
		named("liquid after the melt", assumed, 299, 0.5, "g", of(func(m milk.Melted) float64 { return m.LiquidG })),
		named("volume before the melt", assumed, 418, 0.5, "ml", of(func(m milk.Melted) float64 { return m.BeforeML })),
		named("volume after the melt", assumed, 413.5, 0.1, "ml", of(func(m milk.Melted) float64 { return m.AfterML })),
		named("fall of the summed volume", "derived arithmetic: 417.6 - 413.5, which 418 rounded up would make 4.5", 4.1, 0.1, "ml", of(func(m milk.Melted) float64 { return m.FallML })),
		named("strength lost to the melt", assumed, -15, 0.5, "%", of(func(m milk.Melted) float64 { return 100 * (m.ShareEnd/m.ShareStart - 1) })),
		named("ice that it melts, full balance", "derived arithmetic: 14.9 kJ over 334 + 4.18 x 4 kJ/kg", 42.5, 0.05, "g", func() (float64, error) {
			m, err := icedLatte(milk.Full)
			return m.MeltG, err
		}),
		named("volume of 150 g of ice", assumed, 164, 0.5, "ml", func() (float64, error) { return milk.ScoopVolume(150, milk.IceDensityGPML) }),
		named("volume of a 45 g scoop of ice cream", "derived arithmetic; density assumed, no source", 82, 0.5, "ml", func() (float64, error) { return milk.ScoopVolume(45, 0.55) }),
	}
}

func sweet() []check.Check {
	syrup := milk.Pump{StrokeML: 10, DensityGPML: 1.32, SugarShare: 0.65}
	energy := func(pick func(kcal, kJ float64) float64) func() (float64, error) {
		return func() (float64, error) {
			kcal, kJ, err := milk.Nutrients{ProteinG: 6.8, CarbohydrateG: 9.6, FatG: 7.2}.Energy()
			return pick(kcal, kJ), err
		}
	}
	return []check.Check{
		named("sugar in 10 ml of syrup of 65 Brix", assumed, 8.6, 0.05, "g", func() (float64, error) { p, err := syrup.Strokes(1); return p.SugarG, err }),
		named("energy in 10 ml of syrup", annexXIV, 34, 0.5, "kcal", func() (float64, error) { p, err := syrup.Strokes(1); return p.Kcal, err }),
		named("sauce in three pumps of 8 ml", derived, 24, 1e-9, "ml", func() (float64, error) {
			p, err := milk.Pump{StrokeML: 8, DensityGPML: 1.3, SugarShare: 0.5}.Strokes(3)
			return p.ML, err
		}),
		named("energy of 6.8 g protein, 9.6 g carbohydrate, 7.2 g fat", annexXIV, 130.4, 0.05, "kcal", energy(func(kcal, _ float64) float64 { return kcal })),
		named("the same, by the factors for kJ", annexXIV, 545.2, 0.05, "kJ", energy(func(_, kJ float64) float64 { return kJ })),
		named("energy of 201 ml of whole milk and 54 ml of espresso", "derived arithmetic; 64 and 5 kcal/100 ml from memory", 131, 0.5, "kcal", func() (float64, error) {
			white, err := milk.EnergyOfVolume(201, 64)
			if err != nil {
				return 0, err
			}
			black, err := milk.EnergyOfVolume(54, 5)
			return white + black, err
		}),
	}
}

func burns() []check.Check {
	return []check.Check{
		named("usual service starts at 130 °F", "published: Abraham & Diller, J. Food Sci. 84 (2019) 2011-2014, abstract", (130-32)/1.8, 0.05, "°C", func() (float64, error) { return milk.ServiceLoC, nil }),
		named("usual service ends at 160 °F", "published: Abraham & Diller, J. Food Sci. 84 (2019) 2011-2014, abstract", (160-32)/1.8, 0.05, "°C", func() (float64, error) { return milk.ServiceHiC, nil }),
		named("preferred temperature, 140 °F", "published: Brown & Diller, Burns 34 (2008) 648-654, abstract", (140-32)/1.8, 0.05, "°C", func() (float64, error) { return milk.PreferredC, nil }),
		named("time to a second degree burn at 55 °C", "published: a web page, unattributed, consistent with Moritz & Henriques (1947), not read", 17, 1e-9, "s", func() (float64, error) { s, _, err := milk.ScaldTimes(55); return s, err }),
	}
}
