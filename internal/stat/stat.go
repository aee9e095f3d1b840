// Package stat answers: what can a quality lead know from these numbers, and
// how surely?
//
// It holds plain functions on slices and structs for results. Every method
// states its formula, units, edge cases and source. Input that cannot be used
// is refused with an error that wraps ErrInput; no exported function returns
// NaN or an infinity. The package imports nothing of the chain's own, so that
// each figure can be checked against published examples alone.
package stat

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput marks data or a setting that a method cannot use. The wrapping
// error names the field, the value found and what is allowed.
var ErrInput = errors.New("stat: input cannot be used")

// inputErr reports one unusable value, with what would have been accepted.
func inputErr(field string, value any, allowed string) error {
	return fmt.Errorf("%w: %s is %v, allowed: %s", ErrInput, field, value, allowed)
}

// isFinite reports whether x is a number that arithmetic can go on with.
func isFinite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }

// finiteAll refuses the first value of xs that is NaN or infinite.
func finiteAll(field string, xs []float64) error {
	for i, x := range xs {
		if !isFinite(x) {
			return inputErr(fmt.Sprintf("%s[%d]", field, i), x, "a finite number")
		}
	}
	return nil
}
