package stat

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func chartColumns(t *testing.T, name string) [][]float64 {
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
	out := make([][]float64, len(rows[0]))
	for _, row := range rows[1:] {
		for j, cell := range row {
			v, err := strconv.ParseFloat(cell, 64)
			if err != nil {
				t.Fatal(err)
			}
			out[j] = append(out[j], v)
		}
	}
	return out
}

func pistonRings(t *testing.T) [][]float64 {
	cols := chartColumns(t, "pistonrings.csv")
	var out [][]float64
	for i := 0; i < len(cols[1]); i += 5 {
		out = append(out, cols[1][i:i+5])
	}
	return out
}

func chartNear(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.8g, want %.8g within %g", what, got, want, tol)
	}
}

// chartLimits checks the limits of point i; NaN stands for no limit.
func chartLimits(t *testing.T, what string, c *Chart, i int, centre, lower, upper, tol float64) {
	t.Helper()
	l := c.Points[i].Limits
	chartNear(t, what+" centre", l.Centre, centre, tol)
	if math.IsNaN(lower) != (l.Lower == nil) {
		t.Errorf("%s lower limit %v, want %v", what, l.Lower, lower)
	} else if l.Lower != nil {
		chartNear(t, what+" lower", *l.Lower, lower, tol)
	}
	if l.Upper == nil {
		t.Errorf("%s has no upper limit", what)
		return
	}
	chartNear(t, what+" upper", *l.Upper, upper, tol)
}

// d2 d3 c4 A2 A3 D3 D4 B3 B4 to six places: numerical integration in R; they
// round to the printed Table A.22 "Factors for Constructing Control Charts".
func TestChartConstantsAgreeWithTheTables(t *testing.T) {
	for n, want := range map[int][9]float64{
		2:  {1.128379, 0.852502, 0.797885, 1.879971, 2.658681, 0, 3.266532, 0, 3.266532},
		3:  {1.692569, 0.888368, 0.886227, 1.023327, 1.954410, 0, 2.574591, 0, 2.568170},
		4:  {2.058751, 0.879808, 0.921318, 0.728597, 1.628103, 0, 2.282052, 0, 2.266047},
		5:  {2.325929, 0.864082, 0.939986, 0.576819, 1.427299, 0, 2.114499, 0, 2.088998},
		6:  {2.534413, 0.848040, 0.951533, 0.483246, 1.287128, 0, 2.003830, 0.030363, 1.969637},
		7:  {2.704357, 0.833205, 0.959369, 0.419284, 1.181916, 0.075708, 1.924292, 0.117685, 1.882315},
		8:  {2.847201, 0.819831, 0.965030, 0.372527, 1.099095, 0.136171, 1.863829, 0.185090, 1.814910},
		9:  {2.970026, 0.807834, 0.969311, 0.336697, 1.031661, 0.184013, 1.815987, 0.239133, 1.760867},
		10: {3.077505, 0.797051, 0.972659, 0.308264, 0.975350, 0.223023, 1.776977, 0.283706, 1.716294},
	} {
		c, err := ChartConstants(n)
		if err != nil {
			t.Fatal(err)
		}
		got := [9]float64{c.D2, c.D3, c.C4, c.A2, c.A3, c.LR, c.UR, c.LS, c.US}
		for i := range got {
			chartNear(t, "constant "+strconv.Itoa(i)+" of n "+strconv.Itoa(n), got[i], want[i], 1.5e-6)
		}
	}
	// Tables of both print, n: A2 d2 D3 D4 c4 B3 B4, to +/-0.001 since D4(3) is misprinted.
	for n, want := range map[int][7]float64{
		2: {1.880, 1.128, 0, 3.267, 0.7979, 0, 3.267}, 3: {1.023, 1.693, 0, 2.574, 0.8862, 0, 2.568},
		5: {0.577, 2.326, 0, 2.114, 0.9400, 0, 2.089}, 10: {0.308, 3.078, 0.223, 1.777, 0.9727, 0.284, 1.716},
	} {
		c, _ := ChartConstants(n)
		for i, got := range []float64{c.A2, c.D2, c.LR, c.UR, c.C4, c.LS, c.US} {
			chartNear(t, "printed constant", got, want[i], 0.001)
		}
	}
}

// R package qcc 3.0 vignette (L. Scrucca, 2020).
func TestShewhartChartsAgreeWithQCC(t *testing.T) {
	none := math.NaN()
	r, err := XbarR(pistonRings(t), ChartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "xbar", r.Location, 0, 74.00118, 73.98805, 74.0143, 1e-5)
	chartLimits(t, "R", r.Spread, 0, 0.02276, none, 0.04812533, 1e-6) // qcc divides by the rounded 2.326
	chartNear(t, "sigma", r.Location.Sigma, 0.009785039, 1e-6)
	s, err := XbarS(pistonRings(t), ChartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "S", s.Spread, 0, 0.009240037, none, 0.01930242, 1e-8)
	chartNear(t, "sigma from S", s.Spread.Sigma, 0.009829977, 1e-9)

	// qcc divides by the rounded 1.128, hence 1e-3.
	v := chartColumns(t, "viscosity.csv")[1]
	i, err := Individuals(v, ChartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "viscosity", i.Location, 0, 34.088, 32.56504, 35.61096, 1e-3)
	chartLimits(t, "viscosity, exact d2 (R)", i.Location, 0, 34.088, 32.565555, 35.610445, 1e-6)
	chartNear(t, "moving range limit (R)", *i.Spread.Points[0].Limits.Upper, 1.870519, 1e-6)
	if got := i.Location.Signals(); !cmp.Equal(got, []int{3}) {
		t.Errorf("signals at %v, want batch 4", got)
	}
	i, err = Individuals(v, ChartOptions{SetAside: true})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "viscosity without batch 4", i.Location, 0, 33.98947, 32.75425, 35.2247, 1e-3)
	if i.Location.Points[3].SetAside == "" {
		t.Error("batch 4 gives no reason for being set aside")
	}

	oj := chartColumns(t, "orangejuice.csv")
	p, err := P(oj[1], oj[2], ChartOptions{Method: Normal})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "orangejuice", p, 0, 0.2313333, 0.05242755, 0.4102391, 5e-8)
	chartNear(t, "orangejuice sigma", p.Sigma, 0.421685, 1e-6)
	if got := p.Signals(); !cmp.Equal(got, []int{14, 22}) {
		t.Errorf("signals at %v, want samples 15 and 23", got)
	}
	drop := func(x []float64) []float64 {
		var out []float64
		for i, v := range x {
			if i != 14 && i != 22 {
				out = append(out, v)
			}
		}
		return out
	}
	p, err = P(drop(oj[1]), drop(oj[2]), ChartOptions{Method: Normal})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "orangejuice without 15, 23", p, 0, 0.215, 0.04070284, 0.3892972, 5e-8)

	// Published student reports with qcc 2.7: np, 50 lots of 200.
	lots := []float64{8, 7, 11, 3, 6, 11, 4, 4, 5, 8, 8, 6, 7, 6, 10, 7, 9, 5, 6, 8, 8, 10, 4, 11, 4,
		11, 6, 6, 9, 5, 4, 7, 5, 7, 8, 5, 10, 9, 7, 9, 4, 9, 4, 7, 11, 8, 10, 8, 7, 5}
	p, err = P(lots, constant(50, 200), ChartOptions{Method: Normal})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "lots", p, 0, 0.0357, none, 15.01184/200, 1e-7)

	// NIST/SEMATECH 6.3.2.2, recalled and recomputed; it divides by 1.128.
	i, err = Individuals([]float64{49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}, ChartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "flowrate", i.Location, 0, 50.81, 45.8159, 55.8041, 3e-3)
	// qcc circuit, c and u: limits by the formula from the mean alone, phase 2.
	c, err := C([]float64{20, 21}, ChartOptions{Method: Normal, Given: &Given{Centre: 19.84615}})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "circuit c", c, 0, 19.84615, 6.481447, 33.21086, 5e-5)
	c, err = U([]float64{20, 21}, []float64{100, 100}, ChartOptions{Method: Normal, Given: &Given{Centre: 0.1966667}})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "circuit u", c, 0, 0.1966667, 0.06362532, 0.329708, 1e-6)
}

// The EWMA of NIST/SEMATECH 6.3.2.4 (which truncates its limits) and of the
// qcc vignette; the CUSUM arithmetic of 6.3.2.3 with recalled data.
func TestDriftChartsAgreeWithPublishedExamples(t *testing.T) {
	x := []float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	got, err := EWMA(x, EWMADesign{Centre: 50, Sigma: 2.0539, Lambda: 0.3, L: 3, Asymptotic: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range got {
		chartNear(t, "z", p.Z, want[i], 0.00501)
		chartNear(t, "upper", p.Upper, 52.5884, 1e-3)
		chartNear(t, "lower", p.Lower, 47.4115, 1e-3)
		if p.Signal != 0 {
			t.Errorf("point %d signals", i)
		}
	}
	var means []float64
	for _, s := range pistonRings(t) {
		means = append(means, meanOf(s))
	}
	got, err = EWMA(means, EWMADesign{Centre: meanOf(means), Sigma: 0.009785039 / math.Sqrt(5), Lambda: 0.2, L: 3})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range map[int][2]float64{0: {73.99855, 74.00380}, 1: {73.99781, 74.00454}, 24: {73.99680, 74.00555}} {
		chartNear(t, "pistonrings lower", got[i].Lower, want[0], 1e-5)
		chartNear(t, "pistonrings upper", got[i].Upper, want[1], 1e-5)
	}
	y := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625,
		325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	hi := []float64{0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035}
	lo := []float64{0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.7150, 0.1725, 0.2550, 0.3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	sums, err := CUSUM(y, CUSUMDesign{Centre: 325, K: 0.3175, H: 4.1959})
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range sums {
		chartNear(t, "upper sum", p.High, hi[i], 1e-9)
		chartNear(t, "lower sum", p.Low, lo[i], 1e-9)
		if (p.Signal != 0) != (i >= 13) {
			t.Errorf("point %d signals: %d", i+1, p.Signal)
		}
	}
	if since := sums[13].HighSince; since != 2 {
		t.Errorf("shift began %d points ago, want 2", since)
	}
}

func TestRestartForgetsAndRecentres(t *testing.T) {
	var x []float64
	for i := range 24 {
		x = append(x, 36+0.3*float64(i%3)+2*float64(i/12))
	}
	rules, _ := ParseRules("1,2,3,4")
	one, err := Individuals(x, ChartOptions{Rules: rules})
	if err != nil {
		t.Fatal(err)
	}
	if len(one.Location.Signals()) == 0 {
		t.Error("a step of 2 g goes unseen")
	}
	two, err := Individuals(x, ChartOptions{Rules: rules, Restarts: []Restart{{At: 12, Reason: "grinder adjusted"}}})
	if err != nil {
		t.Fatal(err)
	}
	if got := two.Location.Signals(); len(got) != 0 {
		t.Errorf("after a restart the known step signals at %v", got)
	}
	chartNear(t, "second centre", two.Location.Points[12].Limits.Centre, 38.3, 1e-9)
}

func TestExactLimitsHoldTheirErrorRate(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := float64(rapid.IntRange(1, 300).Draw(t, "n"))
		p := rapid.Float64Range(0.001, 0.999).Draw(t, "p")
		c, err := P([]float64{0, n}, []float64{n, n}, ChartOptions{Method: Exact, Given: &Given{Centre: p}})
		if err != nil {
			t.Fatal(err)
		}
		beyond := 0.0
		l := c.Points[0].Limits
		for k := 0.0; k <= n; k++ {
			if l.Upper != nil && k/n > *l.Upper || l.Lower != nil && k/n < *l.Lower {
				a, _ := math.Lgamma(n + 1)
				b, _ := math.Lgamma(k + 1)
				d, _ := math.Lgamma(n - k + 1)
				beyond += math.Exp(a - b - d + k*math.Log(p) + (n-k)*math.Log1p(-p))
			}
		}
		if beyond > 2*tail+1e-9 {
			t.Fatalf("%g of the law lies beyond the limits", beyond)
		}
	})
}

func TestRareAndOverdispersedCharts(t *testing.T) {
	// Geometric law with mean 99, p 0.01: P(Y > k) = 0.99^(k+1) gives the
	// upper limit 657 and the median 68 by hand; below, P(Y < 0) = 0.
	c, err := Between([]float64{99, 99, 700, 0}, ChartOptions{Given: &Given{Centre: 99}})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "g", c, 0, 68, math.NaN(), 657, 0)
	if got := c.Signals(); !cmp.Equal(got, []int{2}) {
		t.Errorf("signals at %v", got)
	}
	// Exponential: -mean log(1-q).
	c, err = BetweenTimes([]float64{10, 0.01, 9}, ChartOptions{Given: &Given{Centre: 10}})
	if err != nil {
		t.Fatal(err)
	}
	chartLimits(t, "t", c, 0, 6.931472, 0.0135081, 66.07726, 1e-5)
	k, n := []float64{100, 300, 110, 280, 90, 310}, constant(6, 1000)
	c, err = P(k, n, ChartOptions{Method: Overdispersed})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Signals()) != 0 || len(c.Notes) < 2 {
		t.Errorf("wandering rate: signals %v, notes %v", c.Signals(), c.Notes)
	}
}

func TestChartsRefuseWhatTheyCannotUse(t *testing.T) {
	nan := math.NaN()
	for name, try := range map[string]func() error{
		"one reading":       func() error { _, err := Individuals([]float64{1}, ChartOptions{}); return err },
		"no reading":        func() error { _, err := Individuals(nil, ChartOptions{}); return err },
		"constant readings": func() error { _, err := Individuals([]float64{1, 1, 1}, ChartOptions{}); return err },
		"NaN":               func() error { _, err := Individuals([]float64{1, nan, 1}, ChartOptions{}); return err },
		"huge readings":     func() error { _, err := Individuals([]float64{1e308, -1e308, 1}, ChartOptions{}); return err },
		"samples of one":    func() error { _, err := XbarR([][]float64{{1}, {2}}, ChartOptions{}); return err },
		"more bad than n":   func() error { _, err := P([]float64{3, 1}, []float64{2, 2}, ChartOptions{}); return err },
		"none bad":          func() error { _, err := P([]float64{0, 0}, []float64{2, 2}, ChartOptions{}); return err },
		"half a count":      func() error { _, err := C([]float64{0.5, 1}, ChartOptions{}); return err },
		"unordered restarts": func() error {
			_, err := Individuals([]float64{1, 2, 3}, ChartOptions{Restarts: []Restart{{At: 0}}})
			return err
		},
		"negative gap":  func() error { _, err := BetweenTimes([]float64{-1, 1}, ChartOptions{}); return err },
		"all gaps zero": func() error { _, err := Between([]float64{0, 0}, ChartOptions{}); return err },
		"rule 5":        func() error { _, err := ParseRules("5"); return err },
		"no rules":      func() error { _, err := Rules(0).ARL(0); return err },
	} {
		if err := try(); !errors.Is(err, ErrInput) {
			t.Errorf("%s: error %v, want ErrInput", name, err)
		}
	}
}

func TestPictureLabelsLimitsAndToleranceApart(t *testing.T) {
	low, high := 33.0, 39.0
	v := chartColumns(t, "viscosity.csv")[1]
	pair, err := Individuals(v, ChartOptions{Name: "yield <wet>", Unit: "g", SetAside: true,
		Restarts:  []Restart{{At: 10, Reason: "new lot"}},
		Tolerance: &Tolerance{Lower: &low, Upper: &high, Source: "spec"}})
	if err != nil {
		t.Fatal(err)
	}
	svg, err := pair.SVG()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<title>", "<desc>", "upper control limit", "tolerance, upper", "yield &lt;wet&gt; (g)", "new lot", "n = 20 points"} {
		if !strings.Contains(svg, want) {
			t.Errorf("picture lacks %q", want)
		}
	}
	if strings.Contains(svg, "NaN") {
		t.Error("picture holds NaN")
	}
}

func FuzzIndividualsStayFinite(f *testing.F) {
	f.Add(1.0, 2.0, 3.0)
	f.Add(0.0, 5e-324, 0.0)
	f.Add(1e15, 1e15+1, 1e15)
	f.Add(1e140, -1e140, 0.0)
	f.Fuzz(func(t *testing.T, a, b, c float64) {
		pair, err := Individuals([]float64{a, b, c}, ChartOptions{SetAside: true})
		if err != nil {
			return
		}
		for _, p := range pair.Location.Points {
			if !isFinite(p.Z) || !isFinite(*p.Limits.Upper) || !isFinite(*p.Limits.Lower) {
				t.Fatalf("point %+v", p)
			}
		}
		svg, err := pair.SVG()
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(svg, "NaN") || len(svg) > 1e5 {
			t.Fatalf("picture of %d bytes: %.2000s", len(svg), svg)
		}
	})
}
