package tablet

import (
	"context"
	"strings"
	"unicode"
	"unicode/utf8"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/station/bar"
)

// lastView is the build just logged, with its verdict in words.
type lastView struct {
	*bar.Logged
	// Grade is the grade's word; Serve says whether it may be served.
	Grade, Serve, Class string
	Findings            []findingView
	// Undeclared are ingredients whose allergens nobody declared: with any, the
	// page never says that the drink may be served.
	Undeclared []string
	// ToTaste is set where the cup is to be tasted before its verdict is shown.
	ToTaste *bar.Tasting
}

// findingView is one finding: what is wrong in a few words, what to do, and the
// numbers.
type findingView struct {
	Lead, Do, Detail string
	Safety           bool
}

func (s *Server) lastView(ctx context.Context, v *view, l *bar.Logged) *lastView {
	out := &lastView{Logged: l}
	var book *drink.Book
	if card, err := s.cfg.Bar.Card(ctx, l.Serving); err == nil && card.Book != nil {
		book = card.Book
		if card.Serving != nil {
			out.Undeclared = book.Allergens(card.Serving).Unknown
		}
	}
	grade := verdict.Unknown
	if l.Verdict != nil {
		grade = l.Verdict.Grade
		out.Findings = v.findings(l.Verdict.Findings, book)
	}
	if len(out.Undeclared) > 0 && grade < verdict.Unknown {
		grade = verdict.Unknown
	}
	name := map[verdict.Grade]string{verdict.InSpec: "in_spec", verdict.OffSpec: "off_spec", verdict.Unknown: "unknown", verdict.Unsafe: "unsafe"}[grade]
	if name == "" {
		name = "unknown"
	}
	out.Grade, out.Serve, out.Class = v.T("grade."+name), v.T("serve."+name), name
	return out
}

// findings words all; readings that are missing and no matter of safety go into
// one sentence, which then stands last.
func (v *view) findings(all []verdict.Finding, book *drink.Book) []findingView {
	var out []findingView
	var missing []string
	for _, f := range all {
		if f.Kind == verdict.MissingReading && f.Criticality != drink.Safety {
			missing = append(missing, v.subject(f, drink.MeasureByCode(f.Measure)))
			continue
		}
		out = append(out, v.finding(f, book))
	}
	switch len(missing) {
	case 0:
	case 1:
		out = append(out, findingView{Lead: v.T("finding.missing_reading", missing[0]), Do: v.T("finding.missing_reading.do")})
	default:
		out = append(out, findingView{Lead: v.T("finding.missing_all", strings.Join(missing, ", ")), Do: v.T("finding.missing_all.do")})
	}
	for i := range out {
		out[i].Lead = capital(out[i].Lead)
	}
	return out
}

// capital begins a sentence.
func capital(s string) string {
	r, size := utf8.DecodeRuneInString(s)
	return string(unicode.ToUpper(r)) + s[size:]
}

// finding words one finding. book may be nil; then IDs stand for names.
func (v *view) finding(f verdict.Finding, book *drink.Book) findingView {
	out := findingView{Safety: f.Criticality == drink.Safety}
	m := drink.MeasureByCode(f.Measure)
	unit := drink.Count
	if m != nil {
		unit = m.Unit
	}
	name := func(id string) string {
		if id == "" {
			return v.T("finding.none")
		}
		if book != nil {
			if in, ok := book.IngredientByID(id); ok {
				return in.Name
			}
			if ve, ok := book.VesselByID(id); ok {
				return ve.Name
			}
		}
		return id
	}
	subject := v.subject(f, m)
	key := "finding." + f.Kind.String()
	switch f.Kind {
	case verdict.BelowTolerance, verdict.AboveTolerance:
		word, do := v.beyond(f, m)
		out.Lead = v.T("finding.beyond", subject, v.Q(f.By, unit), word)
		out.Do = do
		out.Detail = v.T("finding.read", v.Q(f.Actual, unit), v.Range(f.Low, f.High, unit))
		return out
	case verdict.ImpossibleValue, verdict.Unconfirmed:
		out.Lead = v.T(key, subject, v.Q(f.Actual, unit), v.Q(f.By, unit))
		out.Detail = v.T("finding.read", v.Q(f.Actual, unit), v.Range(f.Low, f.High, unit))
	case verdict.MissingReading:
		out.Lead = v.T(key, subject)
		out.Detail = v.T("finding.should", v.Range(f.Low, f.High, unit))
	case verdict.DuplicateReading, verdict.UnknownReading:
		out.Lead = v.T(key, subject)
	case verdict.WrongUnit:
		out.Lead = v.T(key, subject, f.Got, f.Expected)
	case verdict.TimeImpossible:
		out.Lead = v.T(key)
		out.Detail = f.Expected
	case verdict.WrongShots:
		out.Lead = v.T(key, v.Num(f.Actual), v.Num(f.Target))
	case verdict.StepMissing, verdict.StepOutOfOrder, verdict.StepRepeated, verdict.StepUnknown:
		out.Lead = v.T(key, v.step(f.Step), v.step(f.Expected))
	default:
		out.Lead = v.T(key, name(f.Got), name(f.Expected))
	}
	if v.Has(key + ".do") {
		out.Do = v.T(key + ".do")
	}
	if f.Kind == verdict.Stopped {
		out.Lead, out.Detail = v.T(key, name(f.Got)), f.Expected
	}
	return out
}

// beyond is the trade's word for a value beyond its limit, and the mend.
func (v *view) beyond(f verdict.Finding, m *drink.Measure) (word, do string) {
	code, side, mend := f.Measure, ".above", ".mend_above"
	if f.Kind == verdict.BelowTolerance {
		side, mend = ".below", ".mend_below"
	}
	text := func(key, english string) string {
		if key = "measure." + code + key; v.Has(key) {
			return v.T(key)
		}
		return english
	}
	var w, d, hard string
	if m != nil {
		w, d, hard = m.Above, m.MendAbove, m.MendHard
		if f.Kind == verdict.BelowTolerance {
			w, d, hard = m.Below, m.MendBelow, ""
		}
	}
	word, do = text(side, w), ""
	if d != "" {
		do = text(mend, d)
	}
	if f.Criticality == drink.Safety && f.Kind == verdict.AboveTolerance {
		switch {
		case hard != "":
			do = text(".mend_hard", hard)
		case do == "":
			do = v.T("finding.do_not_serve")
		default:
			do = v.T("finding.do_not_serve") + "; " + do
		}
	}
	if m != nil && m.Unit == drink.Count {
		word = v.T("finding.too", word)
	}
	return word, do
}

func (v *view) subject(f verdict.Finding, m *drink.Measure) string {
	if m == nil {
		return f.Check
	}
	name := v.Measure(m.Code)
	if f.Check != "" && f.Check != f.Measure {
		name += " (" + f.Check + ")"
	}
	if f.Occurrence > 1 {
		key := "field.number"
		if m.PerPull {
			key = "field.pull"
		}
		name = v.T(key, name, f.Occurrence)
	}
	return name
}

// step names a step by its act where that is its ID.
func (v *view) step(id string) string {
	if v.Has("act." + id) {
		return v.T("act." + id)
	}
	return id
}
