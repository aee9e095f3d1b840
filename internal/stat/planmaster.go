package stat

import (
	"fmt"
	"math"
	"slices"
)

// The master tables for single sampling of MIL-STD-105E (1989, public domain),
// tables II-A and II-B, for AQLs of 0.010 to 10 per cent. From memory: no
// legible copy was read. The tables repeat along diagonals (one letter up, one
// AQL down), so a diagonal's acceptance number stands for the whole of it; what
// holds for each cell is tested against computed probabilities, which a wrong
// number would break (see statcheck).
var (
	masterAQL = []float64{0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5, 10}
	// Acceptance numbers along a diagonal from its 0 on; masterUp and
	// masterDown are the table's arrows.
	masterNormal    = []int{0, masterUp, masterDown, 1, 2, 3, 5, 7, 10, 14, 21}
	masterTightened = []int{0, masterDown, masterDown, 1, 2, 3, 5, 8, 12, 18}
	masterLetters   = []string{"A", "B", "C", "D", "E", "F", "G", "H", "J", "K", "L", "M", "N", "P", "Q", "R"}
)

const masterUp, masterDown = -1, -2

// MasterAQLs lists the AQLs of the tables here, bad drinks in a hundred.
func MasterAQLs() []float64 { return slices.Clone(masterAQL) }

// MasterPlan is a plan of the tables.
type MasterPlan struct {
	Letter string  `json:"letter"` // as used, after the arrows
	Asked  string  `json:"asked"`  // by lot and level
	N      int     `json:"n"`
	Accept int     `json:"accept"`
	Reject int     `json:"reject"`
	AQL    float64 `json:"aql_percent"`
	// Severity is normal or tightened.
	Severity Severity `json:"severity"`
}

// Master looks a plan up for a sample size letter and an AQL in per cent that
// the tables have, following the arrows to the first plan beside the cell: then
// both the sample size and the numbers of that row hold. Normal and tightened
// inspection only; where the sample is as large as the lot or larger, check
// every drink. Source: MIL-STD-105E, tables II-A and II-B, from memory.
func Master(letter string, aqlPercent float64, severity Severity) (MasterPlan, error) {
	at := slices.Index(masterLetters, letter)
	if at < 0 {
		return MasterPlan{}, inputErr("letter", letter, "a sample size code letter, A to R without I and O")
	}
	col := slices.IndexFunc(masterAQL, func(a float64) bool { return math.Abs(a-aqlPercent) < 1e-9 })
	if col < 0 {
		return MasterPlan{}, inputErr("AQL", aqlPercent, fmt.Sprintf("one of %v, in per cent; others are not in these tables", masterAQL))
	}
	diagonal, first := masterNormal, 14 // letter + AQL of the 0: E (4) at 1.0 (10)
	switch severity {
	case SeverityNormal, "":
		severity = SeverityNormal
	case SeverityTightened:
		diagonal, first = masterTightened, 15 // F at 1.0
	default:
		return MasterPlan{}, inputErr("severity", severity, "normal or tightened; "+SwitchMissing)
	}
	down := true
	for i, turned := at, false; i >= 0 && i < len(masterLetters); {
		d := i + col - first
		switch {
		case d >= 0 && d < len(diagonal) && diagonal[d] >= 0:
			return MasterPlan{Letter: masterLetters[i], Asked: letter, N: planSizes[masterLetters[i]],
				Accept: diagonal[d], Reject: diagonal[d] + 1, AQL: aqlPercent, Severity: severity}, nil
		case !turned:
			down = d < len(diagonal) && (d < 0 || diagonal[d] != masterUp)
		}
		if i == 0 && !down {
			down, turned = true, true // above the first letter there is nothing
		}
		if down {
			i++
		} else {
			i--
		}
	}
	return MasterPlan{}, inputErr("AQL", aqlPercent, fmt.Sprintf(
		"an AQL with a plan up to letter R at %s inspection from letter %s: the standard has larger samples, which are not here", severity, letter))
}
