// Package check is the shape of one external check: a number that a reader can
// find outside this program, beside the number this program computes.
//
// A package with checks of its own has a neighbour that lists them (cupcheck
// for cup, and so on), so that the tests and the page of checks read one table.
package check

import (
	"errors"
	"fmt"
	"math"
)

// ErrNoNumber is returned for a check whose computation gave NaN or an infinity.
var ErrNoNumber = errors.New("no finite number")

// Check is one named comparison. Source says where Expected comes from: a
// publication, an identity, "derived arithmetic" for the sums of our own
// invented data, "common practice, no source" or "from memory".
type Check struct {
	Name, Source string
	// Expected and Tolerance are in Unit; Tolerance is absolute.
	Expected, Tolerance float64
	// Unit is as printed: "ml", "mm", "°C", or "1" for a bare ratio.
	Unit string
	// Got computes the value with the package under check.
	Got func() (float64, error)
}

// Run computes what the package gives for c. It fails when the computation
// fails, or gives no finite number (ErrNoNumber); the caller compares.
func Run(c Check) (got float64, err error) {
	if c.Got == nil {
		return 0, fmt.Errorf("check %q: it has no computation to run", c.Name)
	}
	got, err = c.Got()
	if err != nil {
		return 0, fmt.Errorf("check %q: %w", c.Name, err)
	}
	if math.IsNaN(got) || math.IsInf(got, 0) {
		return 0, fmt.Errorf("check %q gave %g %s: %w", c.Name, got, c.Unit, ErrNoNumber)
	}
	return got, nil
}

// Agrees reports whether got lies within the tolerance of what is expected.
// NaN never agrees.
func (c Check) Agrees(got float64) bool {
	return math.Abs(got-c.Expected) <= c.Tolerance
}
