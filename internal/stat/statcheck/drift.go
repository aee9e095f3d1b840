package statcheck

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

func rules() []check.Check {
	const source = "Champ & Woodall, Technometrics 29 (1987), Table 1: "
	recalled := map[string]bool{"1": true, "1,2": true, "1,3": true, "1,4": true, "1,2,3": true, "1,2,3,4": true}
	shifts := []float64{0, 0.2, 0.4, 0.6, 0.8, 1, 1.2, 1.4, 1.6, 1.8, 2, 3}
	var out []check.Check
	for _, c := range []struct {
		rules string
		want  []float64
	}{
		{"1", []float64{370.40, 308.43, 200.08, 119.67, 71.55, 43.89, 27.82, 18.25, 12.38, 8.69, 6.30, 2.00}},
		{"1,2", []float64{225.44, 177.56, 104.46, 57.92, 33.12, 20.01, 12.81, 8.69, 6.21, 4.66, 3.65, 1.68}},
		{"1,3", []float64{166.05, 120.70, 63.88, 33.99, 19.78, 12.66, 8.84, 6.62, 5.24, 4.33, 3.68, 1.89}},
		{"1,4", []float64{152.73, 110.52, 59.76, 33.64, 21.07, 14.58, 10.90, 8.60, 7.03, 5.85, 4.89, 1.99}},
		{"1,2,3", []float64{132.89, 97.86, 52.93, 28.70, 16.93, 10.95, 7.68, 5.75, 4.54, 3.73, 3.14, 1.67}},
		{"1,2,4", []float64{122.05, 89.14, 48.71, 27.49, 17.14, 11.73, 8.61, 6.63, 5.27, 4.27, 3.50, 1.68}},
		{"1,3,4", []float64{105.78, 76.01, 40.95, 23.16, 14.62, 10.19, 7.66, 6.08, 5.01, 4.24, 3.65, 1.89}},
		{"1,2,3,4", []float64{91.75, 66.80, 36.61, 20.91, 13.25, 9.22, 6.89, 5.42, 4.41, 3.68, 3.13, 1.67}},
	} {
		for i, shift := range shifts {
			from := source + "an exact chain built apart from this program"
			if shift == 0 && recalled[c.rules] {
				from = source + "from memory, and recomputed"
			}
			out = append(out, row(shiftName("run length of rules "+c.rules, shift), from, c.want[i], 0.0051, "points", func() (float64, error) {
				set, err := stat.ParseRules(c.rules)
				if err != nil {
					return 0, err
				}
				return set.ARL(shift)
			}))
		}
	}
	return out
}

func ewma() []check.Check {
	const (
		ls3    = "Lucas & Saccucci, Technometrics 32 (1990), Table 3, quoted by spc"
		c87    = "Crowder, Technometrics 29 (1987), Table 1, quoted by spc"
		sas    = "SAS/QC manual (1999), quoted by spc"
		ls5    = "Lucas & Saccucci (1990), Table 5, quoted by spc"
		missed = "; not met to the digit: 493.0 and 85.9 here, 400,000 simulated runs gave 492.5 ± 0.8 and 10^6 gave 85.85 ± 0.09"
		ste    = "Steiner, Journal of Quality Technology 31 (1999), Table 2, quoted by spc; met loosely, our figures agree with simulation"
		c89    = "Crowder, Journal of Quality Technology 21 (1989), quoted by spc"
	)
	var out []check.Check
	for _, c := range []struct {
		source           string
		lambda, l        float64
		shift, want, tol float64
	}{
		{ls3, 0.5, 3.071, 0, 500, 0.5}, {ls3, 0.5, 3.071, 0.25, 255, 0.5}, {ls3, 0.5, 3.071, 0.5, 88.8, 0.051},
		{ls3, 0.5, 3.071, 0.75, 35.9, 0.051}, {ls3, 0.5, 3.071, 1, 17.5, 0.051}, {ls3, 0.5, 3.071, 1.5, 6.53, 0.0051},
		{ls3, 0.5, 3.071, 2, 3.63, 0.0051}, {ls3, 0.5, 3.071, 2.5, 2.50, 0.0051}, {ls3, 0.5, 3.071, 3, 1.93, 0.0051},
		{ls3, 0.5, 3.071, 4, 1.34, 0.0051}, {ls3, 0.03, 2.437, 0, 500, 0.5}, {ls3, 0.03, 2.437, 0.25, 76.7, 0.051},
		{ls3, 0.03, 2.437, 0.5, 29.3, 0.051}, {ls3, 0.03, 2.437, 0.75, 17.6, 0.051}, {ls3, 0.03, 2.437, 1, 12.6, 0.051},
		{ls3, 0.03, 2.437, 2, 5.99, 0.0051}, {ls3, 0.03, 2.437, 3, 4.03, 0.0051}, {ls3, 0.03, 2.437, 4, 3.11, 0.0051},
		{c87, 0.5, 2, 0, 26.45, 0.0051}, {c87, 0.5, 2, 0.25, 20.12, 0.0051}, {c87, 0.5, 2, 0.5, 11.89, 0.0051},
		{c87, 0.5, 2, 0.75, 7.29, 0.0051}, {c87, 0.5, 2, 1, 4.91, 0.0051}, {c87, 0.5, 2, 1.5, 2.80, 0.0051},
		{c87 + "; 1.9452 here", 0.5, 2, 2, 1.94, 0.0053}, {c87, 0.5, 2, 3, 1.26, 0.0051}, {c87, 0.5, 2, 4, 1.05, 0.0051},
		{sas, 0.25, 3, 1, 11.154267016, 1e-8},
		{spc, 0.10, 2.814, 0, 499.580, 0.001}, {spc, 0.10, 2.814, 1, 10.3307, 1e-4}, {spc, 0.20, 2.962, 0, 499.735, 0.001},
		{spc, 0.20, 2.962, 1, 10.5417, 1e-4}, {spc, 0.25, 2.998, 0, 499.836, 0.001}, {spc, 0.25, 2.998, 1, 11.1355, 1e-4},
		{ste, 0.05, 3, 0, 1379, 3.5}, {ste, 0.05, 3, 0.5, 37.4, 0.145}, {ste, 0.05, 3, 1, 13.5, 0.085},
		{ste, 0.05, 3, 2, 6.0, 0.066}, {ste, 0.05, 3, 3, 4.0, 0.061},
	} {
		out = append(out, row(shiftName(fmt.Sprintf("EWMA run length, lambda %g, L %g", c.lambda, c.l), c.shift), c.source, c.want, c.tol, "points",
			func() (float64, error) { return stat.EWMAARL(c.lambda, c.l, c.shift, 0) }))
	}
	for _, c := range []struct {
		source           string
		shift, want, tol float64
	}{{ls5 + missed, 0, 487, 6.5}, {ls5 + missed, 0.5, 86.1, 0.25}, {ls5, 1, 15.9, 0.051}, {ls5, 2, 2.87, 0.0051}, {ls5, 3, 1.45, 0.0051}, {ls5, 5, 1.01, 0.0051}} {
		out = append(out, row(shiftName("EWMA run length with a head start of half the limit, lambda 0.5, L 3.071", c.shift), c.source, c.want, c.tol, "points",
			func() (float64, error) { return stat.EWMAARLHeadStart(0.5, 3.071, c.shift, 0.5) }))
	}
	for _, c := range []struct{ shift, steiner, tol, simulated float64 }{
		{0, 1353, 41, 0}, {0.5, 32.5, 1.03, 32.26}, {1, 9.0, 0.33, 9.263}, {2, 2.8, 0.14, 2.910}, {3, 1.6, 0.1, 1.612},
	} {
		varying := func() (float64, error) { return stat.EWMAARLVarying(0.05, 3, c.shift) }
		name := shiftName("EWMA run length with limits that open, lambda 0.05, L 3", c.shift)
		out = append(out, row(name, ste, c.steiner, c.tol, "points", varying))
		if c.simulated > 0 {
			out = append(out, row(name+", simulated", "300,000 simulated runs", c.simulated, 0.004*c.simulated, "points", varying))
		}
	}
	for _, c := range []struct{ lambda, want float64 }{{0.05, 2.32}, {0.10, 2.55}, {0.15, 2.65}, {0.20, 2.72}, {0.25, 2.76}} {
		out = append(out, row(fmt.Sprintf("EWMA limit for a false alarm in 250 points, lambda %g", c.lambda), c89, c.want, 0.0101, "sigma",
			func() (float64, error) { return stat.EWMALimit(c.lambda, 250) }))
	}
	return append(out, ewmaSeries()...)
}

func ewmaSeries() []check.Check {
	const source = "NIST/SEMATECH e-Handbook 6.3.2.4, quoted in an open-source test"
	const text = `52 47 53 49.3 50.1 47 51 50.1 51.2 50.5 49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1`
	nist := func() ([]stat.EWMAPoint, error) {
		x, err := numbers(text)
		if err != nil {
			return nil, err
		}
		return stat.EWMA(x, stat.EWMADesign{Centre: 50, Sigma: 2.0539, Lambda: 0.3, L: 3, Asymptotic: true})
	}
	out := []check.Check{
		row("EWMA of 20 readings, upper limit", source, 52.5884, 1e-3, "1", pick(nist, func(p []stat.EWMAPoint) float64 { return p[0].Upper })),
		row("EWMA of 20 readings, lower limit", source+"; the page cuts digits off", 47.4115, 1e-3, "1", pick(nist, func(p []stat.EWMAPoint) float64 { return p[0].Lower })),
	}
	for i, want := range []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99} {
		out = append(out, row(fmt.Sprintf("EWMA of 20 readings, point %d", i+1), source, want, 0.00501, "1", pick(nist, func(p []stat.EWMAPoint) float64 { return p[i].Z })))
	}
	means := func() ([]stat.EWMAPoint, error) {
		x, err := rings()
		if err != nil {
			return nil, err
		}
		var m []float64
		grand := 0.0
		for _, s := range x {
			sum := 0.0
			for _, v := range s {
				sum += v / float64(len(s))
			}
			m, grand = append(m, sum), grand+sum/float64(len(x))
		}
		return stat.EWMA(m, stat.EWMADesign{Centre: grand, Sigma: 0.009785039 / math.Sqrt(5), Lambda: 0.2, L: 3})
	}
	for _, c := range []struct {
		at     int
		lo, hi float64
	}{{1, 73.99855, 74.00380}, {2, 73.99781, 74.00454}, {25, 73.99680, 74.00555}} {
		out = append(out,
			row(fmt.Sprintf("piston rings, EWMA lower limit at sample %d", c.at), qcc, c.lo, 1e-5, "mm", pick(means, func(p []stat.EWMAPoint) float64 { return p[c.at-1].Lower })),
			row(fmt.Sprintf("piston rings, EWMA upper limit at sample %d", c.at), qcc, c.hi, 1e-5, "mm", pick(means, func(p []stat.EWMAPoint) float64 { return p[c.at-1].Upper })))
	}
	return out
}

func cusum() []check.Check {
	const (
		lc  = "Lucas & Crosier, Technometrics 24 (1982), Table 1, quoted by spc"
		be  = "Brook & Evans, Biometrika 59 (1972), 4.3, quoted by spc"
		sas = "SAS/QC manual (1999), quoted by spc"
	)
	var out []check.Check
	for _, c := range []struct{ shift, plain, head, tolPlain, tolHead float64 }{
		{0, 168, 149, 0.5, 0.5}, {0.25, 74.2, 62.7, 0.051, 0.051}, {0.5, 26.6, 20.1, 0.051, 0.051},
		{0.75, 13.3, 8.97, 0.051, 0.0051}, {1, 8.38, 5.29, 0.0051, 0.0051}, {1.5, 4.75, 2.86, 0.0051, 0.0051},
		{2, 3.34, 2.01, 0.0051, 0.0051}, {2.5, 2.62, 1.59, 0.0051, 0.0051}, {3, 2.19, 1.32, 0.0051, 0.0055},
		{4, 1.71, 1.07, 0.0051, 0.0051}, {5, 1.31, 1.01, 0.0051, 0.0051},
	} {
		out = append(out,
			row(shiftName("CUSUM run length, k 0.5, h 4", c.shift), lc, c.plain, c.tolPlain, "points", func() (float64, error) { return stat.CUSUMARL(0.5, 4, c.shift, 0) }),
			row(shiftName("CUSUM run length, k 0.5, h 4, head start h/2", c.shift), lc, c.head, c.tolHead, "points", func() (float64, error) { return stat.CUSUMARL(0.5, 4, c.shift, 2) }))
	}
	for _, c := range []struct{ shift, want float64 }{{0, 465.4435}, {0.5, 37.9961}, {1, 10.3760}, {1.5, 5.7472}, {2, 4.0089}, {3, 2.5733}} {
		out = append(out, row(shiftName("CUSUM run length, k 0.5, h 5", c.shift), spc, c.want, 1e-4, "points", func() (float64, error) { return stat.CUSUMARL(0.5, 5, c.shift, 0) }))
	}
	one := func(k, h, shift, start float64) func() (float64, error) {
		return func() (float64, error) { return stat.CUSUMARLOneSided(k, h, shift, start) }
	}
	out = append(out,
		row("one-sided CUSUM run length, k 0.5, h 3, no shift", be+" as 117.59, more digits by spc", 117.5957, 1e-3, "points", one(0.5, 3, 0, 0)),
		row("one-sided CUSUM run length, k 0.5, h 3, shift 1.5", be+" as 3.75, more digits by spc", 3.7491, 1e-4, "points", one(0.5, 3, 1.5, 0)),
		row("one-sided CUSUM run length, k 0.25, h 8, shift 2.5", sas, 4.1500836225, 2e-6, "points", one(0.25, 8, 2.5, 0)),
		row("one-sided CUSUM run length, k 0.25, h 8, shift 2.5, head start 0.1", sas, 4.1061588131, 2e-6, "points", one(0.25, 8, 2.5, 0.1)),
		row("CUSUM run length, k 0.25, h 8, shift 2.5", sas, 4.1500826715, 2e-6, "points", func() (float64, error) { return stat.CUSUMARL(0.25, 8, 2.5, 0) }),
		row("CUSUM h for a false alarm in 465.4435 points, k 0.5", spc, 5, 1e-5, "sigma", func() (float64, error) { return stat.CUSUMInterval(0.5, 465.4435) }))
	const source = "arithmetic on the data of NIST/SEMATECH e-Handbook 6.3.2.3, which are from memory"
	const text = `324.925 324.675 324.725 324.350 325.350 325.225 324.125 324.525 325.225 324.600 324.625 325.150 328.325 327.250 327.825 328.500 326.675 327.775 326.875 328.350`
	series := func() ([]stat.CUSUMPoint, error) {
		x, err := numbers(text)
		if err != nil {
			return nil, err
		}
		return stat.CUSUM(x, stat.CUSUMDesign{Centre: 325, K: 0.3175, H: 4.1959})
	}
	for i, want := range []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035} {
		out = append(out, row(fmt.Sprintf("CUSUM of 20 means, upper sum at %d", i+1), source, want, 1e-9, "1", pick(series, func(p []stat.CUSUMPoint) float64 { return p[i].High })))
	}
	for i, want := range []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0} {
		out = append(out, row(fmt.Sprintf("CUSUM of 20 means, lower sum at %d", i+1), source, want, 1e-9, "1", pick(series, func(p []stat.CUSUMPoint) float64 { return p[i].Low })))
	}
	return out
}
