package drink

import (
	"fmt"
	"math/big"
	"strings"
)

// tradeUnit is a unit as people write it, with its exact size in base units.
type tradeUnit struct {
	names []string
	// num over den base units make one; offset is added before (°F only).
	num, den, offset int64
	// customary units do not divide evenly and are rounded to a thousandth.
	customary bool
}

// tradeUnits lists what may be written for each base unit. The ounce is
// 28.349523125 g and the US fluid ounce 29.5735295625 mL exactly (NIST Handbook
// 44, appendix C; from memory).
var tradeUnits = map[Unit][]tradeUnit{
	Gram: {{names: []string{"g"}, num: 1, den: 1}, {names: []string{"kg"}, num: 1000, den: 1}, {names: []string{"mg"}, num: 1, den: 1000},
		{names: []string{"oz"}, num: 28349523125, den: 1_000_000_000, customary: true}},
	Millilitre: {{names: []string{"ml", "mL"}, num: 1, den: 1}, {names: []string{"cl", "cL"}, num: 10, den: 1}, {names: []string{"l", "L"}, num: 1000, den: 1},
		{names: []string{"fl oz"}, num: 295735295625, den: 10_000_000_000, customary: true}},
	Millimetre: {{names: []string{"mm"}, num: 1, den: 1}, {names: []string{"cm"}, num: 10, den: 1}, {names: []string{"in"}, num: 254, den: 10, customary: true}},
	Second:     {{names: []string{"s"}, num: 1, den: 1}, {names: []string{"min"}, num: 60, den: 1}},
	Celsius: {{names: []string{"°C", "C", "degC"}, num: 1, den: 1},
		{names: []string{"°F", "F", "degF"}, num: 5, den: 9, offset: -32, customary: true}},
	Percent: {{names: []string{"%"}, num: 1, den: 1}},
	Count:   {{names: []string{""}, num: 1, den: 1}},
}

// kindOf says what a base unit measures and how to write it.
var kindOf = map[Unit]struct{ noun, allowed, like string }{
	Gram:       {"a mass", "g or kg", "18 g"},
	Millilitre: {"a volume", "ml or l", "135 ml"},
	Millimetre: {"a length", "mm or cm", "8 mm"},
	Second:     {"a time", "s or min", "28 s"},
	Celsius:    {"a temperature", "°C or °F", "60 °C"},
	Percent:    {"a percentage", "%", "10 %"},
	Count:      {"a count", "a whole number with no unit", "3"},
}

// QuantityError says why a text is no quantity of the unit wanted.
type QuantityError struct{ Text, Fault, Allowed, Mend string }

func (e *QuantityError) Error() string {
	return fmt.Sprintf("%q %s; %s", e.Text, e.Fault, e.Mend)
}

// maxQuantityText bounds the text of one quantity, bytes.
const maxQuantityText = 40

// ParseQuantity reads a quantity in trade units, such as "0.8 cm" or "140 °F",
// into thousandths of the base unit, exactly: metric values must land on a
// thousandth, US-customary ones are rounded to the nearest, halves away from
// zero. The error is a *QuantityError.
func ParseQuantity(text string, unit Unit) (Milli, error) { return parseQuantity(text, unit, false) }

// ParseDifference reads a quantity that is a distance between two values: it
// differs from ParseQuantity only in °F, which then has no offset.
func ParseDifference(text string, unit Unit) (Milli, error) { return parseQuantity(text, unit, true) }

func parseQuantity(text string, unit Unit, difference bool) (Milli, error) {
	kind, ok := kindOf[unit]
	if !ok {
		return 0, &QuantityError{Text: text, Fault: fmt.Sprintf("has no base unit %q", unit), Mend: "name a measure that exists"}
	}
	fail := func(fault string) error {
		mend := fmt.Sprintf("write %s, like %q", kind.allowed, kind.like)
		return &QuantityError{Text: clip(text), Fault: fault, Allowed: kind.allowed, Mend: mend}
	}
	text = strings.TrimSpace(text)
	if len(text) > maxQuantityText {
		return 0, fail("is too long for " + kind.noun)
	}
	end := strings.IndexFunc(text, func(r rune) bool { return (r < '0' || r > '9') && r != '.' && r != '-' && r != '+' })
	if end < 0 {
		end = len(text)
	}
	number, suffix := text[:end], strings.TrimSpace(text[end:])
	value, ok := parseDecimal(number)
	if !ok {
		return 0, fail("is not " + kind.noun)
	}
	if len(suffix) > 1 && (suffix[0] == 'e' || suffix[0] == 'E') && strings.ContainsAny(suffix[1:2], "+-0123456789") {
		return 0, fail("is written with an exponent, and no " + kind.noun[2:] + " here is above " + FormatQuantity(MaxMilli, unit))
	}
	for _, u := range tradeUnits[unit] {
		for _, name := range u.names {
			if name != suffix {
				continue
			}
			if u.offset != 0 && !difference {
				value.Add(value, big.NewRat(u.offset, 1))
			}
			value.Mul(value, big.NewRat(u.num, u.den))
			m, exact, ok := toMilli(value)
			switch {
			case !ok:
				return 0, fail("is out of reach")
			case !exact && !u.customary:
				return 0, fail("is finer than a thousandth of " + unit.word())
			case unit == Count && m%1000 != 0:
				return 0, fail("is not a whole number")
			}
			return m, nil
		}
	}
	return 0, fail("is not " + kind.noun)
}

// word names the unit in a sentence.
func (u Unit) word() string {
	if s := u.Symbol(); s != "" {
		return s
	}
	return "one"
}

// parseRatio reads a bare number or a percentage as a share of one, in
// thousandths: "0.18" and "18 %" are both 180.
func parseRatio(text string) (Milli, error) {
	fail := func(fault string) error {
		return &QuantityError{Text: clip(text), Fault: fault, Allowed: "a number or %", Mend: `write a number or %, like "0.18" or "18 %"`}
	}
	if len(text) > maxQuantityText {
		return 0, fail("is too long for a share")
	}
	number, isPercent := strings.CutSuffix(strings.TrimSpace(text), "%")
	value, ok := parseDecimal(strings.TrimSpace(number))
	if !ok {
		return 0, fail("is not a share")
	}
	if isPercent {
		value.Mul(value, big.NewRat(1, 100))
	}
	m, exact, ok := toMilli(value)
	switch {
	case !ok:
		return 0, fail("is out of reach")
	case !exact:
		return 0, fail("is finer than a thousandth")
	}
	return m, nil
}

// parseDecimal reads digits with at most one sign and one point: no exponents,
// no separators, nothing that a float would have to guess.
func parseDecimal(s string) (*big.Rat, bool) {
	digits := strings.TrimPrefix(s, "-")
	whole, frac, point := strings.Cut(digits, ".")
	if whole == "" || point && frac == "" {
		return nil, false
	}
	for _, r := range whole + frac {
		if r < '0' || r > '9' {
			return nil, false
		}
	}
	return new(big.Rat).SetString(s)
}

// toMilli scales to thousandths; exact is false when it had to round.
func toMilli(v *big.Rat) (m Milli, exact, ok bool) {
	scaled := new(big.Rat).Mul(v, big.NewRat(1000, 1))
	exact = scaled.IsInt()
	half := big.NewRat(1, 2)
	if scaled.Sign() < 0 {
		half.Neg(half)
	}
	scaled.Add(scaled, half)
	q := new(big.Int).Quo(scaled.Num(), scaled.Denom()) // truncates toward zero
	if !q.IsInt64() || q.Int64() > int64(MaxMilli) || q.Int64() < -int64(MaxMilli) {
		return 0, false, false
	}
	return Milli(q.Int64()), exact, true
}

// FormatQuantity writes a value with its unit as a person reads it.
func FormatQuantity(m Milli, unit Unit) string {
	symbol := unit.Symbol()
	if symbol == "" {
		return m.String()
	}
	return m.String() + " " + symbol
}

// clip keeps what is quoted in a message short.
func clip(s string) string {
	const most = 60
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
