package stat

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
