// Package instrument answers one question: which value did the scale, the timer
// or the probe give this build, and may we believe it?
//
// A [Reading] is one reading as an instrument made it, in protobuf or JSON. A
// [Joiner] turns the feeds into values of the build that is open; a [Health]
// watches each feed and says in words what is wrong with it; a [Feed] does both
// in the right order. None has a clock or a connection of its own, and what they
// hold does not grow with what is sent. docs/instruments.md is the contract.
package instrument

import (
	"fmt"
	"time"

	"samecup.example/samecup/internal/drink"
)

// Kind is what an instrument measures with.
type Kind uint8

// The kinds.
const (
	Scale Kind = iota + 1
	Timer
	Thermometer
)

var kindNames = [...]string{Scale: "scale", Timer: "timer", Thermometer: "thermometer"}

// String is the word used in text; "unknown" for anything else.
func (k Kind) String() string {
	if k == 0 || int(k) >= len(kindNames) {
		return "unknown"
	}
	return kindNames[k]
}

// ParseKind reads what String writes.
func ParseKind(s string) (Kind, error) {
	for k := Scale; k <= Thermometer; k++ {
		if k.String() == s {
			return k, nil
		}
	}
	return 0, fmt.Errorf("kind is %q, allowed: scale, timer, thermometer", s)
}

// Event is what happened at the instrument when it was read.
type Event uint8

// The events.
const (
	NoEvent Event = iota
	Tare
	Start
	Stop
)

// Reading is one reading as the instrument made it.
type Reading struct {
	// Instrument is its ID, a slug of 1 to 64.
	Instrument string
	Kind       Kind
	// Unit is a UCUM code that the kind may use, see [Units]; Value and
	// Resolution are in thousandths of it, Resolution 0 where not stated.
	Unit       string
	Value      drink.Milli
	Resolution drink.Milli
	// CalibratedOn and CalibrationDue are midnight UTC of a date; zero where
	// not known.
	CalibratedOn, CalibrationDue time.Time
	// Sequence rises by 1; 0 where the instrument does not count.
	Sequence uint64
	// MeasuredAt and SentAt by the instrument's clock, zero where it has none.
	// ReceivedAt by the station's; it is not on the wire, and whoever takes the
	// reading in sets it.
	MeasuredAt, SentAt, ReceivedAt time.Time
	Stable                         bool
	Event                          Event
	// StartEvent is what starts a timer: "pump_on", "first_drop" or empty.
	StartEvent string
}

// unitOf says what a UCUM code is in the trade's writing, which
// drink.ParseQuantity reads.
type unitOf struct{ ucum, trade string }

var unitsOf = map[Kind]struct {
	base  drink.Unit
	units []unitOf
}{
	Scale:       {drink.Gram, []unitOf{{"g", "g"}, {"kg", "kg"}, {"mg", "mg"}, {"[oz_av]", "oz"}}},
	Timer:       {drink.Second, []unitOf{{"s", "s"}, {"min", "min"}}},
	Thermometer: {drink.Celsius, []unitOf{{"Cel", "°C"}, {"[degF]", "°F"}}},
}

// Units lists the UCUM codes that a kind may use, the base unit's first.
func Units(k Kind) []string {
	var out []string
	for _, u := range unitsOf[k].units {
		out = append(out, u.ucum)
	}
	return out
}

// Base gives value and resolution in thousandths of the kind's base unit, exactly
// as drink.ParseQuantity reads them: metric values must land on a thousandth,
// US-customary ones are rounded to the nearest.
func (r *Reading) Base() (value, resolution drink.Milli, unit drink.Unit, err error) {
	k := unitsOf[r.Kind]
	if len(k.units) > 0 && k.units[0].ucum == r.Unit {
		return r.Value, r.Resolution, k.base, nil
	}
	for _, u := range k.units {
		if u.ucum != r.Unit {
			continue
		}
		if value, err = drink.ParseQuantity(r.Value.String()+" "+u.trade, k.base); err != nil {
			return 0, 0, "", fmt.Errorf("value of %s: %w", r.Instrument, err)
		}
		if resolution, err = drink.ParseDifference(r.Resolution.String()+" "+u.trade, k.base); err != nil {
			return 0, 0, "", fmt.Errorf("resolution of %s: %w", r.Instrument, err)
		}
		return value, resolution, k.base, nil
	}
	return 0, 0, "", &FieldError{"unit", fmt.Sprintf("%q", r.Unit), fmt.Sprintf("for a %s: %v", r.Kind, Units(r.Kind))}
}

// FieldError is a reading that cannot be used.
type FieldError struct{ Field, Value, Allowed string }

func (e *FieldError) Error() string {
	return fmt.Sprintf("instrument reading: %s is %s, allowed: %s", e.Field, e.Value, e.Allowed)
}

// reach bounds what an instrument of a kind can show, thousandths of the base
// unit: a scale of 20 kg, a day, -50 to 300 °C.
var reach = map[Kind][2]drink.Milli{
	Scale: {-20_000_000, 20_000_000}, Timer: {0, 86_400_000}, Thermometer: {-50_000, 300_000},
}

// Check refuses a reading that cannot be used; the error is a *FieldError or
// comes from the unit's conversion.
func (r *Reading) Check() error {
	bad := func(field, value, allowed string) error { return &FieldError{field, value, allowed} }
	switch {
	case !isSlug(r.Instrument):
		return bad("instrument", fmt.Sprintf("%.70q", r.Instrument), "1 to 64 of a to z, 0 to 9 and -")
	case r.Kind < Scale || r.Kind > Thermometer:
		return bad("kind", r.Kind.String(), "scale, timer, thermometer")
	case r.Value < -drink.MaxMilli || r.Value > drink.MaxMilli:
		return bad("value_milli", fmt.Sprint(int64(r.Value)), fmt.Sprintf("-%d to %d", drink.MaxMilli, drink.MaxMilli))
	case r.Resolution < 0 || r.Resolution > 1_000_000:
		return bad("resolution_milli", fmt.Sprint(int64(r.Resolution)), "0 to 1000000")
	case r.Event > Stop:
		return bad("event", fmt.Sprint(r.Event), "none, tare, start, stop")
	case r.Event == Tare && r.Kind != Scale:
		return bad("event", "tare", "none, start, stop for a "+r.Kind.String())
	case (r.Event == Start || r.Event == Stop) && r.Kind == Scale:
		return bad("event", "start or stop", "none, tare for a scale")
	case r.StartEvent != "" && r.StartEvent != "pump_on" && r.StartEvent != "first_drop":
		return bad("start_event", fmt.Sprintf("%.70q", r.StartEvent), "pump_on, first_drop, or empty")
	case r.StartEvent != "" && r.Kind != Timer:
		return bad("start_event", r.StartEvent, "empty for a "+r.Kind.String())
	case !r.CalibratedOn.IsZero() && r.CalibrationDue.Before(r.CalibratedOn) && !r.CalibrationDue.IsZero():
		return bad("calibration_due_date", r.CalibrationDue.Format(time.DateOnly), "not before calibrated_date")
	}
	v, _, unit, err := r.Base()
	if err != nil {
		return err
	}
	if lim := reach[r.Kind]; v < lim[0] || v > lim[1] {
		return bad("value_milli", drink.FormatQuantity(v, unit), drink.FormatQuantity(lim[0], unit)+" to "+drink.FormatQuantity(lim[1], unit))
	}
	return nil
}

func isSlug(s string) bool {
	if s == "" || len(s) > 64 {
		return false
	}
	for i := range len(s) {
		if c := s[i]; (c < 'a' || c > 'z') && (c < '0' || c > '9') && c != '-' {
			return false
		}
	}
	return true
}
