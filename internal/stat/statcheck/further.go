package statcheck

import (
	"fmt"
	"slices"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

// circuitBoards is nonconformities of 100 boards, 26 samples.
const circuitBoards = `21 24 16 12 15 5 28 20 31 25 20 24 16 19 10 17 13 22 18 39 30 24 16 19 17 15`

// countCharts are the charts of counts from their data, where others are given
// their mean.
func countCharts() []check.Check {
	const boards = qcc + "; the data (Montgomery, Introduction to Statistical Quality Control)" + fromMemory + ", their mean is the published one"
	circuit := func() ([]float64, error) { return numbers(circuitBoards) }
	all := func() (*stat.Chart, error) {
		x, err := circuit()
		if err != nil {
			return nil, err
		}
		return stat.C(x, stat.ChartOptions{})
	}
	less := func() (*stat.Chart, error) {
		x, err := circuit()
		if err != nil {
			return nil, err
		}
		x = slices.Delete(slices.Delete(x, 19, 20), 5, 6) // samples 20 and 6
		n := make([]float64, len(x))
		for i := range n {
			n[i] = 100
		}
		return stat.U(x, n, stat.ChartOptions{})
	}
	out := limitRows("circuit boards, c chart from the data", boards, "1", 19.84615, 6.481447, 33.21086, 5e-5, all)
	out = append(out, row("circuit boards, c chart, samples that signal: 6 and 20", boards, 2, 0, "points", func() (float64, error) {
		c, err := all()
		if err != nil {
			return 0, err
		}
		if s := c.Signals(); !slices.Equal(s, []int{5, 19}) {
			return 0, fmt.Errorf("signals at %v", s)
		}
		return 2, nil
	}))
	out = append(out, limitRows("circuit boards without samples 6 and 20, u chart from the data", boards, "1", 0.1966667, 0.06362532, 0.329708, 1e-6, less)...)
	// The program has no np chart: its figures are 50 times those of the shares.
	juice := func() (*stat.Chart, error) {
		x, err := numbers(orangeJuice)
		if err != nil {
			return nil, err
		}
		n := make([]float64, len(x))
		for i := range n {
			n[i] = 50
		}
		c, err := stat.P(x, n, stat.ChartOptions{})
		if err != nil {
			return nil, err
		}
		l := &c.Points[0].Limits
		lower, upper := 50**l.Lower, 50**l.Upper
		*l = stat.Limits{Centre: 50 * l.Centre, Lower: &lower, Upper: &upper}
		return c, nil
	}
	return append(out, limitRows("orange juice, np chart as 50 times the p chart", qcc, "cans", 11.56667, 2.621377, 20.51196, 5e-5, juice)...)
}

func furtherDrift() []check.Check {
	const (
		ls3      = "Lucas & Saccucci, Technometrics 32 (1990), Table 3, quoted by spc"
		waldmann = "Waldmann, Technometrics 28 (1986), quoted by spc"
	)
	var out []check.Check
	for _, c := range []struct{ lambda, l, shift, want float64 }{
		{0.5, 3.071, 3.5, 1.58}, {0.5, 3.071, 5, 1.07}, {0.03, 2.437, 1.5, 8.07}, {0.03, 2.437, 2.5, 4.80}, {0.03, 2.437, 3.5, 3.49}, {0.03, 2.437, 5, 2.55},
	} {
		out = append(out, row(shiftName(fmt.Sprintf("EWMA run length, lambda %g, L %g", c.lambda, c.l), c.shift), ls3, c.want, 0.0051, "points",
			func() (float64, error) { return stat.EWMAARL(c.lambda, c.l, c.shift, 0) }))
	}
	for _, c := range []struct{ shift, want, tol float64 }{{-0.5, 1963, 0.5}, {0, 117.4, 0.25}, {0.5, 17.35, 0.025}} {
		out = append(out, row(shiftName("one-sided CUSUM run length, k 0.5, h 3, by Waldmann", c.shift), waldmann+"; differs in the fourth digit from Brook & Evans", c.want, c.tol, "points",
			func() (float64, error) { return stat.CUSUMARLOneSided(0.5, 3, c.shift, 0) }))
	}
	return out
}

func furtherAnova() []check.Check {
	const (
		davies = "Davies & Goldsmith (1972), 6.4, data; computed with R 4.2.2"
		box    = "Box & Tiao (1973), 5.1.2, data; computed with R 4.2.2"
	)
	one := func() (stat.OneWay, error) { return anovaOf(dyestuff) }
	two := func() (stat.OneWay, error) { return anovaOf(dyestuff2) }
	return []check.Check{
		row("dyestuff, mean square between", davies, 11271.50, 5e-3, "1", pick(one, func(a stat.OneWay) float64 { return a.MSBetween })),
		row("dyestuff, mean square within", davies, 2451.25, 5e-3, "1", pick(one, func(a stat.OneWay) float64 { return a.MSWithin })),
		row("dyestuff, F", davies, 4.59827, 5e-6, "1", pick(one, func(a stat.OneWay) float64 { return a.F })),
		row("dyestuff, p of F", davies, 0.0043975, 5e-8, "1", pick(one, func(a stat.OneWay) float64 { return a.P })),
		row("dyestuff, variance between by moments", davies, 1764.05, 5e-3, "1", pick(one, func(a stat.OneWay) float64 { return (a.MSBetween - a.MSWithin) / 5 })),
		row("dyestuff 2, mean square between", box, 8.336326, 5e-7, "1", pick(two, func(a stat.OneWay) float64 { return a.MSBetween })),
		row("dyestuff 2, mean square within", box, 14.945890, 5e-7, "1", pick(two, func(a stat.OneWay) float64 { return a.MSWithin })),
		row("dyestuff 2, F", box, 0.55777, 5e-6, "1", pick(two, func(a stat.OneWay) float64 { return a.F })),
		row("dyestuff 2, variance between by moments, below 0", box, -1.321913, 5e-7, "1", pick(two, func(a stat.OneWay) float64 { return (a.MSBetween - a.MSWithin) / 5 })),
	}
}

// anovaOf compares batches of five.
func anovaOf(text string) (stat.OneWay, error) {
	x, err := numbers(text)
	if err != nil {
		return stat.OneWay{}, err
	}
	return stat.ANOVA(slices.Collect(slices.Chunk(x, 5)))
}

// performance is a pair of indices within subgroups and overall; only the summary
// figures of its 100 values were printed.
func performance() []check.Check {
	const sheet = "published sheet of formulas with a sample calculation on 100 values, its rounded mean and deviations"
	lower, upper := 200.0, 346.0
	limits := stat.CapabilityOptions{Low: &lower, High: &upper}
	var out []check.Check
	for _, c := range []struct {
		name                  string
		sigma, low, high, tol float64
	}{{"within subgroups (Cp)", 30.02 / .94, .673, .851, 6e-4}, {"overall (Pp)", 31.85, .675, .853, 6e-4}} {
		indices := func() (stat.Indices, error) { return stat.CapabilityFrom(264.46, c.sigma, 100, 0, limits) }
		for _, side := range []struct {
			name string
			want float64
			get  func(stat.Indices) float64
		}{
			{"low side", c.low, func(i stat.Indices) float64 { return i.CLow.Value }},
			{"high side", c.high, func(i stat.Indices) float64 { return i.CHigh.Value }},
			{"the lesser", c.low, func(i stat.Indices) float64 { return i.K.Value }},
		} {
			out = append(out, row("mean 264.46, limits 200 and 346, "+c.name+", "+side.name, sheet, side.want, c.tol, "1", pick(indices, side.get)))
		}
	}
	return out
}

// furtherGauge is the rest of the published table of the 2 x 2 x 2 study.
func furtherGauge() []check.Check {
	const readme = "README of the R package gageRR, data and figures"
	study := func() (stat.Gauge, error) {
		return stat.GaugeANOVA([]string{"1", "1", "1", "1", "2", "2", "2", "2"}, []string{"1", "1", "2", "2", "1", "1", "2", "2"},
			[]float64{.0172, .0177, .0174, .0181, .0155, .0159, .0152, .0176}, stat.GaugeOptions{Tolerance: .040})
	}
	var out []check.Check
	for _, c := range []struct {
		name                                       string
		part                                       func(stat.Gauge) stat.GaugePart
		variance, contribution, sd, study, percent float64
	}{
		{"repeatability", func(g stat.Gauge) stat.GaugePart { return g.Repeatability }, 8.325e-7, .39292035, .0009124144, .6268336, .13686216},
		{"reproducibility", func(g stat.Gauge) stat.GaugePart { return g.Reproducibility }, 1.05e-7, .04955752, .0003240370, .2226152, .04860556},
		{"gauge", func(g stat.Gauge) stat.GaugePart { return g.GaugeRR }, 9.375e-7, .44247788, .0009682458, .6651901, .14523688},
		{"part", func(g stat.Gauge) stat.GaugePart { return g.Part }, 1.18125e-6, .55752212, .0010868533, .7466740, .16302799},
		{"total", func(g stat.Gauge) stat.GaugePart { return g.Total }, 2.11875e-6, 1, .0014555927, 1, .21833890},
	} {
		name := "2 x 2 x 2 gauge study, table, " + c.name
		out = append(out,
			row(name+", variance", readme, c.variance, 1e-12, "1", pick(study, func(g stat.Gauge) float64 { return c.part(g).Variance })),
			row(name+", share of variance", readme, c.contribution, 1e-8, "1", pick(study, func(g stat.Gauge) float64 { return c.part(g).Contribution })),
			row(name+", SD", readme, c.sd, 1e-10, "1", pick(study, func(g stat.Gauge) float64 { return c.part(g).SD })),
			row(name+", share of spread", readme, c.study, 1e-7, "1", pick(study, func(g stat.Gauge) float64 { return c.part(g).Study })),
			row(name+", share of tolerance", readme, c.percent, 1e-8, "1", pick(study, func(g stat.Gauge) float64 { return c.part(g).Tolerance })))
	}
	return out
}

func furtherPlans() []check.Check {
	const (
		slides = "operations-management textbook slides; Poisson, rounded there"
		exam   = "exercise of a Chinese examination of quality engineers (30 Oct 2011), read on a page that reproduces it"
		site   = "samplingplans.com (2006)"
	)
	var out []check.Check
	p10 := stat.AcceptancePlan{N: 10, C: 3, Model: stat.PlanBinomial}
	for i, want := range []float64{1, .999998, .999969, .999853, .999557, .998972, .997971, .996424, .994199, .991166, .987205} {
		share := float64(i) / 100
		out = append(out, row(fmt.Sprintf("plan n 10, c 3, accepts %g", share), "case: "+site+"; "+rComputed+" (pbinom)", want, 5e-7, "1", func() (float64, error) { return p10.Accepts(share) }))
	}
	for c, s := range []struct{ np, limiting float64 }{{.0509, 38}, {.3552, 65}, {.8112, 89}, {1.3675, 111}, {1.9680, 133}, {2.6256, 154}} {
		p := stat.AcceptancePlan{N: 1000, C: c, Model: stat.PlanPoisson}
		out = append(out,
			row(fmt.Sprintf("c %d accepts np %g with 0.95", c, s.np), slides, .95, 0.002, "1", func() (float64, error) { return p.Accepts(s.np / 1000) }),
			row(fmt.Sprintf("c %d accepts 6 %% with 0.10 from n", c), slides, s.limiting, 0.8, "drinks", func() (float64, error) {
				share, err := p.QualityAt(0.10)
				return 1000 * share / .06, err
			}))
	}
	// Lots of 1000 at AQL 1.0, level II: 80 checked, 2 allowed.
	bad := []int{1, 2, 1, 1, 2, 1, 1, 1, 0, 1, 1, 0, 1, 0, 1}
	for i, want := range []float64{3, 0, 3, 6, 0, 3, 6, 9, 12, 15, 18, 21, 24, 27, 30} {
		out = append(out, row(fmt.Sprintf("switching score after lot %d of 15", i+1), exam, want, 0, "1", func() (float64, error) {
			s := stat.Switching{ByScore: true}
			for _, b := range bad[:i+1] {
				p, err := stat.Master("J", 1, s.Severity())
				if err != nil {
					return 0, err
				}
				if _, err := s.Judge(p, b); err != nil {
					return 0, err
				}
			}
			return float64(s.Score()), nil
		}))
	}
	const second = "another exercise of that examination, read with its explanation"
	small := stat.MasterPlan{Letter: "G", N: 32, Accept: 1, Reject: 2, AQL: 1.5, Severity: stat.SeverityNormal}
	out = append(out,
		row("switching score of (32, 1) after one lot with 1 bad", second, 2, 0, "1", func() (float64, error) {
			score, err := small.Score(0, 1)
			return float64(score), err
		}),
		row("lots accepted before (32, 1) may become reduced", second, 15, 0, "lots", func() (float64, error) {
			s := stat.Switching{ByScore: true}
			lots := 0
			for ; !s.MayReduce(); lots++ {
				if _, err := s.Judge(small, 1); err != nil {
					return 0, err
				}
			}
			return float64(lots), nil
		}))
	return out
}
