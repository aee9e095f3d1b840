// Package espresso answers one question: what do dose, yield and time say
// about the coffee in the cup?
//
// Masses are in g, volumes in mL, times in s, shares in the unit of their name.
// Every function refuses what no pull can have with an error that wraps
// ErrInput, and none returns a NaN or an infinity.
package espresso

import (
	"errors"
	"fmt"
)

// Ratio is beverage mass over dry coffee mass, both in g: 36 g from 18 g is 2.
// It is a ratio of masses; crema makes volumes useless for it. Common practice,
// no source.
func Ratio(doseG, yieldG float64) (float64, error) {
	if err := errors.Join(dose(doseG), yield(yieldG)); err != nil {
		return 0, err
	}
	return quotient(yieldG, doseG)
}

// YieldFor is the beverage, g, that doseG grams give at a brew ratio: the
// inverse of Ratio. Common practice, no source.
func YieldFor(doseG, ratio float64) (float64, error) {
	if err := errors.Join(dose(doseG), positive("ratio", "g/g", ratio, 1000)); err != nil {
		return 0, err
	}
	yieldG := doseG * ratio
	if err := yield(yieldG); err != nil {
		return 0, fmt.Errorf("dose %g g at ratio %g: %w", doseG, ratio, err)
	}
	return yieldG, nil
}

// Flow is the mean flow in g/s of a pull of yieldG grams in timeS seconds. Say
// with it where the clock started: pump on and first drop differ by 5 to 8 s.
// Common practice, no source.
func Flow(yieldG, timeS float64) (float64, error) {
	if err := errors.Join(yield(yieldG), positive("time", "s", timeS, MaxTimeS)); err != nil {
		return 0, err
	}
	return quotient(yieldG, timeS)
}

// Strength is the coffee solids, %, of a drink of totalG grams that holds
// espressoG grams of espresso of tdsPercent: solids add, so it is
// TDS × espresso / total (mass balance). A refractometer cannot confirm it in a
// milk drink, since milk brings solids of its own.
func Strength(tdsPercent, espressoG, totalG float64) (float64, error) {
	if err := errors.Join(solids(tdsPercent), positive("espresso", "g", espressoG, MaxMassG), positive("drink", "g", totalG, MaxMassG)); err != nil {
		return 0, err
	}
	if espressoG > totalG {
		return 0, fmt.Errorf("espresso %g g: %w; it cannot exceed the drink's %g g", espressoG, ErrInput, totalG)
	}
	return quotient(tdsPercent*espressoG, totalG)
}

// TotalFor is the mass, g, of the drink that espressoG grams of tdsPercent make
// at strengthPercent: the inverse of Strength.
func TotalFor(tdsPercent, espressoG, strengthPercent float64) (float64, error) {
	if err := errors.Join(positive("dissolved solids", "%", tdsPercent, MaxTDSPercent), positive("espresso", "g", espressoG, MaxMassG), positive("strength", "%", strengthPercent, MaxTDSPercent)); err != nil {
		return 0, err
	}
	if strengthPercent > tdsPercent {
		return 0, fmt.Errorf("strength %g %%: %w; it cannot exceed the espresso's %g %%", strengthPercent, ErrInput, tdsPercent)
	}
	totalG, err := quotient(tdsPercent*espressoG, strengthPercent)
	if err == nil {
		err = positive("drink", "g", totalG, MaxMassG)
	}
	if err != nil {
		return 0, err
	}
	return totalG, nil
}
