package stat

import (
	"fmt"
	"math"
	"slices"
)

// The master tables for single sampling of MIL-STD-105E (1989, public domain),
// tables II-A, II-B and II-C, for AQLs of 0.010 to 10 per cent. The tables repeat
// along diagonals (one letter up, one AQL down), so a diagonal's numbers stand for
// the whole of it. Every cell is tested against testdata/attribute_plans.csv, and
// those of normal and tightened inspection against computed probabilities.
var (
	masterAQL     = []float64{0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10}
	masterLetters = []string{"A", "B", "C", "D", "E", "F", "G", "H", "J", "K", "L", "M", "N", "P", "Q", "R"}
	masterTables  = map[Severity]masterTable{
		SeverityNormal: {
			first:  14, // E (4) at 1.0 (10)
			accept: []int{0, masterUp, masterDown, 1, 2, 3, 5, 7, 10, 14, 21},
		},
		SeverityTightened: {
			first: 15, beyond: 3150, // F at 1.0; one row more, letter S, for 0.025 alone
			bareA:  true,
			accept: []int{0, masterDown, masterDown, 1, 2, 3, 5, 8, 12, 18},
		},
		SeverityReduced: {
			first:  14,
			accept: []int{0, masterUp, masterDown, 0, 1, 1, 2, 3, 5, 7, 10},
			reject: []int{1, 0, 0, 2, 3, 4, 5, 6, 8, 10, 13},
			sizes:  []int{2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800},
		},
	}
)

// masterTable is one of the tables. Along a diagonal from its first plan on,
// accept holds the acceptance numbers and the table's arrows; reject is nil where
// each number is one more, sizes where they are those of the letters.
type masterTable struct {
	first  int // letter + AQL of the first plan
	accept []int
	reject []int
	sizes  []int
	beyond int // sample size of a row after R, 0 without
	// bareA says that letter A has no plan where the first diagonal meets it.
	bareA bool
}

const masterUp, masterDown = -1, -2

// rows counts the table's letters.
func (t *masterTable) rows() int {
	if t.beyond > 0 {
		return len(masterLetters) + 1
	}
	return len(masterLetters)
}

// plan of a row and diagonal.
func (t *masterTable) plan(row, d int) (letter string, n, accept, reject int) {
	switch {
	case row == len(masterLetters):
		letter, n = "S", t.beyond
	case t.sizes != nil:
		letter, n = masterLetters[row], t.sizes[row]
	default:
		letter, n = masterLetters[row], planSizes[masterLetters[row]]
	}
	accept, reject = t.accept[d], t.accept[d]+1
	if t.reject != nil {
		reject = t.reject[d]
	}
	return letter, n, accept, reject
}

// MasterPlan is a plan of the tables.
type MasterPlan struct {
	Letter   string   `json:"letter"` // as used, after the arrows
	Asked    string   `json:"asked"`  // by lot and level
	N        int      `json:"n"`
	Accept   int      `json:"accept"`
	Reject   int      `json:"reject"`
	AQL      float64  `json:"aql_percent"`
	Severity Severity `json:"severity"`
}

// Master looks a plan up for a sample size letter and an AQL in per cent that
// the tables have, following the arrows to the first plan beside the cell: then
// both the sample size and the numbers of that row hold. Where the sample is as
// large as the lot or larger, check every drink. On reduced inspection the numbers
// may leave a gap: between them the lot is accepted, and normal inspection begins
// with the next. Source: MIL-STD-105E, tables II-A, II-B and II-C.
func Master(letter string, aqlPercent float64, severity Severity) (MasterPlan, error) {
	at := slices.Index(masterLetters, letter)
	if at < 0 {
		return MasterPlan{}, inputErr("letter", letter, "a sample size code letter, A to R without I and O")
	}
	col := slices.IndexFunc(masterAQL, func(a float64) bool { return math.Abs(a-aqlPercent) < 1e-9 })
	if col < 0 {
		return MasterPlan{}, inputErr("AQL", aqlPercent, fmt.Sprintf("one of %v, in per cent; others are not in these tables", masterAQL))
	}
	if severity == "" {
		severity = SeverityNormal
	}
	t, ok := masterTables[severity]
	if !ok {
		return MasterPlan{}, inputErr("severity", severity, "normal, tightened or reduced")
	}
	down := true
	for i, turns := at, 0; ; {
		d := i + col - t.first
		switch {
		case d == 0 && i == 0 && t.bareA:
			down = true
		case d >= 0 && d < len(t.accept) && t.accept[d] >= 0:
			m := MasterPlan{Asked: letter, AQL: aqlPercent, Severity: severity}
			m.Letter, m.N, m.Accept, m.Reject = t.plan(i, d)
			return m, nil
		case turns == 0:
			down = d < len(t.accept) && (d < 0 || t.accept[d] != masterUp)
		}
		// Beyond the first and the last letter there is nothing: the way is back.
		if i == 0 && !down || i == t.rows()-1 && down {
			down = !down
			turns++
		}
		if down {
			i++
		} else {
			i--
		}
	}
}
