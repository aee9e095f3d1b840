package espresso

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is returned for a quantity that no pull can have.
var ErrInput = errors.New("impossible quantity")

// Limits on what a pull or a brew can be. They are wide on purpose: they keep
// out slips of the keyboard, not unusual coffee.
const (
	// MaxMassG bounds every mass, g: 100 kg, beyond any brewer behind a bar.
	MaxMassG = 100_000
	// MaxVolumeML bounds every volume, mL.
	MaxVolumeML = 100_000
	// MaxTimeS bounds every time, s: a day, the longest cold steep.
	MaxTimeS = 86_400
	// MaxTDSPercent bounds dissolved solids, %. Espresso runs from 8 to 12 %
	// (web pages, no standard found behind them), a ristretto to some 20 %
	// (from memory); more than 30 % is a slip of the decimal point.
	MaxTDSPercent = 30
	// MaxExtractionPercent bounds the extraction yield, %. About 30 % of roasted
	// coffee dissolves at all (from memory); more than 40 % means that one of
	// dose, beverage and solids is wrong.
	MaxExtractionPercent = 40
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

func dose(v float64) error     { return positive("dose", "g", v, MaxMassG) }
func yield(v float64) error    { return positive("yield", "g", v, MaxMassG) }
func beverage(v float64) error { return positive("beverage", "g", v, MaxMassG) }
func solids(v float64) error   { return within("dissolved solids", "%", v, 0, MaxTDSPercent) }

// quotient keeps overflow from leaving the package as an infinity.
func quotient(a, b float64) (float64, error) {
	q := a / b
	if math.IsNaN(q) || math.IsInf(q, 0) {
		return 0, fmt.Errorf("%g over %g: %w; the quotient is not a finite number", a, b, ErrInput)
	}
	return q, nil
}
