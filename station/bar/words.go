package bar

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const doNotServe = "do not serve"

// speakAll puts a verdict into short sentences: first what must not be served,
// then as they stand in the verdict, gravest first. s, the serving, may be nil.
func speakAll(v *verdict.Verdict, s *drink.Serving) []Spoken {
	var out []Spoken
	for _, f := range v.Findings {
		out = append(out, speak(f, s))
	}
	slices.SortStableFunc(out, func(a, b Spoken) int {
		switch {
		case a.DoNotServe == b.DoNotServe:
			return 0
		case a.DoNotServe:
			return -1
		}
		return 1
	})
	return out
}

// speak puts a finding into a sentence for wet hands: the amount, the direction
// and what to do, safety first. The verdict's own words stay the full ones.
func speak(f verdict.Finding, s *drink.Serving) Spoken {
	out := Spoken{
		Kind: f.Kind.String(), Measure: f.Measure, Check: f.Check, Step: f.Step, Amount: f.By, Actual: f.Actual,
		Unit: drink.Count, Expected: f.Expected, Got: f.Got,
	}
	m := drink.MeasureByCode(f.Measure)
	if m != nil {
		out.Unit = m.Unit
		if occurrences(s, f.Check) > 1 {
			out.Pull = f.Occurrence
		}
	}
	out.DoNotServe = f.Criticality == drink.Safety && unsafe(f.Kind)
	var said string
	switch {
	case m != nil && (f.Kind == verdict.BelowTolerance || f.Kind == verdict.AboveTolerance):
		said = beyond(f, m, &out)
	case m != nil && f.Kind == verdict.MissingReading:
		said = m.Label + " not measured"
	default:
		said = strings.TrimSuffix(f.String(), "; "+doNotServe)
	}
	if out.Pull > 0 && (m.PerPull) {
		said = fmt.Sprintf("pull %d: %s", out.Pull, said)
	}
	if out.DoNotServe {
		said = "Do not serve: " + said
	}
	out.English = said
	return out
}

// unsafe are the kinds that show a hazard; the others of safety mean that it is
// not known.
func unsafe(k verdict.Kind) bool {
	switch k {
	case verdict.MissingReading, verdict.DuplicateReading, verdict.UnknownReading, verdict.ImpossibleValue, verdict.WrongUnit,
		verdict.Unconfirmed, verdict.ServingUnknown, verdict.TimeImpossible:
		return false
	}
	return true
}

// beyond says "4 s fast: grind finer". The measure is named where its word does
// not tell which one it is.
func beyond(f verdict.Finding, m *drink.Measure, out *Spoken) string {
	word, mend, side := m.Below, m.MendBelow, "below"
	if f.Kind == verdict.AboveTolerance {
		word, mend, side = m.Above, m.MendAbove, "above"
		if f.Criticality == drink.Safety && m.MendHard != "" {
			mend, side = strings.TrimPrefix(m.MendHard, doNotServe+"; "), "hard"
		}
	}
	if mend != "" {
		out.Mend = m.Code + "." + side
	}
	named := tells(m, word) && f.Check == m.Code
	if m.Unit == drink.Count {
		word = "too " + word
	}
	text := drink.FormatQuantity(f.By, m.Unit) + " " + word
	if m.Unit == drink.Celsius {
		// A difference is written as one.
		text = f.By.String() + " " + m.Unit.Symbol() + " " + word
	}
	if !named {
		name := m.Label
		if f.Check != m.Code {
			name = strings.ReplaceAll(f.Check, "_", " ")
		}
		text = name + " " + text
	}
	if mend != "" {
		text += ": " + mend
	}
	return text
}

// tells is true where only one measure uses a word.
func tells(m *drink.Measure, word string) bool {
	for i := range drink.Measures {
		if o := &drink.Measures[i]; o.Code != m.Code && (o.Below == word || o.Above == word) {
			return false
		}
	}
	return true
}

func occurrences(s *drink.Serving, check string) int {
	if s == nil {
		return 1
	}
	for i := range s.Checks {
		if s.Checks[i].ID == check {
			return s.Checks[i].Occurrences
		}
	}
	return 1
}

// verdictOf reads a verdict as the log has it.
func verdictOf(p *pb.Verdict) *verdict.Verdict {
	v := &verdict.Verdict{Grade: verdict.Grade(p.GetGrade())}
	for _, f := range p.GetFindings() {
		out := verdict.Finding{
			Kind: verdict.KindByName(f.GetKind()), Criticality: drink.Criticality(f.GetCriticality()), Measure: f.GetMeasure(), Check: f.GetCheck(),
			Occurrence: int(f.GetOccurrence()), Step: f.GetStep(), Low: drink.NoLow, Target: drink.Milli(f.GetTargetMilli()), High: drink.NoHigh,
			Actual: drink.Milli(f.GetActualMilli()), By: drink.Milli(f.GetByMilli()), Expected: f.GetExpected(), Got: f.GetGot(),
		}
		if f.LowMilli != nil {
			out.Low = drink.Milli(*f.LowMilli)
		}
		if f.HighMilli != nil {
			out.High = drink.Milli(*f.HighMilli)
		}
		v.Findings = append(v.Findings, out)
	}
	return v
}

// tidy takes away what does not belong in a line of text.
func tidy(s string) string {
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == unicode.ReplacementChar {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, ""))
	return strings.Join(strings.Fields(s), " ")
}
