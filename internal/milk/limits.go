package milk

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is returned for a quantity that no jug can have.
var ErrInput = errors.New("impossible quantity")

// Limits that keep out slips of the keyboard, not unusual drinks.
const (
	maxMassG     = 1e6
	maxVolumeML  = 1e6
	minLiquidC   = -2   // whole milk freezes near -0.5 °C; from memory
	maxLiquidC   = 100  // nothing behind a bar is under pressure in the cup
	minHeatKJ    = 0.2  // kJ/(kg K), below any metal of a jug
	maxHeatKJ    = 4.3  // kJ/(kg K), just above water
	minDensity   = 0.02 // g/mL, dry froth
	maxDensity   = 1.6  // g/mL, thick sauce
	maxAgeS      = 3600
	maxAeration  = 5    // air over hot liquid; froth of 83 % gas
	minGasShare  = 0.05 // as FrothVolume has always had it
	defaultWater = 4.19 // kJ/(kg K), liquid water; steam tables, from memory
)

// quantity is a number with its unit, which bare ratios lack.
func quantity(v float64, unit string) string {
	if unit == "" {
		return fmt.Sprintf("%g", v)
	}
	return fmt.Sprintf("%g %s", v, unit)
}

// positive refuses what is not above zero and at most most.
func positive(field, unit string, v, most float64) error {
	if !(v > 0 && v <= most) {
		return fmt.Errorf("%s %s: %w; it must be above 0 and at most %s", field, quantity(v, unit), ErrInput, quantity(most, unit))
	}
	return nil
}

// within refuses what lies outside least to most.
func within(field, unit string, v, least, most float64) error {
	if !(v >= least && v <= most) {
		return fmt.Errorf("%s %s: %w; it must lie in %g to %s", field, quantity(v, unit), ErrInput, least, quantity(most, unit))
	}
	return nil
}

func mass(field string, v float64) error    { return within(field, "g", v, 0, maxMassG) }
func volume(field string, v float64) error  { return within(field, "mL", v, 0, maxVolumeML) }
func liquidC(field string, v float64) error { return within(field, "°C", v, minLiquidC, maxLiquidC) }
func heat(field string, v float64) error {
	return within(field, "kJ/(kg K)", v, minHeatKJ, maxHeatKJ)
}
func density(field string, v float64) error { return within(field, "g/mL", v, minDensity, maxDensity) }

// finite keeps overflow and 0/0 from leaving the package.
func finite(field, unit string, v float64) (float64, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0, fmt.Errorf("%s %s: %w; the inputs give no finite number", field, quantity(v, unit), ErrInput)
	}
	return v, nil
}
