// Package cupcheck lists the external checks of package cup.
package cupcheck

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/cup"
)

// Where expected values come from.
const (
	derived  = "derived arithmetic: invented vessel, frustum formula worked by hand or bisection outside this program; not a publication"
	identity = "exact identity of elementary geometry"
	textbook = "textbook worked example, printed as about 2199 cm³; digits from 700π"
	tanaka   = "Tanaka et al., Metrologia 38 (2001) 301-309, table value from memory"
	practice = "common practice, no source"
)

// Vessel is a vessel of the invented chain Harbour & Finch, in mm and ml.
type Vessel struct {
	Code                            string
	BaseMM, TopMM, HeightMM, BrimML float64
}

// Vessels are the chain's eleven vessels with the brim as its book states it.
func Vessels() []Vessel {
	return []Vessel{
		{"D80", 38, 60, 41.7, 80}, {"G130", 48, 66, 50.5, 130}, {"C180", 46, 84, 52.7, 180},
		{"C240", 52, 94, 55.8, 240}, {"C350", 58, 104, 66.1, 350}, {"C450", 62, 114, 71.9, 450},
		{"P240", 54, 78, 69.4, 240}, {"P350", 58, 86, 84.9, 350}, {"P450", 60, 88, 103.4, 450},
		{"I450", 60, 86, 106.4, 450}, {"F300", 72, 80, 66.1, 300},
	}
}

// Profile is the frustum of v.
func (v Vessel) Profile() (cup.Profile, error) { return cup.New(v.BaseMM, v.TopMM, v.HeightMM) }

func profile(code string) (cup.Profile, error) {
	for _, v := range Vessels() {
		if v.Code == code {
			return v.Profile()
		}
	}
	return cup.Profile{}, fmt.Errorf("no vessel %q", code)
}

// Checks are the named checks of package cup, for its test and the page of checks.
func Checks() []check.Check {
	checks := solids()
	for _, v := range Vessels() {
		checks = append(checks, check.Check{
			Name: "brim of " + v.Code, Source: derived, Expected: v.BrimML, Tolerance: 0.5, Unit: "ml",
			Got: brim(v.BaseMM, v.TopMM, v.HeightMM),
		})
	}
	for _, c := range []struct {
		code string
		mm   float64
	}{{"G130", 20.1}, {"P240", 13.6}, {"C240", 9.5}, {"C350", 7.5}, {"C450", 6.2}} {
		checks = append(checks, check.Check{
			Name: "depth of 60 ml of froth just below (brim - 8 ml) in " + c.code, Source: derived,
			Expected: c.mm, Tolerance: 0.06, Unit: "mm", Got: spread(c.code),
		})
	}
	// Rim area times gap would give 27.8, 34.0 and 40.8: the wall slopes.
	for _, c := range []struct {
		code string
		ml   float64
	}{{"C240", 26.9}, {"C350", 33.1}, {"C450", 39.8}} {
		checks = append(checks, check.Check{
			Name: "volume of a rim gap of 4 mm in " + c.code, Source: derived,
			Expected: c.ml, Tolerance: 0.06, Unit: "ml", Got: gap(c.code),
		})
	}
	checks = append(checks, froth()...)
	checks = append(checks, water()...)
	return append(checks, goodsIn()...)
}

func solids() []check.Check {
	return []check.Check{
		{Name: "frustum of radii 10 and 5 cm, height 12 cm", Source: textbook, Expected: 2199.1149, Tolerance: 1e-4, Unit: "ml", Got: brim(100, 200, 120)},
		{Name: "frustum with equal radii is the cylinder πR²h", Source: identity, Expected: 1200 * math.Pi, Tolerance: 1e-9, Unit: "ml", Got: brim(200, 200, 120)},
		{Name: "frustum with no base is the cone πR²h/3", Source: identity, Expected: 400 * math.Pi, Tolerance: 1e-9, Unit: "ml", Got: brim(0, 200, 120)},
		{Name: "depth of half a cone's volume is h/∛2", Source: identity, Expected: 120 / math.Cbrt(2), Tolerance: 1e-9, Unit: "mm", Got: func() (float64, error) {
			p, err := cup.New(0, 200, 120)
			if err != nil {
				return 0, err
			}
			return p.Depth(p.Brim() / 2)
		}},
		{Name: "cap as high as its rim's radius of 40 mm is half a sphere, 2πR³/3", Source: identity, Expected: 2 * math.Pi * 64 / 3, Tolerance: 1e-9, Unit: "ml",
			Got: func() (float64, error) { return cup.CapVolume(80, 40) }},
		{Name: "bowl of radius 50 mm filled to 20 mm, πh²(3R-h)/3, as a cap on its 80 mm rim", Source: identity + " (from memory)", Expected: math.Pi * 400 * 130 / 3000, Tolerance: 1e-9, Unit: "ml",
			Got: func() (float64, error) { return cup.CapVolume(80, 20) }},
		{Name: "hemispherical bowl of radius 50 mm, known by fills each 5 mm, at 32.5 mm", Source: identity + " (from memory); the tolerance is the interpolation's", Expected: math.Pi * 32.5 * 32.5 * (150 - 32.5) / 3000, Tolerance: 0.05, Unit: "ml", Got: bowl(32.5)},
	}
}

func froth() []check.Check {
	return []check.Check{
		{Name: "a depth tolerance of 2 mm at the rim of C350, as layer", Source: derived, Expected: 16, Tolerance: 1, Unit: "ml", Got: func() (float64, error) {
			p, err := profile("C350")
			if err != nil {
				return 0, err
			}
			return cup.FrothVolume(p, 2, 0)
		}},
		{Name: "a cup 10 % wider has froth shallower by 1 - 1/1.21", Source: identity + "; cylinders", Expected: 1 - 1/1.21, Tolerance: 1e-9, Unit: "1", Got: func() (float64, error) {
			narrow, err := cup.NewCylinder(80, 70)
			if err != nil {
				return 0, err
			}
			wide, err := cup.NewCylinder(88, 70)
			if err != nil {
				return 0, err
			}
			rows, err := cup.SpreadFroth([]cup.Named{{Name: "narrow", Shape: narrow}, {Name: "wide", Shape: wide}}, 8, 60)
			if err != nil {
				return 0, err
			}
			return 1 - rows[1].DepthMM/rows[0].DepthMM, nil
		}},
		{Name: "froth below the rim of C180 is V(H) - V(H-f): 10 mm less its split into 3 and 7 mm", Source: identity, Expected: 0, Tolerance: 1e-9, Unit: "ml", Got: splitLayer},
		{Name: "froth 10 mm below the rim of C180 and 5 mm above", Source: derived, Expected: handFroth(), Tolerance: 1e-9, Unit: "ml", Got: func() (float64, error) {
			p, err := profile("C180")
			if err != nil {
				return 0, err
			}
			return cup.FrothVolume(p, 10, 5)
		}},
	}
}

// handFroth works the layer as a frustum of its own and the cap by its formula.
func handFroth() float64 {
	const rim, foot = 84.0, 84 - (84-46)*10/52.7
	return math.Pi*10*(rim*rim+rim*foot+foot*foot)/12000 + math.Pi*5*(3*42*42+25)/6000
}

func splitLayer() (float64, error) {
	p, err := profile("C180")
	if err != nil {
		return 0, err
	}
	whole, err := cup.LayerVolume(p, p.Brim(), 10)
	if err != nil {
		return 0, err
	}
	upper, err := cup.LayerVolume(p, p.Brim(), 3)
	if err != nil {
		return 0, err
	}
	lower, err := cup.LayerVolume(p, p.Brim()-upper, 7)
	return whole - upper - lower, err
}

func water() []check.Check {
	var out []check.Check
	for _, w := range []struct{ tempC, gPerML float64 }{{4, 0.999975}, {20, 0.998207}, {25, 0.997047}} {
		out = append(out, check.Check{
			Name: fmt.Sprintf("density of water at %g °C", w.tempC), Source: tanaka, Expected: w.gPerML, Tolerance: 1e-6, Unit: "g/ml",
			Got: func() (float64, error) { return cup.WaterDensity(w.tempC) },
		})
	}
	return out
}

func goodsIn() []check.Check {
	return []check.Check{{
		Name: "brim of 248 ml against 240 ml ± 3 % is out by", Source: practice, Expected: 0.8, Tolerance: 1e-9, Unit: "ml",
		Got: func() (float64, error) {
			got, err := cup.GoodsIn(cup.Spec{BrimML: 240}, cup.UsualLimits(), []cup.Received{{BrimML: 248}})
			if err != nil || len(got.Misses) != 1 {
				return math.NaN(), err
			}
			return got.Misses[0].By, nil
		},
	}}
}

func brim(baseMM, topMM, heightMM float64) func() (float64, error) {
	return func() (float64, error) {
		p, err := cup.New(baseMM, topMM, heightMM)
		if err != nil {
			return 0, err
		}
		return p.Brim(), nil
	}
}

func spread(code string) func() (float64, error) {
	return func() (float64, error) {
		p, err := profile(code)
		if err != nil {
			return 0, err
		}
		rows, err := cup.SpreadFroth([]cup.Named{{Name: code, Shape: p}}, 8, 60)
		if err != nil {
			return 0, err
		}
		return rows[0].DepthMM, nil
	}
}

func gap(code string) func() (float64, error) {
	return func() (float64, error) {
		p, err := profile(code)
		if err != nil {
			return 0, err
		}
		line, err := cup.FillLine(p, 4)
		if err != nil {
			return 0, err
		}
		return p.Brim() - line.VolumeML, nil
	}
}

// bowl is a half sphere of radius 50 mm known only by fills each 5 mm.
func bowl(depthMM float64) func() (float64, error) {
	return func() (float64, error) {
		var fills []cup.Fill
		for h := 5.0; h <= 50; h += 5 {
			fills = append(fills, cup.Fill{DepthMM: h, VolumeML: math.Pi * h * h * (150 - h) / 3000})
		}
		t, err := cup.NewTable(fills, 100)
		if err != nil {
			return 0, err
		}
		return t.Volume(depthMM)
	}
}
