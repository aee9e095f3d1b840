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

func capPtr(v float64) *float64 { return &v }

func TestCapabilityFromPublished(t *testing.T) {
	const half = 0.0005 // half a unit in the last printed digit
	o := func(low, high float64, target *float64) CapabilityOptions {
		return CapabilityOptions{Low: &low, High: &high, Target: target}
	}
	// R package qcc 3.0 vignette, L. Scrucca 2020, data pistonrings 1-25;
	// its mean 74.001176 is printed there as 74.00118.
	got, err := CapabilityFrom(74.001176, 0.009785039, 125, 0, o(73.95, 74.05, capPtr(74.02)))
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name      string
		i         *Index
		v, lo, hi float64
	}{
		{"Cp", got.C, 1.703, 1.491, 1.915},
		{"Cpk", got.K, 1.663, 1.448, 1.878},
	} {
		capNear(t, c.name, c.i.Value, c.v, half)
		capNear(t, c.name+" lower", c.i.Lower, c.lo, half)
		capNear(t, c.name+" upper", c.i.Upper, c.hi, half)
	}
	capNear(t, "Cpl", got.CLow.Value, 1.743, half)
	capNear(t, "Cpu", got.CHigh.Value, 1.663, half)
	capNear(t, "Cpm", got.M.Value, 0.786, half)
	// qcc prints 0.656 to 0.915 for this Cpm, which is what n(1+a^2)/(1+2a^2)
	// degrees of freedom give; Boyles has the numerator squared, which
	// TestCpmIntervalCovers bears out. The two agree near the target (below).
	a2 := math.Pow((74.001176-74.02)/0.009785039, 2)
	d := distuv.ChiSquared{K: 125 * (1 + a2) / (1 + 2*a2)}
	capNear(t, "qcc Cpm lower", got.M.Value*math.Sqrt(d.Quantile(0.025)/d.K), 0.656, half)
	capNear(t, "qcc Cpm upper", got.M.Value*math.Sqrt(d.Quantile(0.975)/d.K), 0.915, half)

	// One-sided limits of qcc use the one-sided 95 % deviate: a 90 % interval.
	one := o(73.95, 74.05, nil)
	one.Conf = 0.90
	got, _ = CapabilityFrom(74.001176, 0.009785039, 125, 0, one)
	capNear(t, "Cpl lower", got.CLow.Lower, 1.555, half)
	capNear(t, "Cpl upper", got.CLow.Upper, 1.932, half)
	capNear(t, "Cpu lower", got.CHigh.Lower, 1.483, half)
	capNear(t, "Cpu upper", got.CHigh.Upper, 1.844, half)

	// Same source, target 74.
	got, _ = CapabilityFrom(74.001176, 0.009785039, 125, 0, o(73.95, 74.05, capPtr(74)))
	capNear(t, "Cpm", got.M.Value, 1.69103, 0.0001)
	capNear(t, "Cpm lower", got.M.Lower, 1.48, 0.005)
	capNear(t, "Cpm upper", got.M.Upper, 1.90, 0.005)

	// Same source, limits 73.99 and 74.1.
	got, _ = CapabilityFrom(74.001176, 0.009785039, 125, 0, o(73.99, 74.1, nil))
	capNear(t, "Cp", got.C.Value, 1.874, half)
	capNear(t, "Cp lower", got.C.Lower, 1.641, half)
	capNear(t, "Cp upper", got.C.Upper, 2.106, half)
	capNear(t, "Cpk", got.K.Value, 0.381, half)
	capNear(t, "Cpk lower", got.K.Lower, 0.305, half)
	capNear(t, "Cpk upper", got.K.Upper, 0.456, half)

	// NIST/SEMATECH e-Handbook 6.1.6, from memory, recomputed.
	got, _ = CapabilityFrom(16, 2, 50, 0, o(8, 20, nil))
	capNear(t, "Cp", got.C.Value, 1, 1e-12)
	capNear(t, "Cpk", got.K.Value, 0.6667, 0.00005)
	capNear(t, "Cpl", got.CLow.Value, 1.3333, 0.00005)

	// Textbook exercise; answer computed with R 4.2.2.
	got, _ = CapabilityFrom(16, 1.2, 50, 0, o(10, 20, nil))
	capNear(t, "Cpk", got.K.Value, 1.1111, 0.00005)
	capNear(t, "Cpk lower", got.K.Lower, 0.8725, 0.00005)
	capNear(t, "Cpk upper", got.K.Upper, 1.3497, 0.00005)
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
	o.Stable = false
	if r, _ = Capability(x, nil, o); !strings.Contains(r.Verdict, "Not shown to be stable") {
		t.Errorf("verdict %q of unstable data", r.Verdict)
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
