package stat

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
)

func capNear(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.8g, want %.8g within %g", what, got, want, tol)
	}
}

// qcc prints 0.656 to 0.915 for the Cpm of its piston rings off target, which
// is what n(1+a^2)/(1+2a^2) degrees of freedom give; Boyles has the numerator
// squared, which TestCpmIntervalCovers bears out. The two agree near the target.
func TestCpmIntervalOfQCCHasOtherDegreesOfFreedom(t *testing.T) {
	low, high, target := 73.95, 74.05, 74.02
	got, err := CapabilityFrom(74.001176, 0.009785039, 125, 0, CapabilityOptions{Low: &low, High: &high, Target: &target})
	if err != nil {
		t.Fatal(err)
	}
	a2 := math.Pow((74.001176-74.02)/0.009785039, 2)
	d := distuv.ChiSquared{K: 125 * (1 + a2) / (1 + 2*a2)}
	capNear(t, "qcc Cpm lower", got.M.Value*math.Sqrt(d.Quantile(0.025)/d.K), 0.656, 0.0005)
	capNear(t, "qcc Cpm upper", got.M.Value*math.Sqrt(d.Quantile(0.975)/d.K), 0.915, 0.0005)
}

// The squared form of Boyles has to cover about as often as it says far from
// the target, where the form printed by qcc is too wide.
func TestCpmIntervalCovers(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	low, high, target := -5.0, 5.0, 2.0
	truth := (high - low) / (6 * math.Sqrt(1+target*target))
	in, runs := 0, 2000
	for range runs {
		x := make([]float64, 60)
		for i := range x {
			x[i] = rng.NormFloat64()
		}
		var m, ss float64
		for i, v := range x {
			d := v - m
			m += d / float64(i+1)
			ss += d * (v - m)
		}
		r, err := CapabilityFrom(m, math.Sqrt(ss/59), 60, 0, CapabilityOptions{Low: &low, High: &high, Target: &target})
		if err != nil {
			t.Fatal(err)
		}
		if r.M.Contains(truth) {
			in++
		}
	}
	if share := float64(in) / float64(runs); share < 0.93 || share > 0.97 {
		t.Errorf("the 95 %% interval of Cpm covers in %.3f of runs", share)
	}
}

func TestCapability(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var x []float64
	var g []string
	for i := range 200 {
		x = append(x, 28+float64(i/5%2)+rng.NormFloat64()) // groups differ by 1
		g = append(g, string(rune('a'+i/5)))
	}
	low, high := 25.0, 31.0
	o := CapabilityOptions{Low: &low, High: &high, Stable: true, Reason: "chart"}
	r, err := Capability(x, g, o)
	if err != nil {
		t.Fatal(err)
	}
	if r.Within.Sigma >= r.Overall.Sigma {
		t.Errorf("within %g is not below overall %g though groups differ", r.Within.Sigma, r.Overall.Sigma)
	}
	// Pp is Cp with the other deviation: no published pair was found.
	capNear(t, "Pp", r.Overall.C.Value, r.Within.C.Value*r.Within.Sigma/r.Overall.Sigma, 1e-12)
	if !strings.Contains(r.Verdict, CommonCause) {
		t.Errorf("verdict %q does not name the common cause", r.Verdict)
	}
	// Nobody vouches: the values speak for themselves.
	o.Stable, o.Reason = false, ""
	steady := make([]float64, 200)
	for i := range steady {
		steady[i] = 28 + rng.NormFloat64()
	}
	if r, _ = Capability(steady, g, o); !r.Stable || !strings.Contains(r.String(), "shown by a chart of these values, sample means") {
		t.Errorf("stable data: %s", r)
	}
	jump := append([]float64(nil), steady...)
	for i := 150; i < len(jump); i++ {
		jump[i] += 4 // the grinder was moved
	}
	r, err = Capability(jump, g, o)
	if err != nil || r.Stable || !strings.Contains(r.Verdict, "Not shown to be stable") {
		t.Errorf("verdict %q of unstable data, %v", r.Verdict, err)
	}
	o.Stable, o.Reason = true, "the jump was a spare basket"
	if r, _ = Capability(jump, g, o); !r.Stable || !strings.Contains(r.String(), "on the caller's word") {
		t.Errorf("vouched for: %s", r)
	}
	o.Stable, o.Reason = false, ""
	if r, _ = Capability(steady[:12], nil, o); r.Stable || !strings.Contains(r.Verdict, "only 12 points, 20 are needed") {
		t.Errorf("12 values: %q", r.Verdict)
	}
	if r, _ = Capability(x, nil, CapabilityOptions{High: &high, Stable: true}); r.Within.C != nil || r.Within.K != r.Within.CHigh {
		t.Error("one limit gives a two-sided index")
	}
	for name, bad := range map[string]func() error{
		"one value":     func() error { _, err := Capability([]float64{1}, nil, o); return err },
		"constant":      func() error { _, err := Capability([]float64{1, 1, 1}, nil, o); return err },
		"NaN":           func() error { _, err := Capability([]float64{1, math.NaN()}, nil, o); return err },
		"no limits":     func() error { _, err := Capability(x, nil, CapabilityOptions{}); return err },
		"crossed":       func() error { _, err := Capability(x, nil, CapabilityOptions{Low: &high, High: &low}); return err },
		"group a value": func() error { _, err := Capability([]float64{1, 2}, []string{"a", "b"}, o); return err },
	} {
		if err := bad(); !errors.Is(err, ErrInput) {
			t.Errorf("%s: err = %v, want ErrInput", name, err)
		}
	}
}
