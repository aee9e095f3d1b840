package milk

import (
	"errors"
	"fmt"
)

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

// ColdVolume is the cold milk, mL, to measure for hotML of hot liquid: the
// inverse of HotVolume.
func ColdVolume(hotML, factor float64) (float64, error) {
	if err := errors.Join(volume("hot milk", hotML), within("hot factor", "", factor, 1, 2)); err != nil {
		return 0, err
	}
	return hotML / factor, nil
}

// HotFactor is the hot volume over the cold one, for HotVolume: mass is
// conserved, so it is coldGPerML × (1 + dilution) / hotGPerML. Whole milk,
// 1.033 g/mL cold, 9 % condensate and 1.014 g/mL hot, gives 1.11; densities
// from memory.
func HotFactor(coldGPerML, dilutionPercent, hotGPerML float64) (float64, error) {
	if err := errors.Join(density("cold density", coldGPerML), within("dilution", "%", dilutionPercent, 0, 100), density("hot density", hotGPerML)); err != nil {
		return 0, err
	}
	return coldGPerML * (1 + dilutionPercent/100) / hotGPerML, nil
}

// Base is what a milk drink holds besides milk: espresso, sauce, water.
type Base struct{ MassG, VolumeML float64 }

func (b Base) valid() error {
	return errors.Join(mass("espresso, sauce and water", b.MassG), volume("espresso, sauce and water", b.VolumeML))
}

// WholeCupMass is what a milk drink weighs, g, without its vessel: the base and
// the cold milk with its condensate. Air weighs nothing. Mass balance.
func WholeCupMass(base Base, coldML, coldGPerML, dilutionPercent float64) (float64, error) {
	if err := errors.Join(base.valid(), volume("cold milk", coldML), density("cold density", coldGPerML), within("dilution", "%", dilutionPercent, 0, 100)); err != nil {
		return 0, err
	}
	return base.MassG + coldML*coldGPerML*(1+dilutionPercent/100), nil
}

// MassAtLevel is what a milk drink weighs, g, when it is poured to levelML with
// milk of an aeration (air over hot liquid milk): more air at the same level is
// less milk. Mass and volume balance.
func MassAtLevel(base Base, levelML, aeration, hotGPerML float64) (float64, error) {
	if err := errors.Join(base.valid(), volume("level", levelML), within("aeration", "", aeration, 0, maxAeration), density("hot density", hotGPerML)); err != nil {
		return 0, err
	}
	if levelML < base.VolumeML {
		return 0, fmt.Errorf("level %g mL: %w; it lies below the %g mL of espresso, sauce and water", levelML, ErrInput, base.VolumeML)
	}
	return base.MassG + (levelML-base.VolumeML)/(1+aeration)*hotGPerML, nil
}

// Found is the milk and air that mass and level together tell.
type Found struct {
	HotML    float64 // hot liquid milk, mL
	AirML    float64
	Aeration float64 // AirML / HotML
}

// AirFromMass is the inverse of MassAtLevel: the air in a drink of massG grams,
// vessel taken off, that stands at levelML. It is the cheapest check of
// aeration at the bar: a scale sees what the eye does not.
func AirFromMass(base Base, massG, levelML, hotGPerML float64) (Found, error) {
	if err := errors.Join(base.valid(), mass("drink", massG), volume("level", levelML), density("hot density", hotGPerML)); err != nil {
		return Found{}, err
	}
	if !(massG > base.MassG) {
		return Found{}, fmt.Errorf("drink %g g: %w; it must exceed the %g g of espresso, sauce and water; is the vessel's tare right?", massG, ErrInput, base.MassG)
	}
	f := Found{HotML: (massG - base.MassG) / hotGPerML}
	f.AirML = levelML - base.VolumeML - f.HotML
	if f.AirML < 0 && f.AirML > -1e-9*levelML {
		f.AirML = 0
	}
	if f.AirML < 0 {
		return Found{}, fmt.Errorf("drink %g g: %w; so much cannot stand at %g mL, the liquids alone take %g mL", massG, ErrInput, levelML, base.VolumeML+f.HotML)
	}
	f.Aeration = f.AirML / f.HotML
	if err := within("aeration", "", f.Aeration, 0, maxAeration); err != nil {
		return Found{}, fmt.Errorf("drink %g g at %g mL: %w", massG, levelML, err)
	}
	return f, nil
}
