// Package reportround answers: how many decimals does a figure of a statistics
// command carry?
package reportround

import "math"

// Decimals shows a spread with three digits, and so figures beside it: 9 where
// there is no spread, 0 at least.
func Decimals(spread float64) int {
	if !(spread > 0) {
		return 9
	}
	return min(9, max(0, 2-int(math.Floor(math.Log10(spread)))))
}

// To rounds to so many decimals; what rounding would make infinite stays.
func To(x float64, decimals int) float64 {
	p := math.Pow10(decimals)
	if r := math.Round(x*p) / p; !math.IsInf(r, 0) {
		return r
	}
	return x
}

// At is To for a figure that may be absent.
func At(x *float64, decimals int) *float64 {
	if x == nil {
		return nil
	}
	r := To(*x, decimals)
	return &r
}

// Digits rounds to so many significant digits, of what is above 0.
func Digits(x float64, n int) float64 {
	if !(x > 0) {
		return x
	}
	return To(x, max(0, n-1-int(math.Floor(math.Log10(x)))))
}
