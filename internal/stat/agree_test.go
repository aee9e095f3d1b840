package stat

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// With repeats the components are recovered and the limit's interval covers.
func TestAgreeRepeated(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	const between, within, bias, runs = 1.5, 1.0, 0.4, 600
	truth := bias + agreeZ*math.Sqrt(between*between+within*within)
	in, sumB, sumW := 0, 0.0, 0.0
	for range runs {
		var a, s []float64
		var site []string
		for i := range 40 {
			own := between * rng.NormFloat64()
			for range 2 + i%3 {
				v := 60 + 3*rng.NormFloat64()
				a, s, site = append(a, v), append(s, v+bias+own+within*rng.NormFloat64()), append(site, fmt.Sprint(i))
			}
		}
		r, err := Agree(a, s, site, 5)
		if err != nil {
			t.Fatal(err)
		}
		if r.UpperCI.Contains(truth) {
			in++
		}
		sumB, sumW = sumB+r.Between/runs, sumW+r.Within/runs
	}
	capNear(t, "between", sumB, between*between, 0.1)
	capNear(t, "within", sumW, within*within, 0.03)
	if share := float64(in) / runs; share < 0.91 || share > 0.98 {
		t.Errorf("the 95 %% interval of the upper limit covers in %.3f of runs", share)
	}
}

func TestAgreeSlope(t *testing.T) {
	// Self-logs that stop at a limit: the difference falls with the true value.
	rng := rand.New(rand.NewPCG(11, 12))
	var a, s []float64
	for range 60 {
		v := 60 + 3*rng.NormFloat64()
		a, s = append(a, v), append(s, min(v, 62)+0.2*rng.NormFloat64())
	}
	r, err := Agree(a, s, nil, 2)
	if err != nil || !r.SlopeSeen || r.Slope.Value >= 0 {
		t.Errorf("slope %+v, %v", r.Slope, err)
	}
}

func TestAgreeRefuses(t *testing.T) {
	three := []float64{1, 2, 3}
	for name, err := range map[string]error{
		"short":     func() error { _, err := Agree(three, three[:2], nil, 1); return err }(),
		"no limit":  func() error { _, err := Agree(three, three, nil, 0); return err }(),
		"two pairs": func() error { _, err := Agree(three[:2], three[:2], nil, 1); return err }(),
		"one site":  func() error { _, err := Agree(three, three, []string{"a", "a", "a"}, 1); return err }(),
		"huge":      func() error { _, err := Agree([]float64{1e300, 0, 0}, []float64{-1e300, 0, 0}, nil, 1); return err }(),
	} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("%s: err = %v, want ErrInput", name, err)
		}
	}
	r, err := Agree(three, three, nil, 1)
	if err != nil || r.Verdict != Agrees || r.SD != 0 {
		t.Errorf("copied values: %+v, %v", r, err)
	}
}
