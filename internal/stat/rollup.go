package stat

import "math"

// Rollup is what a day of one measure at one station leaves behind: enough for
// any chart of means and spreads, for heaping, and for merging into weeks,
// sites and chains. The zero value is an empty roll-up.
//
// A build that comes late is added to the roll-up of the day it was measured,
// in any order. A corrected build cannot be taken out again, for taking out
// loses digits and the extremes: rebuild that day from its builds.
type Rollup struct {
	N    int64   `json:"n"`
	Mean float64 `json:"mean"`
	M2   float64 `json:"m2"` // sum of squared deviations from Mean
	Min  float64 `json:"min"`
	Max  float64 `json:"max"`
	// Digits counts the last shown digit of each value, by the resolution
	// given to Add; their sum is below N where no resolution was known.
	Digits [10]int64 `json:"digits"`
}

// Add takes one value in. Resolution is the smallest step of the device in the
// unit of the value, or 0 where it is not known: then no digit is counted.
// Values that are not finite are refused.
//
// Source: Welford, Technometrics 4 (1962) 419-420.
func (r *Rollup) Add(value, resolution float64) error {
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return inputErr("value", value, "a finite number; a missing reading is not rolled up")
	}
	one := Rollup{N: 1, Mean: value, Min: value, Max: value}
	if resolution > 0 {
		one.Digits[lastDigit(value, resolution)] = 1
	}
	r.Merge(one)
	return nil
}

// Merge takes another roll-up in. Any partition of the values, merged in any
// order, equals the whole up to rounding: about 1e-15 relative in the mean,
// and N x 1e-16 x |mean| x SD in M2.
//
// Source: Chan, Golub, LeVeque, The American Statistician 37 (1983) 242-247.
func (r *Rollup) Merge(o Rollup) {
	switch {
	case o.N == 0:
		return
	case r.N == 0:
		*r = o
		return
	}
	n := float64(r.N + o.N)
	d := o.Mean - r.Mean
	r.M2 += o.M2 + d*d*(float64(r.N)/n)*float64(o.N)
	// Moving from the larger part keeps the step, and its rounding, small.
	if r.N >= o.N {
		r.Mean += d * (float64(o.N) / n)
	} else {
		r.Mean = o.Mean - d*(float64(r.N)/n)
	}
	r.N += o.N
	r.Min, r.Max = math.Min(r.Min, o.Min), math.Max(r.Max, o.Max)
	for i, c := range o.Digits {
		r.Digits[i] += c
	}
}

// Variance is M2/(N-1); ok is false below two values.
func (r Rollup) Variance() (v float64, ok bool) {
	if r.N < 2 {
		return 0, false
	}
	return r.M2 / float64(r.N-1), true
}

// SD is the sample standard deviation; ok is false below two values.
func (r Rollup) SD() (sd float64, ok bool) {
	v, ok := r.Variance()
	return math.Sqrt(v), ok
}

// lastDigit is the last shown digit of a value at a resolution: 65.4 at 0.1
// gives 4.
func lastDigit(value, resolution float64) int {
	return int(math.Mod(math.Abs(math.Round(value/resolution)), 10))
}
