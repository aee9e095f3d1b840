// Package espresso answers one question: what do dose, yield and time say
// about the coffee in the cup?
package espresso

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput is returned for a quantity that no pull can have.
var ErrInput = errors.New("impossible quantity")

// positive refuses what is not a finite number above zero.
func positive(name string, v float64) error {
	if !(v > 0) || math.IsInf(v, 0) {
		return fmt.Errorf("%s %g: %w; it must be a finite number above 0", name, v, ErrInput)
	}
	return nil
}

// quotient keeps overflow from leaving the package as an infinity.
func quotient(a, b float64) (float64, error) {
	q := a / b
	if math.IsNaN(q) || math.IsInf(q, 0) {
		return 0, fmt.Errorf("%g over %g: %w", a, b, ErrInput)
	}
	return q, nil
}

// Ratio is beverage mass over dry coffee mass, both in g: 36 g from 18 g is 2.
// It is a ratio of masses; crema makes volumes useless for it.
func Ratio(doseG, yieldG float64) (float64, error) {
	if err := errors.Join(positive("dose, g,", doseG), positive("yield, g,", yieldG)); err != nil {
		return 0, err
	}
	return quotient(yieldG, doseG)
}

// Flow is the mean flow in g/s of a pull of yieldG grams in timeS seconds.
func Flow(yieldG, timeS float64) (float64, error) {
	if err := errors.Join(positive("yield, g,", yieldG), positive("time, s,", timeS)); err != nil {
		return 0, err
	}
	return quotient(yieldG, timeS)
}

// ExtractionYield is the share of the dry coffee, %, that went into the
// beverage: total dissolved solids, %, times beverage mass over dose, both in
// g. The beverage mass is what is in the cup, not the brew water.
func ExtractionYield(tdsPercent, beverageG, doseG float64) (float64, error) {
	if err := errors.Join(percent("dissolved solids", tdsPercent), positive("beverage, g,", beverageG), positive("dose, g,", doseG)); err != nil {
		return 0, err
	}
	return quotient(tdsPercent*beverageG, doseG)
}

// Strength is the coffee solids, %, of a drink of totalG grams that holds
// espressoG grams of espresso of tdsPercent.
func Strength(tdsPercent, espressoG, totalG float64) (float64, error) {
	if err := errors.Join(percent("dissolved solids", tdsPercent), positive("espresso, g,", espressoG), positive("drink, g,", totalG)); err != nil {
		return 0, err
	}
	if espressoG > totalG {
		return 0, fmt.Errorf("espresso %g g: %w; it cannot exceed the drink's %g g", espressoG, ErrInput, totalG)
	}
	return quotient(tdsPercent*espressoG, totalG)
}

func percent(name string, v float64) error {
	if !(v >= 0 && v <= 100) {
		return fmt.Errorf("%s %g %%: %w; it must lie in 0 to 100", name, v, ErrInput)
	}
	return nil
}

// Pulls is how many baskets give that many single-equivalents, when one pull
// gives perPull of them. Zero shots need none.
func Pulls(shots, perPull int) int {
	if shots <= 0 || perPull <= 0 {
		return 0
	}
	return (shots-1)/perPull + 1
}

// Range is an estimate with the bounds that it may lie in.
type Range struct{ Low, Mid, High float64 }

// Caffeine estimates the caffeine, mg, of doseG grams of arabica brewed as
// espresso: 1.2 % (0.9 to 1.5) of the dose, of which 0.75 (0.6 to 0.9) is
// extracted. From memory and assumed; show it as a range, never as a figure.
func Caffeine(doseG float64) (Range, error) {
	if err := positive("dose, g,", doseG); err != nil {
		return Range{}, err
	}
	mg := doseG * 1000
	r := Range{Low: mg * 0.009 * 0.6, Mid: mg * 0.012 * 0.75, High: mg * 0.015 * 0.9}
	if math.IsInf(mg, 0) {
		return Range{}, fmt.Errorf("dose %g g: %w", doseG, ErrInput)
	}
	return r, nil
}
