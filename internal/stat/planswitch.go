package stat

import (
	"fmt"
	"slices"
)

// What a person has to see to before reduced inspection begins, as the two ways
// to allow it ask; see [Switching].
const (
	ReducedByRun = "Reduced inspection never begins by itself: after 10 lots accepted running on normal inspection a person may begin it, " +
		"if making is steady and less checking is wanted. MIL-STD-105E also asks that the bad drinks in those lots keep within its table VIII, " +
		"which is not in this program; ANSI/ASQ Z1.4 (8.5) lets both sides agree to do without it."
	ReducedByScore = "Reduced inspection never begins by itself: from a switching score of 30 on normal inspection a person may begin it, " +
		"if making is steady and less checking is wanted."
)

const (
	reducedLots  = 10 // accepted running on normal inspection before reduced may begin
	reducedScore = 30 // or the switching score
)

// Severity is the severity of inspection.
type Severity string

// The severities; SeverityDiscontinued means that checking lots no longer makes sense
// until the cause is put right.
const (
	SeverityNormal       Severity = "normal"
	SeverityTightened    Severity = "tightened"
	SeverityReduced      Severity = "reduced"
	SeverityDiscontinued Severity = "discontinued"
)

// LotOutcome is what became of a lot.
type LotOutcome string

// The outcomes; LotBetween is a lot on reduced inspection with more bad drinks
// than the acceptance number and fewer than the rejection number, accepted.
const (
	LotAccepted LotOutcome = "accepted"
	LotBetween  LotOutcome = "between"
	LotRejected LotOutcome = "rejected"
)

// Switching follows the severity of inspection from lot to lot, by MIL-STD-105E
// (1989), 4.7 and 4.8, and ISO 2859-1:1999, 9.3, read in reproductions of the one
// and summaries of the other; they differ in when reduced inspection may begin:
//
//   - normal to tightened: 2 of 5 or fewer consecutive lots rejected;
//   - tightened to normal: 5 consecutive lots accepted;
//   - normal to reduced: 10 consecutive lots accepted (MIL-STD-105E, less its table
//     VIII) or, with ByScore, a switching score of 30 (ISO 2859-1, see
//     [MasterPlan.Score]); and a person who says so, as ReducedByRun and
//     ReducedByScore tell;
//   - reduced to normal: a lot rejected, or accepted with a number of bad drinks
//     between the plan's two numbers, or production irregular;
//   - discontinued: 5 lots in all rejected on tightened inspection, without a
//     return to normal between them. Resume restarts on tightened.
//
// The zero value starts on normal. Only first inspections count, not lots offered
// again.
type Switching struct {
	// ByScore lets the switching score say when reduced inspection may begin; set
	// it before the first lot, and give the lots to Judge.
	ByScore bool

	severity Severity
	recent   []bool // accepted or not, on this severity, the last 5
	rejected int    // on this run of tightened inspection
	running  int    // accepted running on this severity
	score    int    // the switching score, on normal with ByScore
}

// Severity is the severity for the next lot.
func (s *Switching) Severity() Severity {
	if s.severity == "" {
		return SeverityNormal
	}
	return s.severity
}

// Score is the switching score so far; 0 on other than normal inspection, and
// without ByScore.
func (s *Switching) Score() int { return s.score }

func (s *Switching) to(v Severity) { *s = Switching{ByScore: s.ByScore, severity: v} }

// Judge records a lot whose sample held bad bad drinks, judged by the plan p, which
// has to be of the present severity.
func (s *Switching) Judge(p MasterPlan, bad int) (LotOutcome, error) {
	if err := s.open(); err != nil {
		return "", err
	}
	if p.Severity != s.Severity() {
		return "", inputErr("plan", p.Severity, fmt.Sprintf("a plan of %s inspection, which this lot is on", s.Severity()))
	}
	if bad < 0 || bad > p.N {
		return "", inputErr("bad", bad, fmt.Sprintf("0 to %d, the drinks checked", p.N))
	}
	if s.ByScore && s.Severity() == SeverityNormal {
		var err error
		if s.score, err = p.Score(s.score, bad); err != nil {
			return "", err
		}
	}
	switch {
	case bad >= p.Reject:
		s.lot(false)
		return LotRejected, nil
	case bad > p.Accept:
		return LotBetween, s.Between()
	}
	s.lot(true)
	return LotAccepted, nil
}

// Lot records the outcome of one lot and returns the severity for the next. It
// tells too little for ByScore.
func (s *Switching) Lot(accepted bool) (Severity, error) {
	if err := s.open(); err != nil {
		return s.severity, err
	}
	if s.ByScore {
		return s.Severity(), inputErr("lot", "known as accepted or rejected only", "its plan and the number of bad drinks, which the switching score needs")
	}
	s.lot(accepted)
	return s.Severity(), nil
}

func (s *Switching) open() error {
	if s.severity == SeverityDiscontinued {
		return inputErr("lot", "offered while inspection is discontinued", "no lot before the cause is put right and inspection resumed")
	}
	return nil
}

func (s *Switching) lot(accepted bool) {
	s.recent = append(s.recent, accepted)
	if len(s.recent) > 5 {
		s.recent = slices.Delete(s.recent, 0, 1)
	}
	if s.running++; !accepted {
		s.running = 0
	}
	bad := 0
	for _, ok := range s.recent {
		if !ok {
			bad++
		}
	}
	switch s.Severity() {
	case SeverityNormal:
		if bad >= 2 {
			s.to(SeverityTightened)
		}
	case SeverityTightened:
		if !accepted {
			s.rejected++
		}
		switch {
		case s.rejected >= 5:
			s.to(SeverityDiscontinued)
		case len(s.recent) == 5 && bad == 0:
			s.to(SeverityNormal)
		}
	case SeverityReduced:
		if !accepted {
			s.to(SeverityNormal)
		}
	}
}

// Between records a lot on reduced inspection that was accepted with more bad
// drinks than the acceptance number and fewer than the rejection number: normal
// inspection follows.
func (s *Switching) Between() error {
	if s.severity != SeverityReduced {
		return inputErr("severity", s.Severity(), "reduced; only there do the two numbers leave a gap")
	}
	s.to(SeverityNormal)
	return nil
}

// MayReduce says whether the lots so far allow reduced inspection.
func (s *Switching) MayReduce() bool {
	if s.ByScore {
		return s.Severity() == SeverityNormal && s.score >= reducedScore
	}
	return s.Severity() == SeverityNormal && s.running >= reducedLots
}

// Irregular records that production became irregular: reduced goes to normal.
func (s *Switching) Irregular() {
	if s.severity == SeverityReduced {
		s.to(SeverityNormal)
	}
}

// StartReduced starts reduced inspection on the word of a person, who sees to what
// ReducedByRun or ReducedByScore asks. From normal inspection only, once MayReduce.
func (s *Switching) StartReduced() error {
	switch {
	case s.Severity() != SeverityNormal:
		return inputErr("severity", s.Severity(), fmt.Sprintf("%s, before reduced inspection can start", SeverityNormal))
	case s.MayReduce():
		s.to(SeverityReduced)
		return nil
	case s.ByScore:
		return inputErr("switching score", s.score, fmt.Sprintf("at least %d on normal inspection, before reduced inspection can start", reducedScore))
	}
	return inputErr("lots accepted running", s.running, fmt.Sprintf("at least %d on normal inspection, before reduced inspection can start", reducedLots))
}

// Resume restarts discontinued inspection, on tightened, on the word of a person
// that making was improved and that this is likely to help.
func (s *Switching) Resume() error {
	if s.severity != SeverityDiscontinued {
		return inputErr("severity", s.Severity(), "discontinued; there is nothing to resume")
	}
	s.to(SeverityTightened)
	return nil
}
