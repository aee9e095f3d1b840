package milk

import (
	"errors"
	"fmt"
	"math"
)

// Form is which heat balance was used. A figure without its form cannot be
// compared: the simple form overstates steam by 6 to 7 %.
type Form uint8

// The full form lets the condensate cool to the milk, and warms melted ice to
// the drink. The simple form counts the latent heat alone.
const (
	Full Form = iota
	Simple
)

// String is the form as a report shows it.
func (f Form) String() string {
	switch f {
	case Full:
		return "full balance"
	case Simple:
		return "simple form, latent heat only"
	}
	return fmt.Sprintf("form %d", uint8(f))
}

// SteamState is the steam at the tip of the wand.
type SteamState struct {
	LiquidKJ float64 // hf, enthalpy of its liquid, kJ/kg
	LatentKJ float64 // hfg, heat of evaporation, kJ/kg
	Dryness  float64 // share of the mass that is vapour, 0.5 to 1
}

// AtmosphericSteam is dry steam at 100 °C. Published: Spirax Sarco steam
// tables, 2013.
func AtmosphericSteam() SteamState { return SteamState{419.10, 2256.66, 1} }

// OneBarSteam is dry steam at 1.0 bar gauge, 120.4 °C. Published: as
// AtmosphericSteam.
func OneBarSteam() SteamState { return SteamState{505.73, 2201.16, 1} }

// WandSteam is dry steam at about 1.2 bar gauge, 123 °C: 2711 kJ/kg in all.
// From memory of steam tables.
func WandSteam() SteamState { return SteamState{517, 2194, 1} }

// Wet is the same steam at another dryness.
func (s SteamState) Wet(dryness float64) SteamState { s.Dryness = dryness; return s }

// EnthalpyKJ is what a kilogram of the steam carries, kJ: hf + x·hfg.
func (s SteamState) EnthalpyKJ() float64 { return s.LiquidKJ + s.Dryness*s.LatentKJ }

func (s SteamState) valid() error {
	return errors.Join(
		within("enthalpy of the steam's liquid", "kJ/kg", s.LiquidKJ, 400, 900),
		within("latent heat of the steam", "kJ/kg", s.LatentKJ, 1800, 2300),
		within("dryness of the steam", "", s.Dryness, 0.5, 1))
}

// Jug is the vessel that is steamed in. The zero Jug takes no heat.
type Jug struct {
	MassG    float64
	HeatKJ   float64 // specific heat, kJ/(kg K); 0.5 for stainless steel, from memory
	CelsiusC float64 // before steaming
}

func (j Jug) valid() error {
	if j.MassG == 0 {
		return nil
	}
	return errors.Join(mass("jug", j.MassG), heat("specific heat of the jug", j.HeatKJ), liquidC("jug temperature", j.CelsiusC))
}

// Steaming is a jug of milk about to be steamed.
type Steaming struct {
	MilkG  float64
	FromC  float64
	HeatKJ float64 // specific heat of the milk, kJ/(kg K); see SpecificHeatKJ
	Steam  SteamState
	Jug    Jug
	Form   Form
}

func (s Steaming) valid() error {
	err := errors.Join(positive("milk", "g", s.MilkG, maxMassG), liquidC("milk's start temperature", s.FromC),
		heat("specific heat of the milk", s.HeatKJ), s.Steam.valid(), s.Jug.valid())
	if s.Form > Simple {
		err = errors.Join(err, fmt.Errorf("heat balance %d: %w; it must be full or simple", s.Form, ErrInput))
	}
	return err
}

// Steamed is what steaming made.
type Steamed struct {
	EndC            float64
	SteamG          float64 // condensate in the milk, g
	OutG            float64 // milk and condensate, g
	DilutionPercent float64 // condensate over cold milk, %
	WaterShare      float64 // condensate over OutG, 0 to 1
	MilkHeatKJ      float64 // heat taken up by the milk, kJ
	JugHeatKJ       float64 // heat taken up by the jug, kJ
	Form            Form    // the balance used
}

// yieldKJ is the heat that a kilogram of the steam gives up on the way to endC.
func (s Steaming) yieldKJ(endC float64) (float64, error) {
	if s.Form == Simple {
		return s.Steam.Dryness * s.Steam.LatentKJ, nil
	}
	hf, err := WaterEnthalpy(endC)
	return s.Steam.EnthalpyKJ() - hf, err
}

// To is the heat balance of steaming to endC °C:
//
//	m_s (h_f + x·h_fg − h_f(T1)) = M·c·(T1 − T0) + M_jug·c_jug·(T1 − T_jug)
//
// and in the simple form m_s·x·h_fg on the left. Losses to the air are left
// out. Published: energy balance; the dilution of about 10 % that it gives
// agrees with a barista teaching text.
func (s Steaming) To(endC float64) (Steamed, error) {
	if err := s.valid(); err != nil {
		return Steamed{}, err
	}
	if err := within("milk's end temperature", "°C", endC, 0, maxLiquidC); err != nil {
		return Steamed{}, err
	}
	if endC < s.FromC {
		return Steamed{}, fmt.Errorf("milk's end temperature %g °C: %w; it lies below the start of %g °C, the wrong way round; steam only warms", endC, ErrInput, s.FromC)
	}
	r := Steamed{EndC: endC, Form: s.Form, MilkHeatKJ: s.MilkG / 1000 * s.HeatKJ * (endC - s.FromC)}
	if s.Jug.MassG > 0 {
		if s.Jug.CelsiusC > endC {
			return Steamed{}, fmt.Errorf("jug temperature %g °C: %w; it lies above the milk's end of %g °C; cool the jug", s.Jug.CelsiusC, ErrInput, endC)
		}
		r.JugHeatKJ = s.Jug.MassG / 1000 * s.Jug.HeatKJ * (endC - s.Jug.CelsiusC)
	}
	perKG, err := s.yieldKJ(endC)
	if err != nil {
		return Steamed{}, err
	}
	r.SteamG = 1000 * (r.MilkHeatKJ + r.JugHeatKJ) / perKG
	r.OutG = s.MilkG + r.SteamG
	if r.DilutionPercent, err = finite("dilution", "%", 100*r.SteamG/s.MilkG); err != nil {
		return Steamed{}, err
	}
	r.WaterShare = r.SteamG / r.OutG
	return r, nil
}

// With is the inverse of To: the end temperature that steamG grams of
// condensate bring the milk to. It fails when that much would boil the milk.
func (s Steaming) With(steamG float64) (Steamed, error) {
	if err := errors.Join(s.valid(), mass("steam", steamG)); err != nil {
		return Steamed{}, err
	}
	lo, hi := math.Max(s.FromC, 0), float64(maxLiquidC)
	if s.Jug.MassG > 0 {
		lo = math.Max(lo, s.Jug.CelsiusC)
	}
	least, err := s.To(lo)
	if err != nil {
		return Steamed{}, err
	}
	most, err := s.To(hi)
	if err != nil {
		return Steamed{}, err
	}
	if !(steamG >= least.SteamG && steamG <= most.SteamG) {
		return Steamed{}, fmt.Errorf("steam %g g: %w; for %g g of milk at %g °C it must lie in %g to %g g", steamG, ErrInput, s.MilkG, s.FromC, least.SteamG, most.SteamG)
	}
	// Steam rises with the end temperature, so bisection cannot fail.
	for range 80 {
		mid := lo + (hi-lo)/2
		if at, err := s.To(mid); err != nil {
			return Steamed{}, err
		} else if at.SteamG < steamG {
			lo = mid
		} else {
			hi = mid
		}
	}
	return s.To(hi)
}

// Composition is what milk is made of, as shares of its mass.
type Composition struct{ Water, Carbohydrate, Protein, Fat, Ash float64 }

func (c Composition) valid() error {
	var errs []error
	for _, p := range []struct {
		field string
		share float64
	}{{"water", c.Water}, {"carbohydrate", c.Carbohydrate}, {"protein", c.Protein}, {"fat", c.Fat}, {"ash", c.Ash}} {
		errs = append(errs, within(p.field+" share", "", p.share, 0, 1))
	}
	if err := errors.Join(errs...); err != nil {
		return err
	}
	return within("sum of the shares", "", c.Water+c.Carbohydrate+c.Protein+c.Fat+c.Ash, 0.98, 1.02)
}

// SpecificHeat is the specific heat, kJ/(kg K), of milk by composition:
// 4.18 w + 1.4 carb + 1.6 prot + 1.7 fat + 0.8 ash. Published: Kessler, 1981.
func (c Composition) SpecificHeat() (float64, error) {
	if err := c.valid(); err != nil {
		return 0, err
	}
	return 4.18*c.Water + 1.4*c.Carbohydrate + 1.6*c.Protein + 1.7*c.Fat + 0.8*c.Ash, nil
}

// SpecificHeatShort is the specific heat, kJ/(kg K), by the shorter published
// form 4.18 (water + 0.5 fat + 0.3 solids that are not fat).
func (c Composition) SpecificHeatShort() (float64, error) {
	if err := c.valid(); err != nil {
		return 0, err
	}
	return 4.18 * (c.Water + 0.5*c.Fat + 0.3*(c.Carbohydrate+c.Protein+c.Ash)), nil
}
