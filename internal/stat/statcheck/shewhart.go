package statcheck

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

// constants: numerical integration in R; they round to the printed Table A.22
// "Factors for Constructing Control Charts", but for D4(3), printed 2.574.
func constants() []check.Check {
	const source = "numerical integration in R; agrees with the printed Table A.22 \"Factors for Constructing Control Charts\" when rounded, except D4(3)"
	names := [9]string{"d2", "d3", "c4", "A2", "A3", "D3", "D4", "B3", "B4"}
	var out []check.Check
	for n, want := range [][9]float64{
		{1.128379, 0.852502, 0.797885, 1.879971, 2.658681, 0, 3.266532, 0, 3.266532},
		{1.692569, 0.888368, 0.886227, 1.023327, 1.954410, 0, 2.574591, 0, 2.568170},
		{2.058751, 0.879808, 0.921318, 0.728597, 1.628103, 0, 2.282052, 0, 2.266047},
		{2.325929, 0.864082, 0.939986, 0.576819, 1.427299, 0, 2.114499, 0, 2.088998},
		{2.534413, 0.848040, 0.951533, 0.483246, 1.287128, 0, 2.003830, 0.030363, 1.969637},
		{2.704357, 0.833205, 0.959369, 0.419284, 1.181916, 0.075708, 1.924292, 0.117685, 1.882315},
		{2.847201, 0.819831, 0.965030, 0.372527, 1.099095, 0.136171, 1.863829, 0.185090, 1.814910},
		{2.970026, 0.807834, 0.969311, 0.336697, 1.031661, 0.184013, 1.815987, 0.239133, 1.760867},
		{3.077505, 0.797051, 0.972659, 0.308264, 0.975350, 0.223023, 1.776977, 0.283706, 1.716294},
	} {
		for i, name := range names {
			out = append(out, row(fmt.Sprintf("chart constant %s(%d)", name, n+2), source, want[i], 1.5e-6, "1",
				pick(func() (stat.Constants, error) { return stat.ChartConstants(n + 2) }, func(c stat.Constants) float64 {
					return [9]float64{c.D2, c.D3, c.C4, c.A2, c.A3, c.LR, c.UR, c.LS, c.US}[i]
				})))
		}
	}
	const printed = "printed Table A.22 \"Factors for Constructing Control Charts\"; to 0.001, since D4(3) is printed a digit off"
	for _, c := range []struct {
		n    int
		want [7]float64
	}{{2, [7]float64{1.880, 1.128, 0, 3.267, 0.7979, 0, 3.267}}, {3, [7]float64{1.023, 1.693, 0, 2.574, 0.8862, 0, 2.568}},
		{5, [7]float64{0.577, 2.326, 0, 2.114, 0.9400, 0, 2.089}}, {10, [7]float64{0.308, 3.078, 0.223, 1.777, 0.9727, 0.284, 1.716}}} {
		for i, name := range [7]string{"A2", "d2", "D3", "D4", "c4", "B3", "B4"} {
			out = append(out, row(fmt.Sprintf("printed chart constant %s(%d)", name, c.n), printed, c.want[i], 0.001, "1",
				pick(func() (stat.Constants, error) { return stat.ChartConstants(c.n) }, func(k stat.Constants) float64 {
					return [7]float64{k.A2, k.D2, k.LR, k.UR, k.C4, k.LS, k.US}[i]
				})))
		}
	}
	return out
}

// limitRows are centre, lower and upper limit of the first point of a chart.
// NaN stands for no limit, which is checked as 1 (there is none).
func limitRows(name, source, unit string, centre, lower, upper, tol float64, chart func() (*stat.Chart, error)) []check.Check {
	at := func(f func(stat.Limits) float64) func() (float64, error) {
		return pick(chart, func(c *stat.Chart) float64 { return f(c.Points[0].Limits) })
	}
	out := []check.Check{
		row(name+", centre", source, centre, tol, unit, at(func(l stat.Limits) float64 { return l.Centre })),
		row(name+", upper limit", source, upper, tol, unit, at(func(l stat.Limits) float64 { return orNaN(l.Upper) })),
	}
	if math.IsNaN(lower) {
		return append(out, row(name+", has no lower limit", source, 1, 0, "1", at(func(l stat.Limits) float64 {
			if l.Lower == nil {
				return 1
			}
			return 0
		})))
	}
	return append(out, row(name+", lower limit", source, lower, tol, unit, at(func(l stat.Limits) float64 { return orNaN(l.Lower) })))
}

func rings() ([][]float64, error) { return lines(pistonRings) }

func ringsR() (*stat.Charts, error) {
	x, err := rings()
	if err != nil {
		return nil, err
	}
	return stat.XbarR(x, stat.ChartOptions{})
}

func location(f func() (*stat.Charts, error)) func() (*stat.Chart, error) {
	return func() (*stat.Chart, error) {
		c, err := f()
		if err != nil {
			return nil, err
		}
		return c.Location, nil
	}
}

func spreadOf(f func() (*stat.Charts, error)) func() (*stat.Chart, error) {
	return func() (*stat.Chart, error) {
		c, err := f()
		if err != nil {
			return nil, err
		}
		return c.Spread, nil
	}
}

func sigma(c *stat.Chart) float64 { return c.Sigma }

func individuals(text string, o stat.ChartOptions) func() (*stat.Charts, error) {
	return func() (*stat.Charts, error) {
		x, err := numbers(text)
		if err != nil {
			return nil, err
		}
		return stat.Individuals(x, o)
	}
}

// juice is the p chart of the orange juice cans, without some samples.
func juice(without ...int) func() (*stat.Chart, error) {
	return func() (*stat.Chart, error) {
		x, err := numbers(orangeJuice)
		if err != nil {
			return nil, err
		}
		var bad, n []float64
		for i, v := range x {
			skip := false
			for _, w := range without {
				skip = skip || i+1 == w
			}
			if !skip {
				bad, n = append(bad, v), append(n, 50)
			}
		}
		return stat.P(bad, n, stat.ChartOptions{Method: stat.Normal})
	}
}

func shewhart() []check.Check {
	ringsS := func() (*stat.Charts, error) {
		x, err := rings()
		if err != nil {
			return nil, err
		}
		return stat.XbarS(x, stat.ChartOptions{})
	}
	const lots = `8 7 11 3 6 11 4 4 5 8 8 6 7 6 10 7 9 5 6 8 8 10 4 11 4 11 6 6 9 5 4 7 5 7 8 5 10 9 7 9 4 9 4 7 11 8 10 8 7 5`
	const rate = `49.6 47.6 49.9 51.3 47.8 51.2 52.6 52.4 53.6 52.1`
	none := math.NaN()
	given := func(c float64) stat.ChartOptions {
		return stat.ChartOptions{Method: stat.Normal, Given: &stat.Given{Centre: c}}
	}
	var out []check.Check
	add := func(rows ...check.Check) { out = append(out, rows...) }
	add(limitRows("piston rings, mean chart", qcc, "mm", 74.00118, 73.98805, 74.0143, 1e-5, location(ringsR))...)
	add(limitRows("piston rings, range chart", qcc+"; divides by the rounded 2.326", "mm", 0.02276, none, 0.04812533, 1e-6, spreadOf(ringsR))...)
	add(row("piston rings, sigma from the mean range", qcc, 0.009785039, 1e-6, "mm", pick(location(ringsR), sigma)))
	add(limitRows("piston rings, S chart", qcc, "mm", 0.009240037, none, 0.01930242, 1e-8, spreadOf(ringsS))...)
	add(row("piston rings, sigma from the mean S", qcc, 0.009829977, 1e-9, "mm", pick(spreadOf(ringsS), sigma)))
	viscous := individuals(viscosity, stat.ChartOptions{})
	add(limitRows("viscosity, individuals", qcc+"; divides by the rounded 1.128", "1", 34.088, 32.56504, 35.61096, 1e-3, location(viscous))...)
	add(limitRows("viscosity, individuals with exact d2", rComputed, "1", 34.088, 32.565555, 35.610445, 1e-6, location(viscous))...)
	add(row("viscosity, limit of the moving range", rComputed, 1.870519, 1e-6, "1",
		pick(spreadOf(viscous), func(c *stat.Chart) float64 { return orNaN(c.Points[0].Limits.Upper) })))
	add(limitRows("viscosity, batch 4 set aside", qcc+"; divides by the rounded 1.128", "1", 33.98947, 32.75425, 35.2247, 1e-3,
		location(individuals(viscosity, stat.ChartOptions{SetAside: true})))...)
	add(limitRows("orange juice, p chart", qcc, "1", 0.2313333, 0.05242755, 0.4102391, 5e-8, juice())...)
	add(row("orange juice, sigma of one can", qcc, 0.421685, 1e-6, "1", pick(juice(), sigma)))
	add(limitRows("orange juice without samples 15 and 23", qcc, "1", 0.215, 0.04070284, 0.3892972, 5e-8, juice(15, 23))...)
	add(limitRows("50 lots of 200, p chart", "published student reports with qcc 2.7, as proportions", "1", 0.0357, none, 15.01184/200, 1e-7, func() (*stat.Chart, error) {
		x, err := numbers(lots)
		if err != nil {
			return nil, err
		}
		n := make([]float64, len(x))
		for i := range n {
			n[i] = 200
		}
		return stat.P(x, n, stat.ChartOptions{Method: stat.Normal})
	})...)
	add(limitRows("flow rate, individuals", "NIST/SEMATECH e-Handbook 6.3.2.2"+fromMemory+" and recomputed; divides by 1.128", "1", 50.81, 45.8159, 55.8041, 3e-3,
		location(individuals(rate, stat.ChartOptions{})))...)
	add(limitRows("circuit boards, c chart given its mean", qcc, "1", 19.84615, 6.481447, 33.21086, 5e-5, func() (*stat.Chart, error) {
		return stat.C([]float64{20, 21}, given(19.84615))
	})...)
	add(limitRows("circuit boards, u chart given its mean", qcc, "1", 0.1966667, 0.06362532, 0.329708, 1e-6, func() (*stat.Chart, error) {
		return stat.U([]float64{20, 21}, []float64{100, 100}, given(0.1966667))
	})...)
	add(limitRows("drinks between events, mean 99: P(Y > k) = 0.99^(k+1)", arithmetic, "1", 68, none, 657, 0, func() (*stat.Chart, error) {
		return stat.Between([]float64{99, 99}, stat.ChartOptions{Given: &stat.Given{Centre: 99}})
	})...)
	add(limitRows("time between events, mean 10: -10 ln(1-q)", arithmetic, "1", 6.931472, 0.0135081, 66.07726, 1e-5, func() (*stat.Chart, error) {
		return stat.BetweenTimes([]float64{10, 9}, stat.ChartOptions{Given: &stat.Given{Centre: 10}})
	})...)
	return out
}
