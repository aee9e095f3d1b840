// Package milk answers one question: what does steaming do to the milk's mass,
// volume and froth?
package milk

import (
	"errors"
	"fmt"
	"math"

	"samecup.example/samecup/internal/cup"
)

// ErrInput is returned for a quantity that no jug can have.
var ErrInput = errors.New("impossible quantity")

// Properties of milk and steam. Sources: specific heat of milk, 0.93 kcal/kg °C,
// a dairy technology course (IASRI); steam at 100 °C, steam tables 2013.
const (
	SpecificHeatKJ  = 3.93    // kJ/(kg K), average milk
	SteamEnthalpyKJ = 2675.76 // kJ/kg, saturated steam at 100 °C, hg
)

// waterEnthalpy is the enthalpy of liquid water, kJ/kg, by °C. Source: steam
// tables of Ohio University; the 70 °C value from memory of other tables, since
// that page's own entry disagrees with its internal energy.
var waterEnthalpy = [...]struct{ celsius, kj float64 }{
	{0, 0}, {5, 21.0}, {10, 42.0}, {20, 83.9}, {60, 251.2}, {65, 272.1}, {70, 293.07}, {100, 419.10},
}

// WaterEnthalpy interpolates the enthalpy of liquid water, kJ/kg, at 0 to 100 °C.
func WaterEnthalpy(celsius float64) (float64, error) {
	if !(celsius >= 0 && celsius <= 100) {
		return 0, fmt.Errorf("temperature %g °C: %w; it must lie in 0 to 100", celsius, ErrInput)
	}
	for i := 1; i < len(waterEnthalpy); i++ {
		lo, hi := waterEnthalpy[i-1], waterEnthalpy[i]
		if celsius <= hi.celsius {
			return lo.kj + (hi.kj-lo.kj)*(celsius-lo.celsius)/(hi.celsius-lo.celsius), nil
		}
	}
	return 0, fmt.Errorf("temperature %g °C: %w", celsius, ErrInput)
}

// Steam is the steam, g, that condenses into milkG grams of milk heated from
// fromC to toC °C by dry steam of enthalpy steamKJ kJ/kg: the full balance
// m_s = M c (T1 - T0) / (hg - hf(T1)), in which the condensate cools to the
// milk. Losses to the jug and wet steam come on top (together some 1 to 2 % of
// the milk).
func Steam(milkG, fromC, toC, steamKJ float64) (float64, error) {
	if !(milkG >= 0 && milkG <= 1e6) {
		return 0, fmt.Errorf("milk %g g: %w; it must lie in 0 to 1,000,000", milkG, ErrInput)
	}
	if !(fromC >= -2 && fromC <= toC) {
		return 0, fmt.Errorf("milk from %g to %g °C: %w; it must warm, from -2 °C or more", fromC, toC, ErrInput)
	}
	hf, err := WaterEnthalpy(toC)
	if err != nil {
		return 0, fmt.Errorf("end temperature: %w", err)
	}
	if !(steamKJ > hf+1000 && steamKJ <= 4000) {
		return 0, fmt.Errorf("steam enthalpy %g kJ/kg: %w; steam carries some 2300 to 2800", steamKJ, ErrInput)
	}
	return milkG * SpecificHeatKJ * (toC - fromC) / (steamKJ - hf), nil
}

// HotVolume is the hot liquid volume, mL, of coldML of cold milk: thermal
// growth and condensed steam together as one factor, 1.11 for dairy at 60 °C
// (1.033 g/mL x 1.09 / 1.014 g/mL).
func HotVolume(coldML, factor float64) (float64, error) {
	if !(coldML >= 0 && coldML <= 1e6) {
		return 0, fmt.Errorf("cold milk %g ml: %w; it must lie in 0 to 1,000,000", coldML, ErrInput)
	}
	if !(factor >= 1 && factor <= 2) {
		return 0, fmt.Errorf("hot factor %g: %w; it must lie in 1 to 2", factor, ErrInput)
	}
	return coldML * factor, nil
}

// FrothVolume is the volume, mL, of the settled froth layer that holds airML
// of air when gasShare of the layer is gas.
func FrothVolume(airML, gasShare float64) (float64, error) {
	if !(airML >= 0 && airML <= 1e6) {
		return 0, fmt.Errorf("air %g ml: %w; it must lie in 0 to 1,000,000", airML, ErrInput)
	}
	if !(gasShare >= 0.05 && gasShare <= 1) {
		return 0, fmt.Errorf("gas share %g: %w; it must lie in 0.05 to 1", gasShare, ErrInput)
	}
	return airML / gasShare, nil
}

// FrothDepth is the depth, mm, of frothML of froth that closes a fill of
// filledML (froth included) in the vessel p. What does not fit below the lip
// stands above it as a dome and counts with the dome's height.
func FrothDepth(p cup.Profile, filledML, frothML float64) (float64, error) {
	if !(frothML >= 0 && frothML <= filledML) {
		return 0, fmt.Errorf("froth %g ml: %w; it must lie in 0 to the fill's %g ml", frothML, ErrInput, filledML)
	}
	brim := p.Brim()
	if filledML <= brim {
		return p.Layer(filledML, frothML)
	}
	above, err := DomeHeight(p, filledML-brim)
	if err != nil {
		return 0, err
	}
	if filledML-frothML > brim {
		return 0, fmt.Errorf("fill without froth %g ml: %w; the brim is %g ml", filledML-frothML, cup.ErrRange, brim)
	}
	below, err := p.Layer(brim, frothML-(filledML-brim))
	if err != nil {
		return 0, err
	}
	return below + above, nil
}

// DomeHeight is how far, mm, volumeML stands above the lip of p as a dome.
func DomeHeight(p cup.Profile, volumeML float64) (float64, error) {
	lo, hi := 0.0, 0.0
	// The dome's greatest height is the rim's radius; find it by doubling.
	for hi = 1; ; hi *= 2 {
		v, err := p.Cap(hi)
		if err != nil {
			return 0, fmt.Errorf("%g ml above the lip: %w", volumeML, err)
		}
		if v >= volumeML {
			break
		}
	}
	if !(volumeML >= 0) || math.IsInf(volumeML, 0) {
		return 0, fmt.Errorf("%g ml above the lip: %w", volumeML, ErrInput)
	}
	for range 60 {
		mid := (lo + hi) / 2
		if v, err := p.Cap(mid); err != nil {
			return 0, err
		} else if v < volumeML {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}
