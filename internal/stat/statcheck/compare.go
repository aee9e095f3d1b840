package statcheck

import (
	"fmt"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

func bounds(name, source string, lo, hi, tol float64, f func() (stat.Bounds, error)) []check.Check {
	return []check.Check{
		row(name+", lower", source, lo, tol, "1", pick(f, func(b stat.Bounds) float64 { return b.Lower })),
		row(name+", upper", source, hi, tol, "1", pick(f, func(b stat.Bounds) float64 { return b.Upper })),
	}
}

func intervals() []check.Check {
	const (
		newcombe = "Newcombe, Statistics in Medicine 17 (1998) 857-872, Table I" + fromMemory + "; ten digits by R prop.test"
		readme   = "README of the package wilson-score-interval, z = 1.96"
		exact    = "Newcombe (1998), Table I, method 5" + fromMemory
		method10 = "Newcombe, Statistics in Medicine 17 (1998) 873-890, method 10" + fromMemory
		garwood  = "Garwood limits in common tables" + fromMemory
	)
	var out []check.Check
	for _, c := range []struct {
		x, n   int
		lo, hi float64
	}{{81, 263, 0.2552885199, 0.3662095770}, {15, 148, 0.0623863995, 0.1604872417}, {0, 20, 0, 0.1611251581}, {1, 29, 0.0061132143, 0.1717552188}, {10, 14, 0.4535091567, 0.8827862136}} {
		out = append(out, bounds(fmt.Sprintf("Wilson interval of %d/%d", c.x, c.n), newcombe, c.lo, c.hi, 5e-11, func() (stat.Bounds, error) { return stat.Wilson(c.x, c.n, 0.95) })...)
	}
	for _, c := range []struct {
		x, n   int
		lo, hi float64
	}{{430, 474, 0.8776750858242243, 0.9301239839930541}, {392, 436, 0.8672311846637769, 0.9239627360567735}, {10, 14, 0.4535045882751561, 0.882788120898909}} {
		out = append(out, bounds(fmt.Sprintf("Wilson interval of %d/%d, z 1.96", c.x, c.n), readme, c.lo, c.hi, 1e-15, func() (stat.Bounds, error) { return stat.WilsonZ(c.x, c.n, 1.96) })...)
	}
	for _, c := range []struct {
		x, n   int
		lo, hi float64
	}{{81, 263, .2527, .3676}, {15, 148, .0578, .1617}, {0, 20, 0, .1684}, {1, 29, .0009, .1776}} {
		out = append(out, bounds(fmt.Sprintf("exact interval of %d/%d", c.x, c.n), exact, c.lo, c.hi, 5e-5, func() (stat.Bounds, error) { return stat.ClopperPearson(c.x, c.n, 0.95) })...)
	}
	out = append(out, bounds("difference of 56/70 and 48/80", method10, .0524, .3339, 5e-5, func() (stat.Bounds, error) {
		_, b, err := stat.Difference(56, 70, 48, 80, 0.95)
		return b, err
	})...)
	for _, c := range []struct {
		x, n   int
		lo, hi float64
	}{{2, 40, .014, .165}, {12, 400, .017, .052}} {
		out = append(out, bounds(fmt.Sprintf("Wilson interval of %d/%d, design figure", c.x, c.n), arithmetic, c.lo, c.hi, 5e-4, func() (stat.Bounds, error) { return stat.Wilson(c.x, c.n, 0.95) })...)
	}
	// A site's ratio of bad over expected has exact Poisson limits: with 10 bad
	// and 10 expected the limits are those of a count of 10.
	ratio := func() (stat.Bounds, error) {
		rows, err := stat.AdjustForMix([]stat.Stratum{{Site: "a", Kind: "k", Bad: 10, N: 100}, {Site: "b", Kind: "k", Bad: 10, N: 100}}, 0.95)
		if err != nil {
			return stat.Bounds{}, err
		}
		return stat.Bounds{Lower: 10 * rows[0].Ratio.Lower, Upper: 10 * rows[0].Ratio.Upper}, nil
	}
	return append(out, bounds("exact Poisson interval of a count of 10", garwood, 4.795, 18.390, 6e-4, ratio)...)
}

func sites() []check.Check {
	const (
		efron  = "Efron & Morris, Scientific American 236 (1977) 119-127" + fromMemory + ", recomputed"
		eight  = "Rubin (1981), data as in Gelman et al., Bayesian Data Analysis" + fromMemory + ", recomputed"
		normal = rComputed
	)
	stein := func() ([]float64, error) {
		hits := []float64{18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7}
		m := 0.0
		for i := range hits {
			hits[i] /= 45
			m += hits[i] / 18
		}
		est, c, err := stat.JamesStein(hits, m*(1-m)/45)
		return append(est, c), err
	}
	schools := func() (stat.ShrunkResult, error) {
		se := []float64{15, 10, 16, 11, 9, 11, 10, 18}
		var s []stat.SiteMean
		for i, y := range []float64{28, 8, -3, 7, -1, 1, 18, 12} {
			s = append(s, stat.SiteMean{Site: fmt.Sprint(i), Mean: y, SE: se[i]})
		}
		return stat.ShrinkNormal(s, 0.95)
	}
	out := []check.Check{
		row("batting records, shrinkage factor", efron, 0.212, 0.0005, "1", pick(stein, func(e []float64) float64 { return e[18] })),
		row("batting records, best of 18 shrunk", efron, 0.294, 0.0005, "1", pick(stein, func(e []float64) float64 { return e[0] })),
		row("batting records, worst of 18 shrunk", efron, 0.242, 0.0005, "1", pick(stein, func(e []float64) float64 { return e[17] })),
		row("eight schools, common mean", eight, 7.7, 0.05, "1", pick(schools, func(r stat.ShrunkResult) float64 { return r.Mean })),
		row("eight schools, spread between by moments", eight, 0, 0, "1", pick(schools, func(r stat.ShrunkResult) float64 { return r.Between })),
		row("eight schools, standard error of the common mean", eight, 4.1, 0.05, "1", pick(schools, func(r stat.ShrunkResult) float64 { return r.Sites[0].Width() / 2 / 1.959964 })),
	}
	for _, c := range []struct{ conf, lo, hi float64 }{{0.95, 0.0412011, 0.1587989}, {0.998, 0.0072930, 0.1927070}} {
		out = append(out, bounds(fmt.Sprintf("normal funnel limits at p 0.1, n 100, %g", c.conf), normal, c.lo, c.hi, 5e-8, func() (stat.Bounds, error) { return stat.FunnelNormal(0.1, 100, c.conf) })...)
	}
	return out
}

// rates are the 18 batters of Efron and Morris by a beta-binomial model. The
// package approximates what is integrated here, under the same prior but for
// spreads that no data of this kind show.
func rates() []check.Check {
	const rgbp = "R package Rgbp (Tak, Kelly and Morris 2017), stored output of its example; approximate there"
	fit := func() (stat.ShrunkResult, error) {
		var s []stat.SiteCount
		for i, hits := range []int{18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7} {
			s = append(s, stat.SiteCount{Site: fmt.Sprint(i + 1), Bad: hits, N: 45})
		}
		return stat.ShrinkRatesUnranked(s, 0.95)
	}
	out := []check.Check{row("batting records, beta-binomial, mean of all", rgbp, 0.267, 0.001, "1", pick(fit, func(r stat.ShrunkResult) float64 { return r.Mean }))}
	for _, c := range []struct {
		at             int
		mean, low, upp float64
	}{{1, .317, .222, .421}, {8, .267, .188, .354}, {11, .250, .172, .337}, {18, .225, .144, .318}} {
		name := fmt.Sprintf("batting records, beta-binomial, player %d, ", c.at)
		of := func(figure func(stat.Shrunk) float64) func() (float64, error) {
			return pick(fit, func(r stat.ShrunkResult) float64 { return figure(r.Sites[c.at-1]) })
		}
		out = append(out,
			row(name+"rate", rgbp, c.mean, 0.013, "1", of(func(s stat.Shrunk) float64 { return s.Mean })),
			row(name+"from", rgbp, c.low, 0.013, "1", of(func(s stat.Shrunk) float64 { return s.Lower })),
			row(name+"to", rgbp, c.upp, 0.013, "1", of(func(s stat.Shrunk) float64 { return s.Upper })))
	}
	return out
}

func agreement() []check.Check {
	const (
		ba   = "Bland & Altman, Lancet i (1986) 307-310, peak flow by two meters" + fromMemory
		nist = "NIST/SEMATECH e-Handbook 1.3.5.3, two-sample t test of AUTO83B.DAT" + fromMemory
		ks   = "common table of the Kolmogorov distribution" + fromMemory
	)
	large := []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini := []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	meters := func() (stat.Agreement, error) { return stat.Agree(mini, large, nil, 50) }
	cars := func() (stat.MeanDifference, error) {
		return stat.Welch(stat.SampleSummary{N: 249, Mean: 20.14458, SD: 6.41470}, stat.SampleSummary{N: 79, Mean: 30.48101, SD: 6.10771}, 0.95)
	}
	out := []check.Check{
		row("two meters, bias", ba, -2.1, 0.05, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.Bias })),
		row("two meters, SD of the differences", ba, 38.8, 0.05, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.SD })),
		row("two meters, standard error of the bias", ba, 9.4, 0.05, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.BiasSE })),
		row("two meters, bias from", ba, -22.1, 0.1, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.BiasCI.Lower })),
		row("two meters, bias to", ba, 17.8, 0.1, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.BiasCI.Upper })),
		row("two meters, standard error of a limit", ba+"; the paper rounds to sqrt(3/n), the fuller form is used here", 16.3, 0.3, "l/min", pick(meters, func(a stat.Agreement) float64 { return a.LimitSE })),
		row("unequal variances, t", nist, -12.94627, 5e-4, "1", pick(cars, func(d stat.MeanDifference) float64 { return d.T })),
		row("unequal variances, degrees of freedom", nist, 136.8750, 5e-3, "1", pick(cars, func(d stat.MeanDifference) float64 { return d.DF })),
	}
	for _, c := range []struct{ x, p float64 }{{1.2238, 0.10}, {1.3581, 0.05}, {1.6276, 0.01}} {
		out = append(out, row(fmt.Sprintf("Kolmogorov tail at %g", c.x), ks, c.p, 5e-5, "1", of(stat.KolmogorovTail(c.x), nil)))
	}
	return out
}
