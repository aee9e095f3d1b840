package reportplan

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"samecup.example/samecup/cmd/samecup/internal/table"
	"samecup.example/samecup/internal/stat"
)

// The columns of a file of lots; lot, event, by and note may be left out.
const (
	columnLot, columnSize, columnBad  = "lot", "size", "bad"
	columnEvent, columnBy, columnNote = "event", "by", "note"
)

// Lots answers for --outcomes-file: it reads the lots and events in their order
// and judges each lot by the plan of its size, the AQL and its severity.
func Lots(q Question, stdin io.Reader) (*Report, error) {
	if q.TableAQL == 0 {
		return nil, fmt.Errorf("--outcomes-file needs --table-aql: the AQL whose plans judge the lots, such as 1.0")
	}
	t, err := table.Open(q.OutcomesFile, stdin)
	if err != nil {
		return nil, err
	}
	cell, err := cells(t)
	if err != nil {
		return nil, err
	}
	r := &SwitchReport{file: true}
	s := stat.Switching{ByScore: true}
	for i := range t.Rows {
		l := Lot{Line: t.Line(i), Name: cell(i, columnLot), Severity: s.Severity(), By: cell(i, columnBy), Note: cell(i, columnNote)}
		if l.Event = strings.ToLower(cell(i, columnEvent)); l.Event != "" {
			err = stated(&s, l, cell(i, columnBad))
		} else {
			err = judge(&s, &l, q, cell(i, columnSize), cell(i, columnBad))
		}
		if err != nil {
			return nil, fmt.Errorf("%s, line %d: %w", q.OutcomesFile, l.Line, err)
		}
		l.Score, l.Next = s.Score(), s.Severity()
		r.Lots = append(r.Lots, l)
	}
	r.Next, r.MayReduce = s.Severity(), s.MayReduce()
	if size := lastSize(r.Lots); size > 0 && r.Next != stat.SeverityDiscontinued {
		p, err := plan(q, size, r.Next)
		if err != nil {
			return nil, err
		}
		r.Plan = &p
	}
	return &Report{Switch: r, q: q}, nil
}

// cells reads a cell by its column; a column that is not in the file is empty.
func cells(t *table.Table) (func(row int, column string) string, error) {
	at := map[string]int{}
	for i, name := range t.Names {
		name = strings.ToLower(name)
		if _, twice := at[name]; twice {
			return nil, fmt.Errorf("column %q stands twice in the header: rename one", name)
		}
		at[name] = i
	}
	for _, c := range []string{columnSize, columnBad} {
		if _, ok := at[c]; !ok {
			return nil, fmt.Errorf("column %q is not in the file, which has: %s; a file of lots needs %s (drinks) and %s (of those checked), and may have %s",
				c, strings.Join(t.Names, ", "), columnSize, columnBad, strings.Join([]string{columnLot, columnEvent, columnBy, columnNote}, ", "))
		}
	}
	return func(row int, column string) string {
		if i, ok := at[column]; ok {
			return t.Rows[row][i]
		}
		return ""
	}, nil
}

// stated applies an event. What a person answers for needs a name, and what was
// improved has to be said, since lots were being refused until then.
func stated(s *stat.Switching, l Lot, bad string) error {
	if bad != "" {
		return fmt.Errorf("column %q is %q beside the event %s: give an event a row of its own", columnBad, bad, l.Event)
	}
	if l.By == "" && slices.Contains([]string{eventReduce, eventImproved}, l.Event) {
		return fmt.Errorf("column %q is empty: name who answers for the event %s", columnBy, l.Event)
	}
	if l.Note == "" && l.Event == eventImproved {
		return fmt.Errorf("column %q is empty: say what was improved and why it is likely to help", columnNote)
	}
	return event(s, l.Event)
}

func judge(s *stat.Switching, l *Lot, q Question, size, bad string) error {
	if l.Name == "" {
		l.Name = fmt.Sprintf("of line %d", l.Line)
	}
	var err error
	if l.Size, err = whole(columnSize, size, "drinks in the lot"); err != nil {
		return err
	}
	if l.Bad, err = whole(columnBad, bad, "bad of the drinks checked"); err != nil {
		return err
	}
	severity := s.Severity()
	if severity == stat.SeverityDiscontinued {
		return fmt.Errorf("a lot while inspection is discontinued: first a row with the event %s, who says so in %s, and what was done in %s", eventImproved, columnBy, columnNote)
	}
	p, err := plan(q, l.Size, severity)
	if err != nil {
		return err
	}
	if l.N = min(p.N, l.Size); l.Bad > l.N {
		return fmt.Errorf("column %q is %d, allowed: 0 to %d, the drinks that the plan checks on %s inspection", columnBad, l.Bad, l.N, severity)
	}
	l.Accept, l.Reject = p.Accept, p.Reject
	l.Outcome, err = s.Judge(p, l.Bad)
	return err
}

// plan of a lot of that size; where the sample is as large as the lot, all of it
// is checked, and the numbers stay.
func plan(q Question, size int, severity stat.Severity) (stat.MasterPlan, error) {
	letter, _, err := stat.CodeLetter(size, q.Level)
	if err != nil {
		return stat.MasterPlan{}, err
	}
	return stat.Master(letter, q.TableAQL, severity)
}

func lastSize(lots []Lot) int {
	for _, l := range slices.Backward(lots) {
		if l.Outcome != "" {
			return l.Size
		}
	}
	return 0
}

func whole(column, text, what string) (int, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < 0 {
		return 0, fmt.Errorf("column %q is %q, allowed: a whole number from 0, the %s", column, text, what)
	}
	return n, nil
}
