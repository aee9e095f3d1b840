package milkcheck

import (
	"math"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/milk"
)

// under is the depth, mm, of 60 ml of froth that ends 8 ml below the brim.
func under(base, top, height float64) func() (float64, error) {
	return func() (float64, error) {
		p, err := cup.New(base, top, height)
		if err != nil {
			return 0, err
		}
		return milk.FrothDepth(p, p.Brim()-8, 60)
	}
}

func froth() []check.Check {
	poured := func(base, top, height, filledML, baseML, aeration float64) func() (float64, error) {
		return func() (float64, error) {
			p, err := cup.New(base, top, height)
			if err != nil {
				return 0, err
			}
			return milk.DepthOfAeration(p, filledML, baseML, aeration, 0.55)
		}
	}
	return []check.Check{
		named("air in 223 ml of hot milk at 0.18", derived, 40, 0.5, "ml", func() (float64, error) {
			f, err := milk.FrothOf(223, 0.18, 0.55)
			return f.AirML, err
		}),
		named("froth layer of that air", derived, 73, 0.5, "ml", func() (float64, error) {
			f, err := milk.FrothOf(223, 0.18, 0.55)
			return f.FrothML, err
		}),
		named("depth of 60 ml of froth in the small glass", derived, 20.1, 0.05, "mm", under(48, 66, 50.5)),
		named("depth of 60 ml of froth in the small paper cup", derived, 13.6, 0.05, "mm", under(54, 78, 69.4)),
		named("depth of 60 ml of froth in the small cup", derived, 9.5, 0.05, "mm", under(52, 94, 55.8)),
		named("depth of 60 ml of froth in the medium cup", derived, 7.5, 0.05, "mm", under(58, 104, 66.1)),
		named("depth of 60 ml of froth in the large bowl", derived, 6.2, 0.05, "mm", under(62, 114, 71.9)),
		named("depth on a small cappuccino, ceramic", derived, 18, 0.5, "mm", poured(52, 94, 55.8, 220, 36, 0.45)),
		named("depth on a small cappuccino, paper", derived, 24, 0.5, "mm", poured(54, 78, 69.4, 203, 36, 0.45)),
		named("depth on a medium latte, ceramic", derived, 10, 0.5, "mm", poured(58, 104, 66.1, 317, 54, 0.18)),
		named("milk swells from 100 to about 125 ml, air and condensate together", institute, 125, 15, "ml", func() (float64, error) {
			hot, err := milk.HotVolume(100, 1.11)
			if err != nil {
				return 0, err
			}
			f, err := milk.FrothOf(hot, 0.18, 0.55)
			return f.HotML + f.AirML, err
		}),
		named("gas fraction at an aeration of 0.18", derived, 15, 0.5, "%", func() (float64, error) {
			g, err := milk.GasFraction(0.18)
			return 100 * g, err
		}),
		named("gas fraction at an aeration of 0.45", derived, 31, 0.5, "%", func() (float64, error) {
			g, err := milk.GasFraction(0.45)
			return 100 * g, err
		}),
		named("overrun over cold milk against that over hot", derived, 1.11, 1e-9, "1", func() (float64, error) {
			cold, err := milk.Overrun(0.18, 1.11, milk.OverColdMilk)
			if err != nil {
				return 0, err
			}
			hot, err := milk.Overrun(0.18, 1.11, milk.OverHotMilk)
			return cold / hot, err
		}),
		named("share drained after one drainage time", "identity: 1 - 1/e", 1-1/math.E, 1e-12, "1", func() (float64, error) { return milk.Drained(1, 90, 90) }),
		named("density of settled froth", assumed, 0.46, 0.005, "g/ml", func() (float64, error) { return milk.FrothDensity(0.55, 1.014) }),
	}
}

func mixing() []check.Check {
	latte := []milk.Part{{Name: "espresso", MassG: 54, CelsiusC: 70, HeatKJ: 4.1}, {Name: "milk", MassG: 226, CelsiusC: 60, HeatKJ: 3.95}}
	water := func(waterG, waterC, cupG float64) milk.WaterDrink {
		return milk.WaterDrink{EspressoG: 36, EspressoC: 70, TDSPercent: 9.5, WaterG: waterG, WaterC: waterC, In: milk.CeramicCup(cupG, 22)}
	}
	mixed := func(d milk.WaterDrink) func() (float64, error) {
		return func() (float64, error) { s, err := d.Serve(); return s.MixC, err }
	}
	handed := func(d milk.WaterDrink) func() (float64, error) {
		return func() (float64, error) { s, err := d.Serve(); return s.HandoverC, err }
	}
	return []check.Check{
		named("medium latte before the cup", assumed, 62.0, 0.05, "°C", func() (float64, error) {
			m, err := milk.Mix(latte, milk.Cup{})
			return m.MixC, err
		}),
		named("medium latte in an unheated cup of 250 g", assumed, 55.6, 0.05, "°C", func() (float64, error) {
			m, err := milk.Mix(latte, milk.CeramicCup(250, 22))
			return m.HandoverC, err
		}),
		named("small americano, 160 g at 78 °C", assumed, 76.5, 0.05, "°C", mixed(water(160, 78, 250))),
		named("small americano in an unheated cup of 250 g", assumed, 65, 0.5, "°C", handed(water(160, 78, 250))),
		named("long black, 100 g at 75 °C", assumed, 73.7, 0.05, "°C", mixed(water(100, 75, 200))),
		named("long black in an unheated cup of 200 g", assumed, 62, 0.5, "°C", handed(water(100, 75, 200))),
		named("filter at 82 °C in an unheated mug of 300 g", assumed, 71, 0.5, "°C", func() (float64, error) {
			m, err := milk.Mix([]milk.Part{{Name: "filter", MassG: 265, CelsiusC: 82, HeatKJ: milk.WaterSpecificKJ}}, milk.CeramicCup(300, 22))
			return m.HandoverC, err
		}),
		named("strength of a small americano", derived, 1.74, 0.005, "%", func() (float64, error) {
			s, err := water(160, 78, 250).Serve()
			return s.StrengthPercent, err
		}),
	}
}
