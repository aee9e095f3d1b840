package stat

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// CapabilityOptions are the limits of a specification, in the unit of the data,
// and what the caller knows of the process. At least one of Low and High is
// needed. With one limit only the one-sided indices exist.
type CapabilityOptions struct {
	Low, High, Target *float64
	// Conf is the confidence of the intervals; 0 stands for 0.95.
	Conf float64
	// Stable is the caller's finding from a control chart made elsewhere; it
	// stands against what the values themselves show (see CheckStability), and
	// the result says both. An unstable process has no capability to speak of:
	// the indices are then given as a description of these data only.
	Stable bool
	// Reason says how the caller looked at stability.
	Reason string
}

func (o CapabilityOptions) check() (conf float64, err error) {
	conf = o.Conf
	if conf == 0 {
		conf = 0.95
	}
	if _, err = boundsConf(conf); err != nil {
		return 0, err
	}
	if o.Low == nil && o.High == nil {
		return 0, inputErr("limits", "none", "a low limit, a high limit, or both")
	}
	for _, f := range []struct {
		name string
		v    *float64
	}{{"low", o.Low}, {"high", o.High}, {"target", o.Target}} {
		if f.v != nil && (math.IsNaN(*f.v) || math.IsInf(*f.v, 0)) {
			return 0, inputErr(f.name, *f.v, "a finite number")
		}
	}
	if o.Low != nil && o.High != nil && *o.Low >= *o.High {
		return 0, inputErr("low", *o.Low, fmt.Sprintf("below the high limit, %g", *o.High))
	}
	if t := o.Target; t != nil && (o.Low != nil && *t < *o.Low || o.High != nil && *t > *o.High) {
		return 0, inputErr("target", *t, "within the limits")
	}
	return conf, nil
}

// Index is one capability index with its interval. The one-sided indices
// Lower and Upper carry intervals of the same two-sided confidence.
type Index struct {
	Value float64 `json:"value"`
	Bounds
}

// Indices are the capability indices for one standard deviation. A nil index
// does not exist for the limits given.
type Indices struct {
	Sigma float64 `json:"sigma"`
	// DF is the degrees of freedom of Sigma that the intervals use.
	DF float64 `json:"df"`
	// C is Cp, or Pp with the overall deviation; CLow, CHigh and K are the
	// low side, the high side and the worse of both; M is Cpm.
	C     *Index `json:"c,omitempty"`
	CLow  *Index `json:"c_low,omitempty"`
	CHigh *Index `json:"c_high,omitempty"`
	K     *Index `json:"c_k,omitempty"`
	M     *Index `json:"c_m,omitempty"`
	// Outside is the share outside the limits that a normal distribution with
	// this mean and deviation would have.
	Outside float64 `json:"outside"`
}

// CapabilityFrom works out the indices of a process with the mean and standard
// deviation sigma estimated from n values with df degrees of freedom (df = 0
// stands for n-1):
//
//	Cp  = (High-Low) / 6 sigma      interval Cp sqrt(chi2_{a/2,df}/df)
//	Cpk = min(High-m, m-Low) / 3 sigma
//	      interval Cpk (1 -/+ z sqrt(1/(9 n Cpk^2) + 1/(2 df)))        (Bissell)
//	Cpm = (High-Low) / 6 sqrt(sigma^2 + (m-T)^2)
//	      interval as Cp with df n(1+a^2)^2/(1+2a^2), a = (m-T)/sigma (Boyles)
//
// All suppose normal values. Bissell's form is approximate below about n = 30.
// Sources: Bissell 1990, Applied Statistics 39, 331-340; Boyles 1991, Journal
// of Quality Technology 23, 17-26 (both from memory; the first two forms give
// the printed figures of the R package qcc).
func CapabilityFrom(mean, sigma float64, n int, df float64, o CapabilityOptions) (Indices, error) {
	conf, err := o.check()
	if err != nil {
		return Indices{}, err
	}
	if n < 2 {
		return Indices{}, inputErr("values", n, "at least 2; give about 50 for a useful interval")
	}
	if math.IsNaN(mean) || math.IsInf(mean, 0) {
		return Indices{}, inputErr("mean", mean, "a finite number")
	}
	if !(sigma > 0) || math.IsInf(sigma, 0) {
		return Indices{}, inputErr("standard deviation", sigma,
			"a finite number above 0; values that never vary mean a stuck or too coarse instrument")
	}
	if df == 0 {
		df = float64(n - 1)
	}
	if !(df > 0) || math.IsInf(df, 0) {
		return Indices{}, inputErr("degrees of freedom", df, "a finite number above 0")
	}
	z, _ := boundsConf(conf)
	r := Indices{Sigma: sigma, DF: df}
	chi := func(v, df float64) *Index {
		d := distuv.ChiSquared{K: df}
		return &Index{v, Bounds{v * math.Sqrt(d.Quantile((1-conf)/2)/df), v * math.Sqrt(d.Quantile((1+conf)/2)/df)}}
	}
	bissell := func(v float64) *Index {
		// Written without dividing by v, so that an index of 0 has an interval.
		half := z * math.Sqrt(1/(9*float64(n))+v*v/(2*df))
		return &Index{v, Bounds{v - half, v + half}}
	}
	if o.Low != nil {
		r.CLow = bissell((mean - *o.Low) / (3 * sigma))
		r.Outside += distuv.UnitNormal.CDF((*o.Low - mean) / sigma)
	}
	if o.High != nil {
		r.CHigh = bissell((*o.High - mean) / (3 * sigma))
		r.Outside += distuv.UnitNormal.CDF((mean - *o.High) / sigma)
	}
	switch {
	case r.CLow == nil:
		r.K = r.CHigh
	case r.CHigh == nil || r.CLow.Value < r.CHigh.Value:
		r.K = r.CLow
	default:
		r.K = r.CHigh
	}
	if o.Low != nil && o.High != nil {
		tol := *o.High - *o.Low
		r.C = chi(tol/(6*sigma), df)
		if o.Target != nil {
			a2 := (mean - *o.Target) * (mean - *o.Target) / (sigma * sigma)
			dfm := (df + 1) * (1 + a2) * (1 + a2) / (1 + 2*a2)
			r.M = chi(tol/(6*sigma*math.Sqrt(1+a2)), dfm)
		}
	}
	for _, i := range []*Index{r.C, r.CLow, r.CHigh, r.K, r.M} {
		if i != nil && (math.IsInf(i.Value+i.Lower+i.Upper, 0) || math.IsNaN(i.Value+i.Lower+i.Upper)) {
			return Indices{}, inputErr("limits", i.Value, "limits of the size of the data; this index overflows")
		}
	}
	return r, nil
}

// CapabilityResult is the answer of Capability.
type CapabilityResult struct {
	N      int      `json:"n"`
	Groups int      `json:"groups,omitempty"`
	Mean   float64  `json:"mean"`
	Low    *float64 `json:"low,omitempty"`
	High   *float64 `json:"high,omitempty"`
	Target *float64 `json:"target,omitempty"`
	Conf   float64  `json:"confidence"`
	// Within holds Cp, Cpk and Cpm (short-term deviation), Overall Pp and Ppk.
	Within       Indices `json:"within"`
	Overall      Indices `json:"overall"`
	WithinMethod string  `json:"within_method"`
	// Observed counts the values outside the limits.
	Observed int `json:"observed_outside"`
	// Chart is what a control chart of these values says. Stable is its answer,
	// unless the caller vouched for stability with a Reason of its own.
	Chart   Stability `json:"stability_chart"`
	Stable  bool      `json:"stable"`
	Reason  string    `json:"stability,omitempty"`
	Verdict string    `json:"verdict"`
}

// Capability works out Cp and Cpk from the deviation within groups, and Pp and
// Ppk from the deviation of all values, in the order of the data.
//
// With groups (one label a value) the deviation within is the pooled one,
// sqrt(sum of squares within / (n-k)). With nil groups it is the mean moving
// range over 1.128, with 0.605(n-1) degrees of freedom (its efficiency against
// s; Cryer and Ryan 1990, from memory), and the order of the values matters.
// Needs at least 2 values, not all equal; below 50 the verdict says the
// interval is wide.
func Capability(x []float64, groups []string, o CapabilityOptions) (CapabilityResult, error) {
	conf, err := o.check()
	if err != nil {
		return CapabilityResult{}, err
	}
	n := len(x)
	if n < 2 {
		return CapabilityResult{}, inputErr("values", n, "at least 2; give about 50 for a useful interval")
	}
	if groups != nil && len(groups) != n {
		return CapabilityResult{}, inputErr("groups", len(groups), fmt.Sprintf("one label a value, %d", n))
	}
	r := CapabilityResult{N: n, Low: o.Low, High: o.High, Target: o.Target, Conf: conf, Stable: o.Stable, Reason: o.Reason}
	var m, ss float64
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return r, inputErr("value", v, fmt.Sprintf("a finite number, at place %d", i+1))
		}
		d := v - m
		m += d / float64(i+1)
		ss += d * (v - m)
		if o.Low != nil && v < *o.Low || o.High != nil && v > *o.High {
			r.Observed++
		}
	}
	r.Mean = m
	if r.Overall, err = CapabilityFrom(m, math.Sqrt(ss/float64(n-1)), n, 0, o); err != nil {
		return r, err
	}
	r.Overall.M = nil // Cpm is given once, beside Cp.
	within, df, err := capWithin(x, groups, &r)
	if err != nil {
		return r, err
	}
	if r.Within, err = CapabilityFrom(m, within, n, df, o); err != nil {
		return r, fmt.Errorf("deviation within: %w", err)
	}
	if r.Chart, err = CheckStability(x, groups); err != nil {
		return r, err
	}
	r.Stable = o.Stable || r.Chart.Stable
	r.Verdict = r.verdict()
	return r, nil
}

func capWithin(x []float64, groups []string, r *CapabilityResult) (sigma, df float64, err error) {
	n := len(x)
	if groups == nil {
		var sum float64
		for i := 1; i < n; i++ {
			sum += math.Abs(x[i] - x[i-1])
		}
		r.WithinMethod = "mean moving range / 1.128, values in the order given"
		return sum / float64(n-1) / 1.128, 0.605 * float64(n-1), nil
	}
	type acc struct{ n, mean, ss float64 }
	by := map[string]*acc{}
	for i, g := range groups {
		a := by[g]
		if a == nil {
			a = &acc{}
			by[g] = a
		}
		a.n++
		d := x[i] - a.mean
		a.mean += d / a.n
		a.ss += d * (x[i] - a.mean)
	}
	seen := map[string]bool{}
	var ss float64
	for _, g := range groups { // in the order of the data, so that sums repeat
		if !seen[g] {
			seen[g] = true
			ss += by[g].ss
		}
	}
	r.Groups, r.WithinMethod = len(by), "pooled within groups"
	if len(by) == n {
		return 0, 0, inputErr("groups", len(by), "at least one group of 2 or more values; leave the groups out to use moving ranges")
	}
	return math.Sqrt(ss / float64(n-len(by))), float64(n - len(by)), nil
}

// CommonCause is the advice for a stable process that cannot hold its limits.
const CommonCause = "common cause: change the method or the tolerance"

func (r CapabilityResult) verdict() string {
	k := r.Within.K
	var s string
	switch {
	case !r.Stable && r.Chart.Points < leastForLimits && r.Chart.Chance >= unstableBelow:
		s = "Not shown to be stable, so these figures describe the data and promise nothing; " + r.Chart.Words + "."
	case !r.Stable:
		s = "Not shown to be stable, so these figures describe the data and promise nothing; find the special causes first."
	case k.Upper < 1:
		s = "Stable and not capable, so this is " + CommonCause + ", not the people."
	case k.Lower >= 1:
		s = "Stable, and the spread fits the limits."
		if k.Lower < 4.0/3 {
			s += " There is little room: the usual wish of 1.33 is not shown."
		}
	case k.Value < 1:
		s = "Stable; probably not capable, but the interval reaches past 1: cannot tell yet. If it stays below 1 it is " + CommonCause + "."
	default:
		s = "Stable; probably capable, but the interval reaches below 1: cannot tell yet."
	}
	if r.N < 50 {
		s += fmt.Sprintf(" Only %d values; about 50 to 100 are needed for a useful interval.", r.N)
	}
	if r.Stable && r.Within.C != nil && r.Within.C.Lower >= 1 && k.Upper < 1 {
		s += " The spread would fit if the mean were set to the middle."
	}
	return s
}

// String gives the result in words, with method and assumptions.
func (r CapabilityResult) String() string {
	var b strings.Builder
	b.WriteString("Capability\n  method       ")
	fmt.Fprintf(&b, "Cp, Cpk from the deviation within (%s); Pp, Ppk from all values\n", r.WithinMethod)
	fmt.Fprintf(&b, "               %.4g %% intervals: chi-square for Cp and Cpm, Bissell for Cpk and the sides\n", 100*r.Conf)
	b.WriteString("  assumes      a stable process and normal values\n")
	fmt.Fprintf(&b, "  stability    %s\n  n            %d values", capReason(r), r.N)
	if r.Groups > 0 {
		fmt.Fprintf(&b, " in %d groups", r.Groups)
	}
	fmt.Fprintf(&b, "\n  mean         %.5g\n", r.Mean)
	for _, side := range []struct {
		name string
		i    Indices
		c    [4]string
	}{{"within", r.Within, [4]string{"Cp", "Cpl", "Cpu", "Cpk"}}, {"overall", r.Overall, [4]string{"Pp", "Ppl", "Ppu", "Ppk"}}} {
		fmt.Fprintf(&b, "  %-12s deviation %.4g, expected outside the limits %s\n", side.name, side.i.Sigma, shareWords(side.i.Outside))
		for j, x := range []*Index{side.i.C, side.i.CLow, side.i.CHigh, side.i.K} {
			capLine(&b, side.c[j], x)
		}
		capLine(&b, "Cpm", side.i.M)
	}
	fmt.Fprintf(&b, "  outside      %d of %d values\n\n%s\n", r.Observed, r.N, r.Verdict)
	return b.String()
}

// shareWords writes a share as a percentage that nobody need count zeros in.
func shareWords(x float64) string {
	switch {
	case x > 0 && x < 1e-5:
		return "less than 0.001 %"
	case x < 1 && x > 1-1e-5:
		return "more than 99.999 %"
	}
	return fmt.Sprintf("%.3g %%", 100*x)
}

func capReason(r CapabilityResult) string {
	s := "not shown"
	if r.Chart.Stable {
		s = "shown"
	}
	s += fmt.Sprintf(" by a chart of these values, %s: %s", r.Chart.Method, r.Chart.Words)
	if r.Reason != "" {
		s += "\n               the caller says: " + r.Reason
	}
	if r.Stable && !r.Chart.Stable {
		s += "\n               taken as stable on the caller's word"
	}
	return s
}

func capLine(b *strings.Builder, name string, i *Index) {
	if i != nil {
		fmt.Fprintf(b, "    %-10s %.3f  (%.3f to %.3f)\n", name, i.Value, i.Lower, i.Upper)
	}
}
