package stat

import (
	"fmt"
	"slices"
)

// planLetters is the chart of code letters; the last lot size of each row.
// Letters and sample sizes were read in a chart headed ANSI/ASQC Z1.4,
// MIL-STD-105E, ISO 2859.
var planLetters = []struct {
	to    int // 0: no end
	level [3]string
}{
	{8, [3]string{"A", "A", "B"}}, {15, [3]string{"A", "B", "C"}}, {25, [3]string{"B", "C", "D"}},
	{50, [3]string{"C", "D", "E"}}, {90, [3]string{"C", "E", "F"}}, {150, [3]string{"D", "F", "G"}},
	{280, [3]string{"E", "G", "H"}}, {500, [3]string{"F", "H", "J"}}, {1200, [3]string{"G", "J", "K"}},
	{3200, [3]string{"H", "K", "L"}}, {10000, [3]string{"J", "L", "M"}}, {35000, [3]string{"K", "M", "N"}},
	{150000, [3]string{"L", "N", "P"}}, {500000, [3]string{"M", "P", "Q"}}, {0, [3]string{"N", "Q", "R"}},
}

var planSizes = map[string]int{
	"A": 2, "B": 3, "C": 5, "D": 8, "E": 13, "F": 20, "G": 32, "H": 50, "J": 80,
	"K": 125, "L": 200, "M": 315, "N": 500, "P": 800, "Q": 1250, "R": 2000,
}

// CodeLetter gives the sample size code letter and its sample size for a lot
// (2 or more) at general inspection level 1, 2 or 3, as in MIL-STD-105E and
// ISO 2859-1.
func CodeLetter(lot, level int) (letter string, n int, err error) {
	if lot < 2 {
		return "", 0, inputErr("lot", lot, "at least 2 drinks")
	}
	if level < 1 || level > 3 {
		return "", 0, inputErr("level", level, "1, 2 or 3 (general inspection levels; 2 is usual)")
	}
	for _, row := range planLetters {
		if row.to == 0 || lot <= row.to {
			letter = row.level[level-1]
			break
		}
	}
	return letter, planSizes[letter], nil
}

// SwitchMissing says what a person has to add to the rules here.
const SwitchMissing = "Reduced inspection never begins by itself: after 10 lots accepted running on normal inspection a person may begin it, " +
	"if making is steady and the bad drinks in those lots are within the limit numbers of the standard's table VIII, which is not in this program."

// reducedLots accepted running on normal inspection before reduced may begin.
const reducedLots = 10

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

// Switching follows the severity of inspection from lot to lot, by MIL-STD-105E
// (1989), 4.7 and 4.8, read in a reproduction of its text:
//
//   - normal to tightened: 2 of 5 or fewer consecutive lots rejected;
//   - tightened to normal: 5 consecutive lots accepted;
//   - normal to reduced: 10 consecutive lots accepted, and a person who says so;
//   - reduced to normal: a lot rejected, or accepted with a number of bad drinks
//     between the plan's two numbers, or production irregular;
//   - discontinued: 5 lots in all rejected on tightened inspection, without a
//     return to normal between them. Resume restarts on tightened.
//
// What a person has to see to before reduced inspection stands in SwitchMissing.
// The zero value starts on normal. Only first inspections count, not lots offered
// again.
type Switching struct {
	severity Severity
	recent   []bool // accepted or not, on this severity, the last 5
	rejected int    // on this run of tightened inspection
	running  int    // accepted running on this severity
}

// Severity is the severity for the next lot.
func (s *Switching) Severity() Severity {
	if s.severity == "" {
		return SeverityNormal
	}
	return s.severity
}

func (s *Switching) to(v Severity) { *s = Switching{severity: v} }

// Lot records the outcome of one lot and returns the severity for the next.
func (s *Switching) Lot(accepted bool) (Severity, error) {
	if s.severity == SeverityDiscontinued {
		return s.severity, inputErr("lot", accepted, "no lot while inspection is discontinued; put the cause right, then resume")
	}
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
	return s.Severity(), nil
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

// MayReduce says whether enough lots running were accepted on normal inspection.
func (s *Switching) MayReduce() bool {
	return s.Severity() == SeverityNormal && s.running >= reducedLots
}

// Irregular records that production became irregular: reduced goes to normal.
func (s *Switching) Irregular() {
	if s.severity == SeverityReduced {
		s.to(SeverityNormal)
	}
}

// StartReduced starts reduced inspection on the word of a person; see
// [SwitchMissing]. From normal inspection only, once MayReduce.
func (s *Switching) StartReduced() error {
	if s.Severity() != SeverityNormal {
		return inputErr("severity", s.Severity(), fmt.Sprintf("%s, before reduced inspection can start", SeverityNormal))
	}
	if !s.MayReduce() {
		return inputErr("lots accepted running", s.running, fmt.Sprintf("at least %d on normal inspection, before reduced inspection can start", reducedLots))
	}
	s.to(SeverityReduced)
	return nil
}

// Resume restarts discontinued inspection, on tightened, once the cause is put
// right.
func (s *Switching) Resume() error {
	if s.severity != SeverityDiscontinued {
		return inputErr("severity", s.Severity(), "discontinued; there is nothing to resume")
	}
	s.to(SeverityTightened)
	return nil
}
