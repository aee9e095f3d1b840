package stat

import (
	"errors"
	"strconv"
	"strings"
	"testing"
)

// aiag is the study of the AIAG manual: rows are operator and trial, columns
// the ten parts. Recalled data that give the recalled published answers.
const aiag = `A 0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
A 0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
A 0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
B 0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
B 0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
B 0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
C 0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
C -0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
C -0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16`

func aiagStudy(t *testing.T) (parts, operators []string, values []float64) {
	t.Helper()
	for _, line := range strings.Split(aiag, "\n") {
		f := strings.Fields(line)
		for i, s := range f[1:] {
			v, err := strconv.ParseFloat(s, 64)
			if err != nil {
				t.Fatal(err)
			}
			parts, operators, values = append(parts, strconv.Itoa(i)), append(operators, f[0]), append(values, v)
		}
	}
	return parts, operators, values
}

// README of the R package gageRR: 2 parts, 2 operators, 2 repeats.
func TestGaugeANOVAKeepsTheInteraction(t *testing.T) {
	g, err := GaugeANOVA(
		strings.Fields("1 1 1 1 2 2 2 2"), strings.Fields("1 1 2 2 1 1 2 2"),
		[]float64{.0172, .0177, .0174, .0181, .0155, .0159, .0152, .0176}, GaugeOptions{Tolerance: .040})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "SS operator", g.SSOperator, 5e-7, 1e-12)
	near(t, "SS part", g.SSPart, 4.805e-6, 1e-12)
	near(t, "SS interaction", g.SSInteraction, 8e-8, 1e-12)
	near(t, "SS error", g.SSError, 3.33e-6, 1e-12)
	near(t, "repeatability", g.Repeatability.Variance, 8.325e-7, 1e-12)
	near(t, "reproducibility", g.Reproducibility.Variance, 1.05e-7, 1e-12)
	near(t, "part", g.Part.Variance, 1.18125e-6, 1e-12)
	near(t, "contribution", g.GaugeRR.Contribution, .44247788, 1e-8)
	near(t, "study", g.GaugeRR.Study, .6651901, 1e-7)
	near(t, "tolerance", g.GaugeRR.Tolerance, .14523688, 1e-8)
	near(t, "total tolerance", g.Total.Tolerance, .21833890, 1e-8)
}

// AIAG, Measurement Systems Analysis: the worked example in both forms.
func TestGaugeAIAG(t *testing.T) {
	p, o, v := aiagStudy(t)
	g, err := GaugeANOVA(p, o, v, GaugeOptions{PoolAbove: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	if !g.Pooled || g.Distinct != 4 {
		t.Errorf("pooled %v, classes %d; want true, 4", g.Pooled, g.Distinct)
	}
	near(t, "SS part", g.SSPart, 88.3619, 5e-5)
	near(t, "SS operator", g.SSOperator, 3.1673, 5e-5)
	near(t, "SS interaction", g.SSInteraction, .3590, 5e-5)
	near(t, "SS error", g.SSError, 2.7589, 5e-5)
	near(t, "repeatability", g.Repeatability.Variance, .039973, 5e-7)
	near(t, "reproducibility", g.Reproducibility.Variance, .051455, 5e-7)
	near(t, "part", g.Part.Variance, 1.086447, 5e-6)
	near(t, "gauge share", g.GaugeRR.Study, .2786, 5e-5)

	r, err := GaugeAverageRange(p, o, v, GaugeOptions{})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "EV", r.Repeatability.SD, .2019, 5e-5)
	near(t, "AV", r.Reproducibility.SD, .2297, 5e-5)
	near(t, "GRR", r.GaugeRR.SD, .3058, 6e-5)
	near(t, "PV", r.Part.SD, 1.1046, 5e-5)
	near(t, "TV", r.Total.SD, 1.1461, 6e-5)
	near(t, "%GRR", r.GaugeRR.Study, .2668, 6e-5)
	if r.Distinct != 5 {
		t.Errorf("classes %d, want 5", r.Distinct)
	}
}

func TestGaugeRefusesAnUnbalancedStudy(t *testing.T) {
	p, o, v := aiagStudy(t)
	for _, f := range []func([]string, []string, []float64, GaugeOptions) (Gauge, error){GaugeANOVA, GaugeAverageRange} {
		if _, err := f(p[1:], o[1:], v[1:], GaugeOptions{}); !errors.Is(err, ErrInput) {
			t.Errorf("got %v, want ErrInput", err)
		}
	}
}
