package stat

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// SampleSummary is what a comparison of means needs to know of one sample.
type SampleSummary struct {
	N    int     `json:"n"`
	Mean float64 `json:"mean"`
	SD   float64 `json:"sd"`
}

// MeanDifference is the first mean less the second.
type MeanDifference struct {
	Value float64 `json:"value"`
	SE    float64 `json:"se"`
	T     float64 `json:"t"`
	DF    float64 `json:"df"`
	CI    Bounds  `json:"ci"`
}

// Welch compares two means without supposing equal spreads: SE^2 = s1^2/n1 +
// s2^2/n2, with Satterthwaite's degrees of freedom SE^4 / sum (s^4/n^2(n-1)).
// Each sample needs 2 values, and one of them a spread above 0. Source: Welch,
// Biometrika 34 (1947) 28-35; NIST/SEMATECH e-Handbook 1.3.5.3.
func Welch(a, b SampleSummary, conf float64) (MeanDifference, error) {
	if _, err := boundsConf(conf); err != nil {
		return MeanDifference{}, err
	}
	for i, s := range []SampleSummary{a, b} {
		name := [...]string{"first sample", "second sample"}[i]
		if s.N < 2 {
			return MeanDifference{}, inputErr(name, fmt.Sprintf("%d values", s.N), "at least 2")
		}
		if !isFinite(s.Mean) || !isFinite(s.SD) || s.SD < 0 {
			return MeanDifference{}, inputErr(name, fmt.Sprintf("mean %g, SD %g", s.Mean, s.SD), "a finite mean and an SD of 0 or more")
		}
	}
	va, vb := a.SD*a.SD/float64(a.N), b.SD*b.SD/float64(b.N)
	v := va + vb
	if !(v > 0) || !isFinite(v) {
		return MeanDifference{}, inputErr("spread of both samples", v, "above 0 and finite; values that never vary cannot be compared by their spread")
	}
	d := MeanDifference{Value: a.Mean - b.Mean, SE: math.Sqrt(v),
		DF: 1 / (va/v*(va/v)/float64(a.N-1) + vb/v*(vb/v)/float64(b.N-1))}
	d.T = d.Value / d.SE
	h := distuv.StudentsT{Sigma: 1, Nu: d.DF}.Quantile((1+conf)/2) * d.SE
	d.CI = Bounds{d.Value - h, d.Value + h}
	if !isFinite(d.Value) || !isFinite(h) {
		return MeanDifference{}, inputErr("means", d.Value, "means of like size; the difference overflows")
	}
	return d, nil
}

// KolmogorovTail is the chance that the scaled distance of two samples of one
// distribution reaches x: 2 sum (-1)^(j-1) exp(-2 j^2 x^2). Source: Smirnov,
// Annals of Mathematical Statistics 19 (1948) 279-281.
func KolmogorovTail(x float64) float64 {
	if !(x > 0.2) { // below it the tail is 1 to twelve digits
		return 1
	}
	sum, sign := 0.0, 1.0
	for j := 1.0; j <= 100; j++ {
		term := math.Exp(-2 * j * j * x * x)
		sum += sign * term
		if term < 1e-17 {
			break
		}
		sign = -sign
	}
	return min(1, max(0, 2*sum))
}

// TwoSamples compares values taken of different drinks: two distributions, not
// two readings of one thing. Differences are self-logged less auditor.
type TwoSamples struct {
	Auditor SampleSummary  `json:"auditor"`
	Self    SampleSummary  `json:"self_logged"`
	Limit   float64        `json:"limit"`
	Mean    MeanDifference `json:"mean_difference"`
	// Ratio is the self-logged SD over the auditor's, with its F interval; nil
	// where the auditor's values do not vary.
	Ratio *Index `json:"sd_ratio,omitempty"`
	// Distance is the largest gap between the two cumulative shares, PDistance
	// its chance when both samples are of one distribution. Rounded values tie,
	// which makes the true chance smaller.
	Distance  float64      `json:"distance"`
	PDistance float64      `json:"p_distance"`
	Verdict   AgreeVerdict `json:"verdict"`
}

// CompareSamples compares auditor and self-logged values where the drinks are
// not the same, at 95 %: the means agree when Welch's 90 % interval lies within
// the limit (two one-sided tests at 5 %; Schuirmann 1987, from memory), they do
// not when the 95 % interval lies beyond it, else it cannot tell. Two readings
// of one drink say more: see Agree. Needs 5 values on each side.
func CompareSamples(auditor, self []float64, limit float64) (TwoSamples, error) {
	if !(limit > 0) || math.IsInf(limit, 0) {
		return TwoSamples{}, inputErr("limit", limit, "a finite number above 0, in the unit of the values, set before looking at them")
	}
	for _, f := range []struct {
		name string
		x    []float64
	}{{"auditor's values", auditor}, {"self-logged values", self}} {
		if len(f.x) < 5 {
			return TwoSamples{}, inputErr(f.name, len(f.x), "at least 5 to compare distributions")
		}
		if err := chartValues(f.name, f.x); err != nil {
			return TwoSamples{}, err
		}
	}
	summary := func(x []float64) SampleSummary {
		m, sd := spread(x)
		return SampleSummary{len(x), m, sd}
	}
	r := TwoSamples{Auditor: summary(auditor), Self: summary(self), Limit: limit}
	var err error
	if r.Mean, err = Welch(r.Self, r.Auditor, 0.95); err != nil {
		return r, err
	}
	if r.Auditor.SD > 0 && r.Self.SD > 0 {
		f := distuv.F{D1: float64(len(self) - 1), D2: float64(len(auditor) - 1)}
		v := r.Self.SD / r.Auditor.SD
		r.Ratio = &Index{v, Bounds{v / math.Sqrt(f.Quantile(0.975)), v / math.Sqrt(f.Quantile(0.025))}}
	}
	r.Distance = ksDistance(auditor, self)
	n := math.Sqrt(float64(len(auditor)) * float64(len(self)) / float64(len(auditor)+len(self)))
	r.PDistance = KolmogorovTail((n + 0.12 + 0.11/n) * r.Distance) // Stephens 1970, from memory
	tost, err := Welch(r.Self, r.Auditor, 0.90)
	if err != nil {
		return r, err
	}
	switch {
	case tost.CI.Lower >= -limit && tost.CI.Upper <= limit:
		r.Verdict = Agrees
	case r.Mean.CI.Lower > limit || r.Mean.CI.Upper < -limit:
		r.Verdict = Disagrees
	default:
		r.Verdict = AgreeMaybe
	}
	return r, nil
}

func ksDistance(a, b []float64) float64 {
	a, b = slices.Clone(a), slices.Clone(b)
	slices.Sort(a)
	slices.Sort(b)
	i, j, most := 0, 0, 0.0
	for i < len(a) && j < len(b) {
		x := min(a[i], b[j])
		for i < len(a) && a[i] == x {
			i++
		}
		for j < len(b) && b[j] == x {
			j++
		}
		most = max(most, math.Abs(float64(i)/float64(len(a))-float64(j)/float64(len(b))))
	}
	return most
}

// String gives the result in words, with method and assumptions.
func (r TwoSamples) String() string {
	var b strings.Builder
	b.WriteString("Self-logged against auditor values of different drinks\n")
	b.WriteString("  method       Welch's interval of the means, F interval of the deviations, Kolmogorov-Smirnov distance\n")
	b.WriteString("  assumes      drinks chosen alike on both sides; it compares distributions, not two readings of one drink\n")
	fmt.Fprintf(&b, "  n            %d auditor (mean %.4g, deviation %.3g), %d self-logged (mean %.4g, deviation %.3g)\n",
		r.Auditor.N, r.Auditor.Mean, r.Auditor.SD, r.Self.N, r.Self.Mean, r.Self.SD)
	fmt.Fprintf(&b, "  difference   %.3g (%.3g to %.3g), self-logged less auditor\n", r.Mean.Value, r.Mean.CI.Lower, r.Mean.CI.Upper)
	if r.Ratio != nil {
		fmt.Fprintf(&b, "  deviations   ratio %.2f (%.2f to %.2f)", r.Ratio.Value, r.Ratio.Lower, r.Ratio.Upper)
		if r.Ratio.Upper < 1 {
			b.WriteString(": the log varies less than the drinks do; ask how values get into it")
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "  distance     %.2f, chance %.2g if both are alike\n", r.Distance, r.PDistance)
	fmt.Fprintf(&b, "  limit        -%g to %g for the means, stated before\n\nThe means: %s.\n", r.Limit, r.Limit, r.Verdict)
	return b.String()
}
