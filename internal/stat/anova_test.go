package stat

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"testing"
)

// logRelativeError is the number of correct digits, NIST StRD's measure.
func logRelativeError(got, want float64) float64 {
	if got == want {
		return 16
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

// strdFile reads group,value rows; groups in order of first sight.
func strdFile(t *testing.T, name string) [][]float64 {
	t.Helper()
	f, err := os.Open("../../testdata/stat/" + name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	index := map[string]int{}
	var groups [][]float64
	for _, row := range rows[1:] {
		i, ok := index[row[0]]
		if !ok {
			i = len(groups)
			index[row[0]] = i
			groups = append(groups, nil)
		}
		v, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		groups[i] = append(groups[i], v)
	}
	return groups
}

// simonLesage builds an SmLs set by its rule: nine treatments, each one value
// at its centre then pairs a tenth below and above. Values are read from
// decimal text, as they are in the published files.
func simonLesage(t *testing.T, leading string, pairs int) [][]float64 {
	t.Helper()
	centre := []int{4, 3, 5, 3, 5, 3, 5, 3, 5}
	groups := make([][]float64, len(centre))
	for i, c := range centre {
		add := func(tenths int) {
			v, err := strconv.ParseFloat(leading+"."+strconv.Itoa(tenths), 64)
			if err != nil {
				t.Fatal(err)
			}
			groups[i] = append(groups[i], v)
		}
		add(c)
		for range pairs {
			add(c - 1)
			add(c + 1)
		}
	}
	return groups
}

// Certified values: NIST StRD, analysis of variance. The gate of each set is
// what doubles allow: SmLs07 to 09 carry 13 leading digits, so the stored data
// differ from the printed data in the fourth significant digit of the spread.
func TestANOVACertified(t *testing.T) {
	sm := func(leading string, pairs int) [][]float64 { return simonLesage(t, leading, pairs) }
	tests := []struct {
		name             string
		groups           [][]float64
		ssb, ssw, f, r2s float64
		sd               float64
		gate             float64
	}{
		{"SiRstv", strdFile(t, "strd-sirstv.csv"), 5.11462616e-02, 2.1663656e-01, 1.18046237440255, 1.90999039051129e-01, 1.04076068334656e-01, 12},
		{"AtmWtAg", strdFile(t, "strd-atmwtag.csv"), 3.638341875e-09, 1.04951729166667e-08, 15.9467335677930, 2.57426544538321e-01, 1.51048314446410e-05, 9},
		{"SmLs01", sm("1", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 13},
		{"SmLs02", sm("1", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 13},
		{"SmLs03", sm("1", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 13},
		{"SmLs04", sm("1000000", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 9},
		{"SmLs05", sm("1000000", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 9},
		{"SmLs06", sm("1000000", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 9},
		{"SmLs07", sm("1000000000000", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 3},
		{"SmLs08", sm("1000000000000", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 3},
		{"SmLs09", sm("1000000000000", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 3},
	}
	for _, tc := range tests {
		t.Run(tc.name, func(t *testing.T) {
			got, err := ANOVA(tc.groups)
			if err != nil {
				t.Fatal(err)
			}
			worst := 16.0
			for _, c := range []struct {
				what      string
				got, want float64
			}{
				{"between", got.SSBetween, tc.ssb}, {"within", got.SSWithin, tc.ssw},
				{"F", got.F, tc.f}, {"R-squared", got.RSquared, tc.r2s}, {"residual SD", got.ResidualSD, tc.sd},
			} {
				lre := logRelativeError(c.got, c.want)
				worst = min(worst, lre)
				if lre < tc.gate {
					t.Errorf("%s: got %.16g, want %.16g: log relative error %.1f, gate %.0f", c.what, c.got, c.want, lre, tc.gate)
				}
			}
			t.Logf("log relative error at least %.1f", worst)
		})
	}
}

func TestANOVARefuses(t *testing.T) {
	for name, groups := range map[string][][]float64{
		"one group":       {{1, 2, 3}},
		"an empty group":  {{1, 2}, {}},
		"no replication":  {{1}, {2}},
		"constant groups": {{1, 1}, {2, 2}},
		"a missing value": {{1, math.NaN()}, {2, 3}},
	} {
		if _, err := ANOVA(groups); !errors.Is(err, ErrInput) {
			t.Errorf("%s: got %v, want ErrInput", name, err)
		}
	}
}
