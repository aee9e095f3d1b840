package statcheck

import (
	"fmt"
	"math"
	"strconv"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

// certified is one set of the NIST Statistical Reference Datasets, analysis of
// variance. gate is the number of digits that doubles allow: SmLs07 to 09 carry
// 13 leading digits, so the stored data differ from the printed data in the
// fourth significant digit of the spread. digits is what this program reached
// when the check was written.
type certified struct {
	name, level     string
	data            func() ([][]float64, error)
	ssb, ssw, f, r2 float64
	sd              float64
	gate, digits    float64
}

// simonLesage builds an SmLs set by its rule: nine treatments, each one value
// at its centre, then pairs a tenth below and above, read from decimal text as
// they are in the published files.
func simonLesage(leading string, pairs int) func() ([][]float64, error) {
	return func() ([][]float64, error) {
		var out [][]float64
		for _, c := range []int{4, 3, 5, 3, 5, 3, 5, 3, 5} {
			var value [3]float64
			for i := range value {
				v, err := strconv.ParseFloat(leading+"."+strconv.Itoa(c-1+i), 64)
				if err != nil {
					return nil, fmt.Errorf("data of a check: %w", err)
				}
				value[i] = v
			}
			g := []float64{value[1]}
			for range pairs {
				g = append(g, value[0], value[2])
			}
			out = append(out, g)
		}
		return out, nil
	}
}

func strd(text string) func() ([][]float64, error) {
	return func() ([][]float64, error) { return lines(text) }
}

var strdSets = []certified{
	{"SiRstv", "lower", strd(siRstv), 5.11462616e-02, 2.1663656e-01, 1.18046237440255, 1.90999039051129e-01, 1.04076068334656e-01, 12, 13},
	{"AtmWtAg", "average", strd(atmWtAg), 3.638341875e-09, 1.04951729166667e-08, 15.9467335677930, 2.57426544538321e-01, 1.51048314446410e-05, 9, 10},
	{"SmLs01", "lower", simonLesage("1", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 13, 14.5},
	{"SmLs02", "lower", simonLesage("1", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 13, 14.5},
	{"SmLs03", "lower", simonLesage("1", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 13, 14.5},
	{"SmLs04", "average", simonLesage("1000000", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 9, 10},
	{"SmLs05", "average", simonLesage("1000000", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 9, 10},
	{"SmLs06", "average", simonLesage("1000000", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 9, 10},
	{"SmLs07", "higher", simonLesage("1000000000000", 10), 1.68, 1.80, 21, 4.82758620689655e-01, 0.1, 3, 4},
	{"SmLs08", "higher", simonLesage("1000000000000", 100), 16.08, 18, 201, 4.71830985915493e-01, 0.1, 3, 4},
	{"SmLs09", "higher", simonLesage("1000000000000", 1000), 160.08, 180, 2001, 4.70712773465067e-01, 0.1, 3, 4},
}

func anova() []check.Check {
	var out []check.Check
	for _, c := range strdSets {
		source := "NIST StRD, certified; " + c.level + " difficulty"
		fit := func() (stat.OneWay, error) {
			g, err := c.data()
			if err != nil {
				return stat.OneWay{}, err
			}
			return stat.ANOVA(g)
		}
		figures := []struct {
			what string
			want float64
			got  func(stat.OneWay) float64
		}{
			{"sum of squares between", c.ssb, func(a stat.OneWay) float64 { return a.SSBetween }},
			{"sum of squares within", c.ssw, func(a stat.OneWay) float64 { return a.SSWithin }},
			{"F", c.f, func(a stat.OneWay) float64 { return a.F }},
			{"R-squared", c.r2, func(a stat.OneWay) float64 { return a.RSquared }},
			{"residual SD", c.sd, func(a stat.OneWay) float64 { return a.ResidualSD }},
		}
		for _, f := range figures {
			out = append(out, row(c.name+", "+f.what, source, f.want, f.want*math.Pow(10, -c.gate), "1", pick(fit, f.got)))
		}
		out = append(out, row(c.name+", least log relative error of the five", source+"; digits reached when written, the certified values carry 15", c.digits, 1, "digits",
			pick(fit, func(a stat.OneWay) float64 {
				worst := 15.0
				for _, f := range figures {
					worst = min(worst, logRelativeError(f.got(a), f.want))
				}
				return math.Round(2*worst) / 2
			})))
	}
	return out
}

// logRelativeError is the number of correct digits, NIST StRD's measure.
func logRelativeError(got, want float64) float64 {
	if got == want {
		return 15
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}
