package reportplan

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/stat"
)

// Lot is one lot or event of a record of lots. Only Severity, Outcome, Event and
// Next are known where outcomes were given as letters.
type Lot struct {
	Line     int             `json:"line,omitempty"` // of the file, the header being 1
	Name     string          `json:"lot"`
	Size     int             `json:"size,omitempty"` // drinks
	Severity stat.Severity   `json:"severity"`       // on which the lot was judged
	N        int             `json:"n,omitempty"`    // drinks checked
	Accept   int             `json:"accept"`
	Reject   int             `json:"reject,omitempty"`
	Bad      int             `json:"bad"`
	Outcome  stat.LotOutcome `json:"outcome,omitempty"` // "" for an event
	Score    int             `json:"score"`             // the switching score after it
	Event    string          `json:"event,omitempty"`
	By       string          `json:"by,omitempty"`
	Note     string          `json:"note,omitempty"`
	Next     stat.Severity   `json:"next"` // severity after it
}

// SwitchReport follows the severity from lot to lot.
type SwitchReport struct {
	Lots []Lot         `json:"lots"`
	Next stat.Severity `json:"next"`
	// MayReduce says that a person may begin reduced inspection with the next lot.
	MayReduce bool `json:"may_reduce"`
	// Plan is for a next lot of the size of the last; nil where outcomes were
	// given as letters, or inspection is discontinued.
	Plan *stat.MasterPlan `json:"next_plan,omitempty"`

	file bool // from a file, so with plans and scores
}

// The events of a record of lots, beside the lots.
const (
	eventReduce    = "reduce"
	eventIrregular = "irregular"
	eventImproved  = "improved"
)

// event applies one to the machine.
func event(s *stat.Switching, what string) error {
	switch what {
	case eventReduce:
		return s.StartReduced()
	case eventIrregular:
		s.Irregular()
		return nil
	case eventImproved:
		return s.Resume()
	}
	return fmt.Errorf("event is %q, allowed: %s, %s, %s, or nothing for a lot", what, eventReduce, eventIrregular, eventImproved)
}

// mostOutcomes bounds the list of lots.
const mostOutcomes = 10_000

// Switch answers for --outcomes.
func Switch(q Question) (*Report, error) {
	if q.Outcomes == "" || len(q.Outcomes) > mostOutcomes {
		return nil, fmt.Errorf("--outcomes holds %d letters, allowed: 1 to %d, a for a lot accepted and r for one rejected", len(q.Outcomes), mostOutcomes)
	}
	r := &SwitchReport{}
	var s stat.Switching
	lots := 0
	for i, c := range q.Outcomes {
		l := Lot{Severity: s.Severity()}
		var err error
		switch c {
		case 'a', 'r':
			if l.Outcome = stat.LotAccepted; c == 'r' {
				l.Outcome = stat.LotRejected
			}
			_, err = s.Lot(c == 'a')
		case 'b':
			l.Outcome = stat.LotBetween
			err = s.Between()
		case 's':
			l.Event = eventReduce
		case 'u':
			l.Event = eventIrregular
		case 'i':
			l.Event = eventImproved
		default:
			return nil, fmt.Errorf("--outcomes: %q at place %d, allowed: a for accepted, r for rejected, b for between the two numbers on reduced; "+
				"s to start reduced, u for uneven making, i for improved, so that inspection resumes", c, i+1)
		}
		if l.Event != "" {
			err = event(&s, l.Event)
		} else {
			lots++
			l.Name = fmt.Sprint(lots)
		}
		if err != nil {
			return nil, fmt.Errorf("--outcomes, place %d: %w", i+1, err)
		}
		l.Next = s.Severity()
		r.Lots = append(r.Lots, l)
	}
	r.Next, r.MayReduce = s.Severity(), s.MayReduce()
	return &Report{Switch: r, q: q}, nil
}

// shownLots bounds the lots and the changes listed; the JSON form has all.
const shownLots = 40

func (r *SwitchReport) words(b *strings.Builder, q Question) {
	lots, checked, bad := 0, 0, 0
	for _, l := range r.Lots {
		if l.Outcome != "" {
			lots++
			checked += l.N
			bad += l.Bad
		}
	}
	b.WriteString("Severity of inspection\n")
	if r.file {
		b.WriteString("  method       switching rules of MIL-STD-105E (1989), 4.7 and 4.8, starting on normal; reduced by the\n" +
			"               switching score of ISO 2859-1:1999; plans of MIL-STD-105E, tables II-A, II-B and II-C\n")
	} else {
		b.WriteString("  method       switching rules of MIL-STD-105E (1989), 4.7 and 4.8, starting on normal\n")
	}
	b.WriteString("  assumes      lots in order, first inspections only, each judged by the plan of its severity\n")
	if !r.file {
		fmt.Fprintf(b, "  n            %s\n\n", counted(lots, "lot"))
	} else {
		fmt.Fprintf(b, "  asked        AQL %g bad in a hundred, general level %d\n", q.TableAQL, q.Level)
		fmt.Fprintf(b, "  n            %s, %s checked, %d bad\n\n", counted(lots, "lot"), counted(checked, "drink"), bad)
		r.table(b)
	}
	var changes []string
	for i, l := range r.Lots {
		if l.Severity != l.Next {
			changes = append(changes, fmt.Sprintf("%s: from %s to %s.\n", r.after(i), l.Severity, l.Next))
		}
	}
	if n := len(changes); n > shownLots {
		fmt.Fprintf(b, "The last %d of %d changes:\n", shownLots, n)
		changes = changes[n-shownLots:]
	}
	b.WriteString(strings.Join(changes, ""))
	switch {
	case r.Next == stat.SeverityDiscontinued:
		b.WriteString("Stop accepting lots by sample and put the cause right: five were rejected on tightened inspection. Checking begins again, on tightened,\n" +
			"once whoever answers for it says what was improved and that it is likely to help: ")
		if r.file {
			b.WriteString("a row with the event improved, who says so in by, and what was done in note.\n")
		} else {
			b.WriteString("an i in --outcomes.\n")
		}
		return
	case r.Plan != nil:
		p := r.Plan
		fmt.Fprintf(b, "The next lot: %s inspection. As large as the last: check %s, accept with at most %d bad, reject from %d.\n",
			r.Next, counted(min(p.N, lastSize(r.Lots)), "drink"), p.Accept, p.Reject)
	default:
		fmt.Fprintf(b, "The next lot: %s inspection.\n", r.Next)
	}
	switch {
	case r.MayReduce && r.file:
		b.WriteString("The score allows reduced inspection: a row with the event reduce, and who says so in by, begins it.\n" + stat.ReducedByScore + "\n")
	case r.MayReduce:
		b.WriteString("The lots allow reduced inspection: an s in --outcomes begins it.\n" + byRun + "\n")
	case r.Next == stat.SeverityNormal && r.file:
		fmt.Fprintf(b, "%s It is now %d.\n", stat.ReducedByScore, r.Lots[len(r.Lots)-1].Score)
	case r.Next == stat.SeverityNormal:
		b.WriteString(byRun + "\n")
	}
}

const byRun = stat.ReducedByRun + "\nWith the number of bad drinks of each lot (--outcomes-file) the switching score of ISO 2859-1 decides instead."

// after names what came before the i-th place.
func (r *SwitchReport) after(i int) string {
	switch l := r.Lots[i]; {
	case l.Outcome != "":
		return "After lot " + l.Name
	case l.By != "":
		return "As " + l.By + " stated (" + strings.TrimRight(l.Event+": "+l.Note, ": ") + ")"
	default:
		return "As was stated (" + l.Event + ")"
	}
}

func (r *SwitchReport) table(b *strings.Builder) {
	from := max(0, len(r.Lots)-shownLots)
	if from > 0 {
		fmt.Fprintf(b, "  The last %d of %d rows; --json has all.\n", shownLots, len(r.Lots))
	}
	fmt.Fprintf(b, "  %-20s %7s  %-10s %5s  %-13s %5s  %-9s %5s\n", "lot", "drinks", "severity", "check", "accept/reject", "bad", "outcome", "score")
	for _, l := range r.Lots[from:] {
		if l.Outcome == "" {
			fmt.Fprintf(b, "  %s\n", strings.TrimRight(fmt.Sprintf("-- %s, %s: %s", l.Event, l.By, l.Note), ":, "))
			continue
		}
		score := "-"
		if l.Severity == stat.SeverityNormal && l.Next == stat.SeverityNormal {
			score = fmt.Sprint(l.Score)
		}
		fmt.Fprintf(b, "  %-20s %7d  %-10s %5d  %-13s %5d  %-9s %5s\n", l.Name, l.Size, l.Severity, l.N, fmt.Sprintf("%d/%d", l.Accept, l.Reject), l.Bad, l.Outcome, score)
	}
	b.WriteString("\n")
}

// counted writes 1 lot, 2 lots.
func counted(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
