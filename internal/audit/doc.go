// Package audit answers: is what the stations log what an independent person
// measures?
//
// An auditor's visit has its own plan, drawn at random by a seed: which drinks,
// which checks, at which times. The paper form that the auditor takes along is
// made from the plan alone, so that it cannot show a self-logged value, nor a
// target to read towards. What was written down is judged like any build, and
// compared with what the station logged of the same drinks, against limits that
// stand in the plan, and so were decided before anybody looked.
//
// The package imports no transport and no storage.
package audit

import (
	"errors"
	"fmt"

	"samecup.example/samecup/internal/drink"
)

// ErrInput marks parameters, a plan or a visit that cannot be used. The
// wrapping error names the field, the value found and what is allowed.
var ErrInput = errors.New("audit: input cannot be used")

func inputErr(field string, value any, allowed string) error {
	return fmt.Errorf("%w: %s is %v, allowed: %s", ErrInput, field, value, allowed)
}

// auditable is a measure that an auditor can take at the bar with a scale, a
// probe, a timer and a ruler.
type auditable struct {
	measure string
	// limit is how far a self-logged value may lie from the auditor's, in
	// thousandths of the base unit. Temperatures within 2 °C are the chain's
	// own choice, as are the others: about twice the error of two readings
	// with the usual instruments (common practice, no source).
	limit drink.Milli
	// seconds is what one reading takes (common practice, no source).
	seconds int
	// spoils is true where the drink cannot be served afterwards.
	spoils bool
}

// auditables in the order of the form, which is the order of the build.
var auditables = []auditable{
	{"dose", 300, 8, false},
	{"yield", 1_500, 5, false},
	{"shot_time", 1_500, 5, false},
	{"water_temp", 2_000, 10, false},
	{"milk_temp", 2_000, 10, false},
	{"steep_time", 10_000, 5, false},
	{"cup_mass", 6_000, 8, false},
	{"froth_depth", 3_000, 40, true},
	{"froth_above_rim", 3_000, 10, false},
	{"serve_temp", 3_000, 10, false},
}

func auditableOf(measure string) (auditable, bool) {
	for _, a := range auditables {
		if a.measure == measure {
			return a, true
		}
	}
	return auditable{}, false
}

// auditableCodes lists the measures for messages.
func auditableCodes() []string {
	out := make([]string, len(auditables))
	for i, a := range auditables {
		out[i] = a.measure
	}
	return out
}
