// Package verdict answers one question: was this drink made as it should be?
//
// A [drink.Serving] is compiled once into a [Checker]; the checker judges
// builds of it without touching the heap, so that a station can answer while
// the cup is still on the counter. A verdict depends on nothing but the build,
// the serving and the time passed in, so the centre can recompute it to the
// last field.
package verdict

import (
	"cmp"
	"slices"

	"samecup.example/samecup/internal/drink"
)

// Grade sums a verdict up in one word.
type Grade uint8

// In rising order of weight: the gravest finding decides. Unknown means that
// a safety matter could not be told from the log; it never counts as a pass.
const (
	InSpec Grade = iota + 1
	OffSpec
	Unknown
	Unsafe
)

var gradeNames = [...]string{InSpec: "in_spec", OffSpec: "off_spec", Unknown: "unknown", Unsafe: "unsafe"}

// String is the word used in logs and on the wire; "unset" for the zero value.
func (g Grade) String() string {
	if g == 0 || int(g) >= len(gradeNames) {
		return "unset"
	}
	return gradeNames[g]
}

// GradeByName is the inverse of String; zero when there is none of that name.
func GradeByName(name string) Grade { return Grade(max(0, slices.Index(gradeNames[:], name))) }

// Kind says in which way a build departs from its serving.
type Kind uint8

// The kinds of finding, in the order in which findings of one criticality are
// listed.
const (
	// ServingUnknown: the build names a serving that the book does not have.
	ServingUnknown Kind = iota + 1
	// TimeImpossible: times that cannot be true; Expected gives the rule.
	TimeImpossible
	// WrongVessel, WrongMilk and WrongShots: not what the serving asks for.
	WrongVessel
	WrongMilk
	WrongShots
	// SubstitutionNotAllowed: an ingredient replaced against the spec.
	SubstitutionNotAllowed
	// GarnishMissing and GarnishUnexpected: what is, or is not, on top.
	GarnishMissing
	GarnishUnexpected
	// StepMissing: a step that is not optional is not in the log.
	StepMissing
	// StepOutOfOrder: a step that must come before this one came after it.
	StepOutOfOrder
	// StepRepeated: a step logged more than once.
	StepRepeated
	// StepUnknown: a step that the serving does not have.
	StepUnknown
	// BelowTolerance and AboveTolerance: a value beyond its limit.
	BelowTolerance
	AboveTolerance
	// Unconfirmed: a safety value, or one under a hard maximum, so close to its limit that the instrument's
	// step, coarser than the check accepts, could hide a breach.
	Unconfirmed
	// MissingReading: a needed reading is not in the log.
	MissingReading
	// DuplicateReading: more than one reading for one check and occurrence.
	DuplicateReading
	// UnknownReading: a check or an occurrence that the serving does not have.
	UnknownReading
	// ImpossibleValue: beyond what a bar can produce; not judged further.
	ImpossibleValue
	// WrongUnit: not the measure's base unit; not judged further.
	WrongUnit
	// Stopped: made although head office stopped it; Got names what is
	// stopped, Expected why.
	Stopped
)

var kindNames = [...]string{
	ServingUnknown: "serving_unknown", TimeImpossible: "time_impossible",
	WrongVessel: "wrong_vessel", WrongMilk: "wrong_milk", WrongShots: "wrong_shots",
	SubstitutionNotAllowed: "substitution_not_allowed",
	GarnishMissing:         "garnish_missing", GarnishUnexpected: "garnish_unexpected",
	StepMissing: "step_missing", StepOutOfOrder: "step_out_of_order",
	StepRepeated: "step_repeated", StepUnknown: "step_unknown",
	BelowTolerance: "below_tolerance", AboveTolerance: "above_tolerance",
	Unconfirmed: "unconfirmed", MissingReading: "missing_reading",
	DuplicateReading: "duplicate_reading", UnknownReading: "unknown_reading",
	ImpossibleValue: "impossible_value", WrongUnit: "wrong_unit",
	Stopped: "stopped",
}

// String is the word used in logs and on the wire; "unset" for the zero value.
func (k Kind) String() string {
	if k == 0 || int(k) >= len(kindNames) {
		return "unset"
	}
	return kindNames[k]
}

// KindByName is the inverse of String; zero when there is none of that name.
func KindByName(name string) Kind { return Kind(max(0, slices.Index(kindNames[:], name))) }

// Finding is one point on which a build departs from its serving. All fields
// are plain values, so findings compare with ==.
type Finding struct {
	Kind        Kind
	Criticality drink.Criticality
	// Measure is a code in drink.Measures, empty where none is concerned.
	Measure string
	// Check and Occurrence name the reading, from 1; Step the step.
	Check      string
	Occurrence int
	Step       string
	// Low, Target and High are the tolerance in the measure's base unit
	// (drink.NoLow and drink.NoHigh where one-sided); for ImpossibleValue what
	// is possible; where a hard maximum is concerned High is that, and Low none. Actual is the value read and By how far it lies beyond the
	// limit, never negative. Shots and readings are counts, times seconds.
	Low, Target, High, Actual, By drink.Milli
	// Expected and Got carry what is not a number: vessel, milk, garnish,
	// units, the step that should have come first, the rule broken.
	Expected, Got string
}

// grade is what one finding makes of a build.
func (f *Finding) grade() Grade {
	if f.Criticality < drink.Safety {
		return OffSpec
	}
	switch f.Kind {
	case Unconfirmed, MissingReading, DuplicateReading, UnknownReading, ImpossibleValue, WrongUnit, ServingUnknown, TimeImpossible:
		// The log does not tell whether it was safe.
		return Unknown
	}
	return Unsafe
}

// Verdict is the outcome of judging one build. The zero value is ready; reuse
// one to spare the heap.
type Verdict struct {
	Grade Grade
	// Findings are ordered by criticality, gravest first, then kind, check,
	// occurrence, step, expected, got, actual, by.
	Findings []Finding
}

// Equal reports whether two verdicts agree in grade and every finding.
func Equal(a, b Verdict) bool {
	return a.Grade == b.Grade && slices.Equal(a.Findings, b.Findings)
}

// Clone is a copy that shares nothing with v.
func (v *Verdict) Clone() Verdict {
	return Verdict{Grade: v.Grade, Findings: slices.Clone(v.Findings)}
}

// AddStopped says that what was made is stopped: a safety finding that names
// what is stopped and why. It allocates only where the findings are full.
func (v *Verdict) AddStopped(what, why string) {
	v.Findings = append(v.Findings, Finding{Kind: Stopped, Criticality: drink.Safety, Got: what, Expected: why})
	v.settle()
}

func (v *Verdict) reset() {
	v.Grade = InSpec
	v.Findings = v.Findings[:0]
}

// settle grades and orders what was found.
func (v *Verdict) settle() {
	if len(v.Findings) == 0 {
		return
	}
	for i := range v.Findings {
		v.Grade = max(v.Grade, v.Findings[i].grade())
	}
	if len(v.Findings) > 1 {
		slices.SortFunc(v.Findings, compare)
	}
}

func compare(a, b Finding) int {
	if c := cmp.Compare(b.Criticality, a.Criticality); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Kind, b.Kind); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Check, b.Check); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Occurrence, b.Occurrence); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Step, b.Step); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Expected, b.Expected); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Got, b.Got); c != 0 {
		return c
	}
	if c := cmp.Compare(a.Actual, b.Actual); c != 0 {
		return c
	}
	// Two readings of one value by instruments of different steps.
	return cmp.Compare(a.By, b.By)
}
