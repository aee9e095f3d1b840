// Package checkdoc writes the page that lists every external check: what is
// compared, where the expected number can be found, and what this program gives.
package checkdoc

import (
	"errors"
	"fmt"
	"strings"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/cup/cupcheck"
	"samecup.example/samecup/internal/espresso/espressocheck"
	"samecup.example/samecup/internal/milk/milkcheck"
	"samecup.example/samecup/internal/stat/statcheck"
)

// ErrDisagrees is wrapped by the error for a check outside its tolerance.
var ErrDisagrees = errors.New("outside the tolerance")

// Group is the checks of one package.
type Group struct {
	// Title is the heading on the page, Package the package under check.
	Title, Package string
	Checks         []check.Check
}

// Groups are all checks, of the physics and of the statistics, package by package.
func Groups() []Group {
	return []Group{
		{"Vessels and froth", "internal/cup", cupcheck.Checks()},
		{"Espresso", "internal/espresso", espressocheck.Checks()},
		{"Milk, ice and sweets", "internal/milk", milkcheck.Checks()},
		{"Statistics", "internal/stat", statcheck.Checks()},
	}
}

const head = `# What the numbers are checked against

Each row is a number that can be found outside this program, beside the number
that this program computes. "Derived arithmetic" is a sum over our own invented
data, worked outside this program; "common practice" and "from memory" have no
publication that we read. Nothing here replaces a thermometer, a scale or the
local food code.

"Quoted by spc" means the help pages of the R package of that name; the papers
themselves were not read. "Log relative error" is the number of correct digits
against a certified value of 15; doubles cannot give more where the data carry
many constant leading digits.

This page is generated: go test ./internal/check/checkdoc -update
`

// Page runs every check and writes the page. The error joins all checks that
// fail or lie outside their tolerance, each wrapping ErrDisagrees or its cause.
func Page(groups []Group) (string, error) {
	var w strings.Builder
	var errs []error
	total := 0
	for _, g := range groups {
		total += len(g.Checks)
	}
	fmt.Fprintf(&w, "%s\n%d checks.\n", head, total)
	for _, g := range groups {
		fmt.Fprintf(&w, "\n## %s (`%s`, %d checks)\n\n| what | expected | got | tolerance | unit | source |\n|---|---:|---:|---:|---|---|\n", g.Title, g.Package, len(g.Checks))
		for _, c := range g.Checks {
			got, err := check.Run(c)
			if err != nil {
				errs = append(errs, fmt.Errorf("%s: %w", g.Package, err))
				continue
			}
			if !c.Agrees(got) {
				errs = append(errs, fmt.Errorf("%s: check %q gave %g %s, expected %g ± %g: %w; mend the formula, or the source if it was misread",
					g.Package, c.Name, got, c.Unit, c.Expected, c.Tolerance, ErrDisagrees))
			}
			fmt.Fprintf(&w, "| %s | %s | %s | %s | %s | %s |\n", cell(c.Name), number(c.Expected), number(got), number(c.Tolerance), cell(c.Unit), cell(c.Source))
		}
	}
	return w.String(), errors.Join(errs...)
}

// number keeps five digits, so that the last bits of a machine's floating point
// do not make the page stale.
func number(v float64) string { return fmt.Sprintf("%.5g", v) }

// cell keeps a text inside its table cell.
func cell(text string) string {
	return strings.NewReplacer("|", `\|`, "\n", " ", "<", "&lt;").Replace(text)
}
