// Package espressocheck lists the figures that a reader can check package
// espresso against, each with its source.
package espressocheck

import (
	"fmt"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/espresso"
)

// Where the figures come from.
const (
	retailer  = "published: a coffee retailer's worked table of extraction yields"
	golden    = "published: Specialty Coffee Association of America, Golden Cup standard, 23 Dec 2015 (copy read)"
	institute = "published: Italian Espresso National Institute, certified espresso (four secondary pages agree)"
	efsa      = "published: EFSA Journal 4102 (2015), abstract"
	derived   = "derived arithmetic on our own recipes"
	memory    = "derived; caffeine contents from memory, recovery assumed"
)

// double is the base recipe: 18 g in, 36 g out, 28 s from pump on.
const (
	doubleDoseG, doubleYieldG, doubleS = 18, 36, 28
	doubleTDS                          = 9.5
	shareGPerML                        = 0.169
)

// Checks are the checks of package espresso, in the order of its documentation.
func Checks() []check.Check {
	var all []check.Check
	for _, group := range [][]check.Check{pulls(), extraction(), brewed(), strength(), sizes(), sharing(), caffeine()} {
		all = append(all, group...)
	}
	return all
}

// named is a check in the order that a reader takes it in.
func named(name, source string, expected, tolerance float64, unit string, got func() (float64, error)) check.Check {
	return check.Check{Name: name, Source: source, Expected: expected, Tolerance: tolerance, Unit: unit, Got: got}
}

func pulls() []check.Check {
	return []check.Check{
		named("ratio of 18 g to 40 g", retailer, 2.22, 0.005, "1", func() (float64, error) { return espresso.Ratio(18, 40) }),
		named("ratio of the base double", derived, 2, 1e-12, "1", func() (float64, error) { return espresso.Ratio(doubleDoseG, doubleYieldG) }),
		named("flow of the base double", "derived arithmetic: 36 g in 28 s", 1.29, 0.005, "g/s", func() (float64, error) { return espresso.Flow(doubleYieldG, doubleS) }),
		named("flow of a certified espresso, 25 g taken for 25 ml in 25 s", institute, 1, 1e-12, "g/s", func() (float64, error) { return espresso.Flow(25, 25) }),
		named("half of the base double, beverage", "common practice, no source", 18, 1e-12, "g", func() (float64, error) {
			p, err := espresso.Split.Cup(espresso.Portion{DoseG: doubleDoseG, YieldG: doubleYieldG})
			return p.YieldG, err
		}),
	}
}

func extraction() []check.Check {
	ey := func(tds, beverage, dose float64) func() (float64, error) {
		return func() (float64, error) { return espresso.ExtractionYield(tds, beverage, dose) }
	}
	measured := func() (espresso.Extraction, error) {
		return espresso.MeasuredExtraction(espresso.Measured{Value: doubleTDS, SD: 0.15},
			espresso.Measured{Value: doubleYieldG, SD: 0.4}, espresso.Measured{Value: doubleDoseG, SD: 0.1})
	}
	return []check.Check{
		named("extraction yield, 18 g, 40 g, 8 %", retailer, 17.8, 0.05, "%", ey(8, 40, 18)),
		named("extraction yield, 18 g, 40 g, 9 %", retailer, 20.0, 0.05, "%", ey(9, 40, 18)),
		named("extraction yield, 18 g, 40 g, 10 %", retailer, 22.2, 0.05, "%", ey(10, 40, 18)),
		named("extraction yield, 18 g, 36 g, 9 %", "derived arithmetic: 9 x 36 / 18", 18, 1e-9, "%", ey(9, 36, 18)),
		named("extraction yield, 15 g, 240 g, 1.35 %", "published: a coffee FAQ", 21.6, 0.05, "%", ey(1.35, 240, 15)),
		named("extraction yield, 20 g, 300 g, 1.33 %", "published: a roaster's article, which treats 300 ml as 300 g and prints 20", 20, 0.5, "%", ey(1.33, 300, 20)),
		named("extraction yield of the base double", "derived arithmetic: 9.5 x 36 / 18", 19, 1e-9, "%", ey(doubleTDS, doubleYieldG, doubleDoseG)),
		named("relative error of that yield", "derived arithmetic: errors of 0.15 %, 0.4 g and 0.1 g in quadrature", 0.020, 0.0005, "1", func() (float64, error) {
			e, err := measured()
			return e.RelativeSD, err
		}),
		named("error of that yield", "derived arithmetic, as above", 0.38, 0.005, "points", func() (float64, error) {
			e, err := measured()
			return e.SDPercent, err
		}),
	}
}

func brewed() []check.Check {
	batch := func() (espresso.Batch, error) { return espresso.BatchBrew(116, 2000, 2.0, 20) }
	return []check.Check{
		named("beverage of a batch, 116 g to 2000 g", "derived arithmetic; 2.0 g/g kept by the grounds is common practice, no source", 1768, 1e-9, "g", func() (float64, error) {
			b, err := batch()
			return b.BeverageG, err
		}),
		named("solids of that batch at 20 %", "derived arithmetic: 23.2 / 1768", 1.31, 0.005, "%", func() (float64, error) {
			b, err := batch()
			return b.TDSPercent, err
		}),
		named("solids of that batch lie in the standard's 1.15 to 1.35 %", golden, 1.25, 0.10, "%", func() (float64, error) {
			b, err := batch()
			return b.TDSPercent, err
		}),
		named("dose of that batch lies in the standard's 55 g/L ± 10 %", golden, 55, 5.5, "g/L", func() (float64, error) {
			b, err := batch()
			return b.DoseGPerL, err
		}),
	}
}

func strength() []check.Check {
	of := func(espressoG, totalG float64) func() (float64, error) {
		return func() (float64, error) { return espresso.Strength(doubleTDS, espressoG, totalG) }
	}
	return []check.Check{
		named("strength of a long black, 36 in 136 g", derived, 2.5, 0.05, "%", of(36, 136)),
		named("strength of a small americano, 36 in 196 g", derived, 1.74, 0.005, "%", of(36, 196)),
		named("strength of a medium americano, 54 in 294 g, equal by design", derived, 1.74, 0.005, "%", of(54, 294)),
	}
}

func sizes() []check.Check {
	var list []check.Check
	for i, c := range []struct {
		size                      string
		wantG, espressoG, percent float64
	}{{"small", 36.0, 36, 16.9}, {"medium", 53.6, 54, 17.0}, {"large", 69.1, 72, 17.6}} {
		sized := func() (espresso.Sizing, error) {
			s, err := espresso.ShotsBySize([]float64{213, 317, 409}, shareGPerML, 18, 0.05)
			if err != nil {
				return espresso.Sizing{}, err
			}
			if !s[i].WithinBand {
				return s[i], fmt.Errorf("size %d of 3 leaves the band", i+1)
			}
			return s[i], nil
		}
		list = append(list,
			named("espresso that holds strength in a "+c.size+" latte", "derived arithmetic: 0.169 g/ml of the fill", c.wantG, 0.05, "g", func() (float64, error) {
				s, err := sized()
				return s.WantG, err
			}),
			named("whole shots in a "+c.size+" latte", "derived arithmetic: shots of 18 g", c.espressoG, 1e-9, "g", func() (float64, error) {
				s, err := sized()
				return s.EspressoG, err
			}),
			named("coffee share of a "+c.size+" latte", "derived arithmetic on our own recipes", c.percent, 0.05, "%", func() (float64, error) {
				s, err := sized()
				return 100 * s.Share, err
			}),
		)
	}
	return list
}

func sharing() []check.Check {
	return []check.Check{
		named("singles thrown away for one drink of three shots", "common practice, no source: three shots are a double and a half", 1, 1e-9, "1", func() (float64, error) {
			p, err := espresso.PairSplits([]espresso.Order{{AtS: 0, Shots: 3}}, 60)
			return float64(p.WastedSingles()), err
		}),
		named("doubles pulled for two drinks of three shots 40 s apart", "common practice, no source: they share the third double", 3, 1e-9, "1", func() (float64, error) {
			p, err := espresso.PairSplits([]espresso.Order{{AtS: 0, Shots: 3}, {AtS: 40, Shots: 3}}, 60)
			return float64(p.Pulls), err
		}),
	}
}

func caffeine() []check.Check {
	of := func(doseG float64, pick func(espresso.Range) float64) func() (float64, error) {
		return func() (float64, error) {
			r, err := espresso.Caffeine(doseG)
			return pick(r), err
		}
	}
	low := func(r espresso.Range) float64 { return r.Low }
	mid := func(r espresso.Range) float64 { return r.Mid }
	high := func(r espresso.Range) float64 { return r.High }
	return []check.Check{
		named("caffeine of 18 g of arabica, low", memory, 97, 0.5, "mg", of(18, low)),
		named("caffeine of 18 g of arabica, middle", memory, 162, 0.5, "mg", of(18, mid)),
		named("caffeine of 18 g of arabica, high", memory, 243, 0.5, "mg", of(18, high)),
		named("caffeine of a large latte, 36 g dose", memory, 324, 0.5, "mg", of(36, mid)),
		named("caffeine of a 265 ml mug of filter", memory, 188, 0.5, "mg", func() (float64, error) {
			r, err := espresso.CaffeineOf(116*265.0/1768, espresso.Arabica(), espresso.FilterRecovery())
			return r.Mid, err
		}),
		named("caffeine of a certified single, 7 g, stays below 100 mg", institute, 50, 50, "mg", of(7, high)),
		named("single dose of 200 mg is about 3 mg/kg at 70 kg", efsa, 3, 0.15, "mg/kg", func() (float64, error) { return espresso.CaffeineSingleDoseMG / 70.0, nil }),
		named("figure for a day over the figure for one sitting", efsa, 2, 1e-9, "1", func() (float64, error) {
			return float64(espresso.CaffeineDailyMG) / espresso.CaffeineSingleDoseMG, nil
		}),
	}
}
