package statcheck

import (
	"errors"
	"fmt"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

func plans() []check.Check {
	const (
		r       = rComputed + " (pbinom)"
		pages   = "samplingplans.com (2006)"
		slides  = "operations-management textbook slides; Poisson"
		chart   = "chart headed ANSI/ASQC Z1.4, MIL-STD-105E, ISO 2859"
		tabled  = " as in the R package AQLSchemes 1.7; all 256 cells in internal/stat/testdata/attribute_plans.csv"
		master  = "MIL-STD-105E, table II-A," + tabled
		tighter = "MIL-STD-105E, table II-B," + tabled
		reduced = "MIL-STD-105E, table II-C," + tabled
	)
	var out []check.Check
	accepts := func(p stat.AcceptancePlan, share float64) func() (float64, error) {
		return func() (float64, error) { return p.Accepts(share) }
	}
	shares := []float64{.005, .01, .02, .03, .05, .06, .08, .10}
	for _, c := range []struct {
		n, c   int
		pa     [8]float64
		points [3]float64
	}{
		{50, 1, [8]float64{.973868, .910565, .735771, .555280, .279432, .190003, .082712, .033786}, [3]float64{.00715, .03334, .07558}},
		{80, 2, [8]float64{.992288, .953447, .784419, .568123, .230621, .134446, .040378, .010684}, [3]float64{.01030, .03329, .06516}},
		{89, 2, [8]float64{.989688, .939690, .736578, .498483, .172077, .091869, .022955, .005014}, [3]float64{.00925, .02993, .05869}},
		{125, 3, [8]float64{.996252, .962551, .758670, .481405, .123785, .053895, .008312, .001042}, [3]float64{.01100, .02930, .05266}},
		{200, 5, [8]float64{.999436, .983977, .786722, .443229, .062342, .017721, .000992, .000039}, [3]float64{.01314, .02830, .04588}},
	} {
		p := stat.AcceptancePlan{N: c.n, C: c.c, Model: stat.PlanBinomial}
		for i, s := range shares {
			out = append(out, row(fmt.Sprintf("plan n %d, c %d, accepts %g", c.n, c.c, s), r, c.pa[i], 5e-7, "1", accepts(p, s)))
		}
		for i, pa := range []float64{.95, .5, .1} {
			out = append(out, row(fmt.Sprintf("plan n %d, c %d, share accepted with %g", c.n, c.c, pa), r, c.points[i], 5e-6, "1",
				func() (float64, error) { return p.QualityAt(pa) }))
		}
	}
	p68 := stat.AcceptancePlan{N: 68, C: 2, Model: stat.PlanBinomial}
	out = append(out,
		row("plan n 68, c 2, accepts .01213", pages, .95, 5e-4, "1", accepts(p68, .01213)),
		row("plan n 68, c 2, accepts .089704", pages, .05, 5e-4, "1", accepts(p68, .089704)),
		row("plan n 36, c 1, accepts np .3552", slides, .95004, 5e-6, "1", accepts(stat.AcceptancePlan{N: 36, C: 1, Model: stat.PlanPoisson}, .3552/36)),
		row("lot of 10 with 2 bad, 3 checked, none bad: C(8,3)/C(10,3)", arithmetic, 56.0/120, 1e-12, "1",
			accepts(stat.AcceptancePlan{N: 3, C: 0, Model: stat.PlanHypergeometric, Lot: 10}, .2)),
	)
	for _, c := range []struct {
		lot, level, n int
	}{{8, 2, 2}, {9, 2, 3}, {281, 2, 50}, {1200, 2, 80}, {1201, 2, 125}, {500001, 2, 1250}, {500001, 3, 2000}, {100, 1, 8}, {15, 1, 2}} {
		out = append(out, row(fmt.Sprintf("sample of a lot of %d at level %d", c.lot, c.level), chart, float64(c.n), 0, "drinks", func() (float64, error) {
			_, n, err := stat.CodeLetter(c.lot, c.level)
			return float64(n), err
		}))
	}
	for _, t := range []struct {
		severity stat.Severity
		source   string
		accept   map[string]int
	}{
		{stat.SeverityNormal, master, map[string]int{"E": 0, "H": 1, "J": 2, "K": 3, "L": 5, "M": 7, "N": 10, "P": 14, "Q": 21}},
		{stat.SeverityTightened, tighter, map[string]int{"F": 0, "J": 1, "K": 2, "L": 3, "M": 5, "N": 8, "P": 12, "Q": 18}},
		{stat.SeverityReduced, reduced, map[string]int{"E": 0, "H": 0, "J": 1, "K": 1, "L": 2, "M": 3, "N": 5, "P": 7, "Q": 10}},
	} {
		for _, letter := range []string{"E", "F", "H", "J", "K", "L", "M", "N", "P", "Q"} {
			want, ok := t.accept[letter]
			if !ok {
				continue
			}
			out = append(out, row(fmt.Sprintf("acceptance number at letter %s, AQL 1.0, %s", letter, t.severity), t.source, float64(want), 0, "drinks", func() (float64, error) {
				m, err := stat.Master(letter, 1, t.severity)
				if err == nil && m.Letter != letter {
					err = errNoPlan
				}
				return float64(m.Accept), err
			}))
		}
	}
	return append(out, trials()...)
}

var errNoPlan = errors.New("the cell holds an arrow")

func trials() []check.Check {
	return []check.Check{
		row("5 checks see a fault in one drink of ten: 1 - 0.9^5", arithmetic, 0.41, 0.005, "1", func() (float64, error) { return stat.PowerToSee(5, 0.1) }),
		row("checks to see a fault in one drink of ten with 90 %: ln .1 / ln .9", arithmetic, 22, 0, "drinks", func() (float64, error) {
			n, err := stat.ChecksToSee(0.1, 0.9)
			return float64(n), err
		}),
		row("trial, pass 85 %, margin 5 points, power 80 %, each arm", arithmetic+": (1.645+0.842)^2 x 2 x .85 x .15/.05^2", 631, 0, "drinks", func() (float64, error) {
			t, err := stat.NonInferiorityN(.85, .05, .05, .80, 30, .03)
			return float64(t.PerArm), err
		}),
		row("the same with 30 alike to 0.03", arithmetic+": 631 x 1.87", 1180, 0, "drinks", func() (float64, error) {
			t, err := stat.NonInferiorityN(.85, .05, .05, .80, 30, .03)
			return float64(t.WithDesign), err
		}),
	}
}

func sequential() []check.Check {
	var out []check.Check
	for _, c := range []struct {
		source         string
		p1             float64
		k, h1, h2, s   float64
		accept, reject int
	}{
		{"NIST/SEMATECH e-Handbook 6.2.6 (-.939, 1.205, .0397), inputs" + fromMemory + ", six digits computed", 0.10, 2.397895, .938862, 1.205379, .039747, 24, 2},
		{"Montgomery, Introduction to Statistical Quality Control (1.22, 1.57, .028), inputs" + fromMemory + ", six digits computed", 0.06, 1.843585, 1.221149, 1.567800, .028111, 0, 0},
	} {
		test := func() (stat.SPRT, error) { return stat.NewSPRT(0.01, c.p1, 0.05, 0.10, 0) }
		name := fmt.Sprintf("sequential test of .01 against %g, ", c.p1)
		out = append(out,
			row(name+"k", c.source, c.k, 5e-7, "1", pick(test, func(t stat.SPRT) float64 { return t.K })),
			row(name+"h1", c.source, c.h1, 5e-7, "drinks", pick(test, func(t stat.SPRT) float64 { return t.H1 })),
			row(name+"h2", c.source, c.h2, 5e-7, "drinks", pick(test, func(t stat.SPRT) float64 { return t.H2 })),
			row(name+"slope", c.source, c.s, 5e-7, "1", pick(test, func(t stat.SPRT) float64 { return t.S })))
		if c.accept > 0 {
			out = append(out,
				row(name+"earliest acceptance", c.source, float64(c.accept), 0, "drinks", pick(test, func(t stat.SPRT) float64 { a, _ := t.Earliest(); return float64(a) })),
				row(name+"earliest rejection", c.source, float64(c.reject), 0, "drinks", pick(test, func(t stat.SPRT) float64 { _, r := t.Earliest(); return float64(r) })))
		}
	}
	return out
}

func screens() []check.Check {
	const bh = "Benjamini & Hochberg, JRSS B 57 (1995) 289-300, section 3.2: 15 p-values, 4 kept at 0.05" + fromMemory
	p := []float64{0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1}
	return []check.Check{
		row("p-values kept of 15 at a false share of 0.05", bh, 4, 0, "1", func() (float64, error) {
			adjusted, err := stat.BenjaminiHochberg(p)
			kept := 0
			for _, a := range adjusted {
				if a <= 0.05 {
					kept++
				}
			}
			return float64(kept), err
		}),
		row("no failure in 200 at a true 4 %: 0.96^200", arithmetic, 0.000285, 5e-7, "1", func() (float64, error) {
			s, err := stat.NoFailuresScreen(200, 0, 0.04)
			return s.P, err
		}),
	}
}
