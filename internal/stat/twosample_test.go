package stat

import (
	"errors"
	"math/rand/v2"
	"testing"
)

func TestCompareSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(21, 22))
	draw := func(n int, mean, sd float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = mean + sd*rng.NormFloat64()
		}
		return x
	}
	a := draw(200, 60, 2)
	for _, c := range []struct {
		name string
		self []float64
		want AgreeVerdict
	}{
		{"alike", draw(400, 60, 2), Agrees},
		{"3 C off", draw(400, 63, 2), Disagrees},
		{"few", draw(5, 60, 2), AgreeMaybe},
	} {
		r, err := CompareSamples(a, c.self, 1)
		if err != nil || r.Verdict != c.want {
			t.Errorf("%s: %s, %v\n%s", c.name, r.Verdict, err, r)
		}
	}
	r, err := CompareSamples(a, draw(400, 60, 0.5), 1)
	if err != nil || r.Ratio.Upper >= 1 || r.PDistance > 1e-3 {
		t.Errorf("a log that hardly varies: %+v, %v", r, err)
	}
	// One distribution: the chance of the distance is spread evenly.
	below, runs := 0, 600
	for range runs {
		r, err := CompareSamples(draw(60, 0, 1), draw(80, 0, 1), 1)
		if err != nil {
			t.Fatal(err)
		}
		if r.PDistance < 0.1 {
			below++
		}
	}
	if share := float64(below) / float64(runs); share > 0.13 {
		t.Errorf("a chance below 0.1 comes in %.3f of honest comparisons", share)
	}
	for name, err := range map[string]error{
		"four values": func() error { _, err := CompareSamples(a[:4], a, 1); return err }(),
		"no limit":    func() error { _, err := CompareSamples(a, a, 0); return err }(),
		"constant":    func() error { _, err := CompareSamples(make([]float64, 5), make([]float64, 5), 1); return err }(),
	} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
}
