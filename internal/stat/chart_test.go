package stat

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"strconv"
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
	})
}
