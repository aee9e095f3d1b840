package milk

import "fmt"

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
