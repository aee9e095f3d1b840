package verdict

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/drink"
)

// String says in trade words what is wrong, by how much, and where it is known
// what to do about it: "shot time 22 s: 4 s fast (26 to 32 s); grind finer".
func (f Finding) String() string {
	switch f.Kind {
	case BelowTolerance, AboveTolerance:
		return f.beyond()
	case ImpossibleValue:
		return fmt.Sprintf("%s cannot be right (possible: %s); measure again", f.valued(), f.ExpectedText())
	case Unconfirmed:
		return fmt.Sprintf("%s cannot be confirmed (%s): the instrument reads in steps of %s; measure with a finer one",
			f.valued(), f.ExpectedText(), f.ByText())
	case MissingReading:
		return fmt.Sprintf("%s: no reading (%s); measure and log it", f.subject(), f.ExpectedText())
	case DuplicateReading:
		return fmt.Sprintf("%s: %s; log it once", f.subject(), f.ActualText())
	case UnknownReading:
		return fmt.Sprintf("reading %q, number %d, is not asked for in this drink", f.Check, f.Occurrence)
	case WrongUnit:
		return fmt.Sprintf("%s is logged in %q; give it in %q", f.subject(), f.Got, f.Expected)
	case ServingUnknown:
		return fmt.Sprintf("serving %q is not in the book; nothing of it can be judged", f.Got)
	case TimeImpossible:
		if f.Step != "" {
			return fmt.Sprintf("step %q at %s: expected %s; check the clock", f.Step, f.ActualText(), f.Expected)
		}
		return fmt.Sprintf("the times are out by %s: expected %s; check the clock", f.ByText(), f.Expected)
	case WrongVessel:
		return fmt.Sprintf("vessel %s: should be %s", orNone(f.Got), orNone(f.Expected))
	case WrongMilk:
		return fmt.Sprintf("milk %s: should be %s; do not serve", orNone(f.Got), orNone(f.Expected))
	case WrongShots:
		return fmt.Sprintf("%s: should be %s", f.ActualText(), f.ExpectedText())
	case SubstitutionNotAllowed:
		return fmt.Sprintf("%s in place of %s is not allowed; do not serve", f.Got, f.Expected)
	case GarnishMissing:
		return fmt.Sprintf("%s is not on top; add it", f.Expected)
	case GarnishUnexpected:
		return fmt.Sprintf("%s does not belong on top; do not serve", f.Got)
	case StepMissing:
		return fmt.Sprintf("step %q was left out", f.Step)
	case StepOutOfOrder:
		return fmt.Sprintf("step %q came before %q; it belongs after", f.Step, f.Expected)
	case StepRepeated:
		return fmt.Sprintf("step %q was logged %s times", f.Step, f.Actual)
	case Stopped:
		return fmt.Sprintf("%s is stopped: %s; do not serve", f.Got, f.Expected)
	case StepUnknown:
		return fmt.Sprintf("step %q is not one of this drink", f.Step)
	}
	return "unset finding"
}

func (f *Finding) beyond() string {
	var word, mend string
	if m := drink.MeasureByCode(f.Measure); m != nil {
		word, mend = m.Above, m.MendAbove
		if f.Kind == BelowTolerance {
			word, mend = m.Below, m.MendBelow
		} else if f.Criticality == drink.Safety {
			switch {
			case m.MendHard != "":
				mend = m.MendHard
			case mend == "":
				mend = "do not serve"
			default:
				mend = "do not serve; " + mend
			}
		}
		if m.Unit == drink.Count {
			word = "too " + word
		}
	}
	text := fmt.Sprintf("%s: %s %s (%s)", f.valued(), f.ByText(), word, f.ExpectedText())
	if mend != "" {
		text += "; " + mend
	}
	return text
}

// valued is the subject with what was read, apart where the subject ends in a
// number of its own.
func (f *Finding) valued() string {
	if f.Occurrence > 1 && drink.MeasureByCode(f.Measure) != nil {
		return f.subject() + ", " + f.ActualText()
	}
	return f.subject() + " " + f.ActualText()
}

// subject is the measure's label, with the check's own name and the pull where
// they tell two readings apart.
func (f *Finding) subject() string {
	text := f.Check
	if m := drink.MeasureByCode(f.Measure); m != nil {
		text = m.Label
		if f.Check != f.Measure {
			text += " (" + f.Check + ")"
		}
		if f.Occurrence > 1 {
			what := ", no. "
			if m.PerPull {
				what = ", pull "
			}
			text += what + drink.Milli(f.Occurrence*1000).String()
		}
	}
	return text
}

// ExpectedText is what should have been: "26 to 32 s", "at most 65 °C", or the
// vessel, milk, step or rule.
func (f Finding) ExpectedText() string {
	switch f.Kind {
	case BelowTolerance, AboveTolerance, ImpossibleValue, Unconfirmed, MissingReading:
		return span(f.Low, f.High, f.unit())
	case WrongShots:
		return plural(f.Target, "shot")
	case DuplicateReading:
		return plural(f.Target, "reading")
	case StepRepeated:
		return plural(f.Target, "time")
	}
	return f.Expected
}

// ActualText is what was: "35 s", or the vessel, milk or step.
func (f Finding) ActualText() string {
	switch f.Kind {
	case BelowTolerance, AboveTolerance, ImpossibleValue, Unconfirmed:
		return quantity(f.Actual, f.unit())
	case TimeImpossible:
		return quantity(f.Actual, drink.Second)
	case WrongShots:
		return plural(f.Actual, "shot")
	case DuplicateReading:
		return plural(f.Actual, "reading")
	case StepRepeated:
		return plural(f.Actual, "time")
	case UnknownReading:
		return strings.TrimSpace(f.Actual.String() + " " + f.Got)
	case StepUnknown:
		return f.Step
	}
	return f.Got
}

// ByText is how far beyond the limit: "3 s"; empty where distance means
// nothing. For Unconfirmed it is the instrument's step.
func (f Finding) ByText() string {
	switch f.Kind {
	case BelowTolerance, AboveTolerance, ImpossibleValue, Unconfirmed:
		return quantity(f.By, f.unit())
	case TimeImpossible:
		return quantity(f.By, drink.Second)
	case WrongShots:
		return plural(f.By, "shot")
	}
	return ""
}

func (f *Finding) unit() drink.Unit {
	if m := drink.MeasureByCode(f.Measure); m != nil {
		return m.Unit
	}
	return drink.Count
}

func span(low, high drink.Milli, u drink.Unit) string {
	switch {
	case low == drink.NoLow && high == drink.NoHigh:
		return "any"
	case low == drink.NoLow:
		return "at most " + quantity(high, u)
	case high == drink.NoHigh:
		return "at least " + quantity(low, u)
	case low == high:
		return "exactly " + quantity(low, u)
	}
	return low.String() + " to " + quantity(high, u)
}

func quantity(m drink.Milli, u drink.Unit) string {
	if s := u.Symbol(); s != "" {
		return m.String() + " " + s
	}
	return m.String()
}

func plural(m drink.Milli, noun string) string {
	if m == 1000 {
		return "1 " + noun
	}
	return m.String() + " " + noun + "s"
}

func orNone(id string) string {
	if id == "" {
		return "none"
	}
	return id
}
