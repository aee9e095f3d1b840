package reportplan

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/stat"
)

// Letter answers for --lot, with --table-aql as a plan of the published tables.
func Letter(q Question) (*Report, error) {
	l, n, err := stat.CodeLetter(q.Lot, q.Level)
	if err != nil {
		return nil, err
	}
	r := &Report{Letter: l, LetterN: n, q: q}
	if q.TableAQL == 0 {
		return r, nil
	}
	m, err := stat.Master(l, q.TableAQL, stat.Severity(q.Severity))
	if err != nil {
		return nil, err
	}
	r.Master = &m
	aql := q.TableAQL / 100
	plan := stat.AcceptancePlan{N: m.N, C: m.Reject - 1, Model: stat.PlanBinomial}
	for _, s := range []float64{aql / 2, aql, 2 * aql, 4 * aql, 8 * aql} {
		if s > 1 {
			break
		}
		pa, err := plan.Accepts(s)
		if err != nil {
			return nil, err
		}
		r.OC = append(r.OC, Point{s, pa})
	}
	return r, nil
}

func (r *Report) letterWords(b *strings.Builder) {
	q := r.q
	b.WriteString("Sample size by lot size\n  method       code letters of MIL-STD-105E and ISO 2859-1")
	if r.Master != nil {
		b.WriteString(";\n               single sampling, tables II-A, II-B and II-C of MIL-STD-105E,\n               each cell tested against a published tabulation")
	}
	b.WriteString("\n  assumes      drinks drawn at random from a lot made alike, each check right\n")
	fmt.Fprintf(b, "  asked        lot of %d, general level %d\n", q.Lot, q.Level)
	if r.Master == nil {
		fmt.Fprintf(b, "  n            %d\n\nCode letter %s: check %d drinks. With --table-aql it says how many bad to accept.\n", r.LetterN, r.Letter, r.LetterN)
	} else {
		m := r.Master
		fmt.Fprintf(b, "               AQL %g bad in a hundred, %s inspection\n  n            %d\n\n", m.AQL, m.Severity, m.N)
		if m.N >= q.Lot {
			fmt.Fprintf(b, "The sample is as large as the lot: check every drink.\n")
		}
		arrow, gap := "", ""
		if m.Reject > m.Accept+1 {
			gap = "Between the two the lot is accepted too, and normal inspection begins with the next.\n"
		}
		if m.Letter != m.Asked {
			arrow = fmt.Sprintf(" (letter %s points there)", m.Asked)
		}
		fmt.Fprintf(b, "Code letter %s%s: check %d drinks; accept with at most %d bad, reject from %d.\n%s\n  %8s %8s\n", m.Letter, arrow, m.N, m.Accept, m.Reject, gap, "bad %", "accept")
		for _, p := range r.OC {
			fmt.Fprintf(b, "  %8.3f %8.4f\n", 100*p.P, p.PAccept)
		}
		b.WriteString("\n")
	}
	b.WriteString("The severity changes with the lots that came before: --outcomes or --outcomes-file follows it.\n")
}
