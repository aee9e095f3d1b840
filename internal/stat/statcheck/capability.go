package statcheck

import (
	"fmt"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

func capability() []check.Check {
	const half, mean, s = 0.0005, 74.001176, 0.009785039
	o := func(low, high float64) stat.CapabilityOptions {
		return stat.CapabilityOptions{Low: &low, High: &high}
	}
	from := func(mean, sigma float64, n int, o stat.CapabilityOptions) func() (stat.Indices, error) {
		return func() (stat.Indices, error) { return stat.CapabilityFrom(mean, sigma, n, 0, o) }
	}
	off, on := o(73.95, 74.05), o(73.95, 74.05)
	t1, t2 := 74.02, 74.0
	off.Target, on.Target = &t1, &t2
	oneSided := o(73.95, 74.05)
	oneSided.Conf = 0.90 // qcc's limits of Cp_l and Cp_u use the one-sided 95 % deviate
	var out []check.Check
	index := func(name, source string, want, tol float64, fit func() (stat.Indices, error), get func(stat.Indices) *float64) {
		out = append(out, row(name, source, want, tol, "1", pick(fit, func(i stat.Indices) float64 { return orNaN(get(i)) })))
	}
	value := func(get func(stat.Indices) *stat.Index, part int) func(stat.Indices) *float64 {
		return func(i stat.Indices) *float64 {
			x := get(i)
			if x == nil {
				return nil
			}
			return []*float64{&x.Value, &x.Lower, &x.Upper}[part]
		}
	}
	cp := func(i stat.Indices) *stat.Index { return i.C }
	cpk := func(i stat.Indices) *stat.Index { return i.K }
	low := func(i stat.Indices) *stat.Index { return i.CLow }
	high := func(i stat.Indices) *stat.Index { return i.CHigh }
	cpm := func(i stat.Indices) *stat.Index { return i.M }
	three := [3]string{"", ", lower", ", upper"}
	rings := from(mean, s, 125, off)
	for part, want := range [3]float64{1.703, 1.491, 1.915} {
		index("piston rings, Cp"+three[part], qcc, want, half, rings, value(cp, part))
	}
	for part, want := range [3]float64{1.663, 1.448, 1.878} {
		index("piston rings, Cpk"+three[part], qcc, want, half, rings, value(cpk, part))
	}
	for part, want := range [3]float64{1.743, 1.555, 1.932} {
		index("piston rings, low side"+three[part], qcc+"; 90 % interval", want, half, from(mean, s, 125, oneSided), value(low, part))
	}
	for part, want := range [3]float64{1.663, 1.483, 1.844} {
		index("piston rings, high side"+three[part], qcc+"; 90 % interval", want, half, from(mean, s, 125, oneSided), value(high, part))
	}
	index("piston rings, Cpm off target", qcc+"; its interval of this index is not ours, see TestCpmIntervalCovers", 0.786, half, rings, value(cpm, 0))
	for part, want := range [3]float64{1.69103, 1.48, 1.90} {
		index("piston rings, Cpm on target"+three[part], qcc+", more digits recomputed", want, [3]float64{1e-4, 0.005, 0.005}[part], from(mean, s, 125, on), value(cpm, part))
	}
	tight := from(mean, s, 125, o(73.99, 74.1))
	for part, want := range [3]float64{1.874, 1.641, 2.106} {
		index("piston rings, other limits, Cp"+three[part], qcc, want, half, tight, value(cp, part))
	}
	for part, want := range [3]float64{0.381, 0.305, 0.456} {
		index("piston rings, other limits, Cpk"+three[part], qcc, want, half, tight, value(cpk, part))
	}
	const nist = "NIST/SEMATECH e-Handbook 6.1.6" + fromMemory + ", recomputed"
	hand := from(16, 2, 50, o(8, 20))
	index("mean 16, SD 2, limits 8 and 20, Cp", nist, 1, 1e-12, hand, value(cp, 0))
	index("mean 16, SD 2, limits 8 and 20, Cpk", nist, 0.6667, 5e-5, hand, value(cpk, 0))
	index("mean 16, SD 2, limits 8 and 20, low side", nist, 1.3333, 5e-5, hand, value(low, 0))
	for part, want := range [3]float64{1.1111, 0.8725, 1.3497} {
		index("mean 16, SD 1.2, n 50, limits 10 and 20, Cpk"+three[part], "textbook exercise; answer "+rComputed, want, 5e-5, from(16, 1.2, 50, o(10, 20)), value(cpk, part))
	}
	design := o(25, 31)
	index("shot time of mean 28.6, SD 1.2, limits 25 and 31, Cp", arithmetic, 0.83, 0.005, from(28.6, 1.2, 50, design), value(cp, 0))
	index("shot time of mean 28.6, SD 1.2, limits 25 and 31, Cpk", arithmetic, 0.67, 0.005, from(28.6, 1.2, 50, design), value(cpk, 0))
	return out
}

// batches names the batch of each of n values, five a batch.
func batches(n int) stat.Factor {
	f := stat.Factor{Name: "batch"}
	for i := range n {
		f.Levels = append(f.Levels, string(rune('A'+i/5)))
	}
	return f
}

const (
	dyestuff = `1545 1440 1440 1520 1580 1540 1555 1490 1560 1495 1595 1550 1605 1510 1560
1445 1440 1595 1465 1545 1595 1630 1515 1635 1625 1520 1455 1450 1480 1445`
	dyestuff2 = `7.298 3.846 2.434 9.566 7.990 5.220 6.556 0.608 11.788 -0.892 0.110 10.386 13.434 5.510 8.166
2.212 4.852 7.092 9.288 4.980 0.282 9.014 4.458 9.446 7.198 1.722 4.782 8.106 0.758 3.758`
)

func components() []check.Check {
	const (
		davies = "Davies & Goldsmith (1972), 6.4, data; " + lme4
		box    = "Box & Tiao (1973), 5.1.2, data; " + lme4
		page   = "documentation of lme4" + fromMemory
	)
	fit := func(text string, how stat.Likelihood) func() (stat.Variance, error) {
		return func() (stat.Variance, error) {
			x, err := numbers(text)
			if err != nil {
				return stat.Variance{}, err
			}
			return stat.VarianceComponents(x, []stat.Factor{batches(len(x))}, stat.VarianceOptions{Likelihood: how})
		}
	}
	reml, ml, two := fit(dyestuff, stat.REML), fit(dyestuff, stat.ML), fit(dyestuff2, stat.REML)
	at := func(f func() (stat.Variance, error), k int, get func(stat.Component) float64) func() (float64, error) {
		return pick(f, func(v stat.Variance) float64 { return get(v.Components[k]) })
	}
	variance := func(c stat.Component) float64 { return c.Variance }
	lowSD, highSD := func(c stat.Component) float64 { return c.LowSD }, func(c stat.Component) float64 { return c.HighSD }
	return []check.Check{
		row("dyestuff, mean", davies, 1527.5, 1e-6, "1", pick(reml, func(v stat.Variance) float64 { return v.Mean })),
		row("dyestuff, variance between batches, REML", davies, 1764.05, 0.01, "1", at(reml, 0, variance)),
		row("dyestuff, variance within, REML", davies, 2451.25, 0.005, "1", at(reml, 1, variance)),
		row("dyestuff, standard error of the mean: root of MSB/n, MSB 11271.50", davies, 19.38341, 1e-3, "1", pick(reml, func(v stat.Variance) float64 { return v.MeanSE })),
		row("dyestuff, effect of batch A: 5v/(5v+w) (1505 - 1527.5)", identity, -17.60684, 1e-3, "1", pick(reml, func(v stat.Variance) float64 { return v.Effects[0].Effect })),
		row("dyestuff, variance between batches, ML", davies, 1388.3333, 0.01, "1", at(ml, 0, variance)),
		row("dyestuff, deviance, ML", "OpenMx test suite", 327.3271, 5e-5, "1", pick(ml, func(v stat.Variance) float64 { return v.Deviance })),
		row("dyestuff, SD between from, ML profile", page, 12.197461, 0.01, "1", at(ml, 0, lowSD)),
		row("dyestuff, SD between to, ML profile", page, 84.063361, 0.02, "1", at(ml, 0, highSD)),
		row("dyestuff, SD within from, ML profile", page, 38.229972, 0.01, "1", at(ml, 1, lowSD)),
		row("dyestuff, SD within to, ML profile", page, 67.657700, 0.01, "1", at(ml, 1, highSD)),
		row("dyestuff 2, variance between batches is at its boundary", box, 0, 0, "1", at(two, 0, variance)),
		row("dyestuff 2, variance within, REML", box, 13.806310, 1e-5, "1", at(two, 1, variance)),
	}
}

// aiag is the study of the AIAG manual: one operator and trial a line, the ten
// parts across.
const aiag = `0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16`

func gauge() []check.Check {
	const (
		readme = "README of the R package gageRR, data and figures"
		manual = "AIAG, Measurement Systems Analysis" + fromMemory + ": recalled data give the recalled figures"
	)
	small := func() (stat.Gauge, error) {
		return stat.GaugeANOVA([]string{"1", "1", "1", "1", "2", "2", "2", "2"}, []string{"1", "1", "2", "2", "1", "1", "2", "2"},
			[]float64{.0172, .0177, .0174, .0181, .0155, .0159, .0152, .0176}, stat.GaugeOptions{Tolerance: .040})
	}
	study := func(f func([]string, []string, []float64, stat.GaugeOptions) (stat.Gauge, error), o stat.GaugeOptions) func() (stat.Gauge, error) {
		return func() (stat.Gauge, error) {
			x, err := lines(aiag)
			if err != nil {
				return stat.Gauge{}, err
			}
			var parts, operators []string
			var values []float64
			for i, l := range x {
				for j, v := range l {
					parts, operators, values = append(parts, fmt.Sprint(j)), append(operators, fmt.Sprint(i/3)), append(values, v)
				}
			}
			return f(parts, operators, values, o)
		}
	}
	anova, ranges := study(stat.GaugeANOVA, stat.GaugeOptions{PoolAbove: 0.25}), study(stat.GaugeAverageRange, stat.GaugeOptions{})
	var out []check.Check
	add := func(name, source string, want, tol float64, f func() (stat.Gauge, error), get func(stat.Gauge) float64) {
		out = append(out, row(name, source, want, tol, "1", pick(f, get)))
	}
	add("2 x 2 x 2 gauge study, SS operator", readme, 5e-7, 1e-12, small, func(g stat.Gauge) float64 { return g.SSOperator })
	add("2 x 2 x 2 gauge study, SS part", readme, 4.805e-6, 1e-12, small, func(g stat.Gauge) float64 { return g.SSPart })
	add("2 x 2 x 2 gauge study, SS interaction", readme, 8e-8, 1e-12, small, func(g stat.Gauge) float64 { return g.SSInteraction })
	add("2 x 2 x 2 gauge study, SS error", readme, 3.33e-6, 1e-12, small, func(g stat.Gauge) float64 { return g.SSError })
	add("2 x 2 x 2 gauge study, repeatability", readme, 8.325e-7, 1e-12, small, func(g stat.Gauge) float64 { return g.Repeatability.Variance })
	add("2 x 2 x 2 gauge study, reproducibility", readme, 1.05e-7, 1e-12, small, func(g stat.Gauge) float64 { return g.Reproducibility.Variance })
	add("2 x 2 x 2 gauge study, part", readme, 1.18125e-6, 1e-12, small, func(g stat.Gauge) float64 { return g.Part.Variance })
	add("2 x 2 x 2 gauge study, gauge share of variance", readme, .44247788, 1e-8, small, func(g stat.Gauge) float64 { return g.GaugeRR.Contribution })
	add("2 x 2 x 2 gauge study, gauge share of spread", readme, .6651901, 1e-7, small, func(g stat.Gauge) float64 { return g.GaugeRR.Study })
	add("2 x 2 x 2 gauge study, gauge share of tolerance", readme, .14523688, 1e-8, small, func(g stat.Gauge) float64 { return g.GaugeRR.Tolerance })
	add("2 x 2 x 2 gauge study, total share of tolerance", readme, .21833890, 1e-8, small, func(g stat.Gauge) float64 { return g.Total.Tolerance })
	add("10 x 3 x 3 gauge study, SS part", manual, 88.3619, 5e-5, anova, func(g stat.Gauge) float64 { return g.SSPart })
	add("10 x 3 x 3 gauge study, SS operator", manual, 3.1673, 5e-5, anova, func(g stat.Gauge) float64 { return g.SSOperator })
	add("10 x 3 x 3 gauge study, SS interaction", manual, .3590, 5e-5, anova, func(g stat.Gauge) float64 { return g.SSInteraction })
	add("10 x 3 x 3 gauge study, SS error", manual, 2.7589, 5e-5, anova, func(g stat.Gauge) float64 { return g.SSError })
	add("10 x 3 x 3 gauge study, repeatability", manual, .039973, 5e-7, anova, func(g stat.Gauge) float64 { return g.Repeatability.Variance })
	add("10 x 3 x 3 gauge study, reproducibility", manual, .051455, 5e-7, anova, func(g stat.Gauge) float64 { return g.Reproducibility.Variance })
	add("10 x 3 x 3 gauge study, part", manual, 1.086447, 5e-6, anova, func(g stat.Gauge) float64 { return g.Part.Variance })
	add("10 x 3 x 3 gauge study, gauge share of spread", manual, .2786, 5e-5, anova, func(g stat.Gauge) float64 { return g.GaugeRR.Study })
	add("10 x 3 x 3 gauge study, classes told apart", manual, 4, 0, anova, func(g stat.Gauge) float64 { return float64(g.Distinct) })
	add("10 x 3 x 3 by average and range, EV", manual, .2019, 5e-5, ranges, func(g stat.Gauge) float64 { return g.Repeatability.SD })
	add("10 x 3 x 3 by average and range, AV", manual, .2297, 5e-5, ranges, func(g stat.Gauge) float64 { return g.Reproducibility.SD })
	add("10 x 3 x 3 by average and range, GRR", manual, .3058, 6e-5, ranges, func(g stat.Gauge) float64 { return g.GaugeRR.SD })
	add("10 x 3 x 3 by average and range, PV", manual, 1.1046, 5e-5, ranges, func(g stat.Gauge) float64 { return g.Part.SD })
	add("10 x 3 x 3 by average and range, TV", manual, 1.1461, 6e-5, ranges, func(g stat.Gauge) float64 { return g.Total.SD })
	add("10 x 3 x 3 by average and range, gauge share", manual, .2668, 6e-5, ranges, func(g stat.Gauge) float64 { return g.GaugeRR.Study })
	add("10 x 3 x 3 by average and range, classes told apart", manual, 5, 0, ranges, func(g stat.Gauge) float64 { return float64(g.Distinct) })
	return out
}
