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

func TestGaugeRefusesAnUnbalancedStudy(t *testing.T) {
	p, o, v := aiagStudy(t)
	for _, f := range []func([]string, []string, []float64, GaugeOptions) (Gauge, error){GaugeANOVA, GaugeAverageRange} {
		if _, err := f(p[1:], o[1:], v[1:], GaugeOptions{}); !errors.Is(err, ErrInput) {
			t.Errorf("got %v, want ErrInput", err)
		}
	}
}
