package drink

import (
	"math"
	"strconv"
	"strings"
)

// Milli is a measured or specified value in thousandths of its measure's base
// unit (g, mL, mm, s, °C, %, count). Integers make "on the limit" exact.
type Milli int64

const (
	// NoLow as a low limit means that the check has none.
	NoLow Milli = math.MinInt64
	// NoHigh as a high limit means that the check has none.
	NoHigh Milli = math.MaxInt64
	// MaxMilli is the largest magnitude accepted from outside, 10⁹ base
	// units; sums of a few thousand such values cannot overflow.
	MaxMilli Milli = 1_000_000_000_000
)

// Float returns the value in base units.
func (m Milli) Float() float64 { return float64(m) / 1000 }

// FromFloat rounds v, in base units, to the nearest thousandth, halves away
// from zero. The second result is false, and the first zero, when v is not
// finite or lies beyond MaxMilli.
func FromFloat(v float64) (Milli, bool) {
	scaled := math.Round(v * 1000)
	if math.IsNaN(scaled) || math.Abs(scaled) > float64(MaxMilli) {
		return 0, false
	}
	return Milli(scaled), true
}

// String writes the value in base units with no trailing zeros: 26000 is "26",
// -1500 is "-1.5".
func (m Milli) String() string {
	sign := ""
	u := uint64(m)
	if m < 0 {
		sign, u = "-", -u
	}
	whole, frac := u/1000, u%1000
	if frac == 0 {
		return sign + strconv.FormatUint(whole, 10)
	}
	f := strconv.FormatUint(1000+frac, 10)[1:]
	return sign + strconv.FormatUint(whole, 10) + "." + strings.TrimRight(f, "0")
}
