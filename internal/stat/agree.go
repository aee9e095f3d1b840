package stat

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/stat/distuv"
)

// AgreeVerdict is the decision of Agree against the limit set before.
type AgreeVerdict string

// The verdicts.
const (
	Agrees     AgreeVerdict = "agrees within the limit"
	Disagrees  AgreeVerdict = "does not agree within the limit"
	AgreeMaybe AgreeVerdict = "cannot tell yet"
)

// Agreement is the answer of Agree. Differences are self-logged less auditor,
// in the unit of the values.
type Agreement struct {
	N        int     `json:"n"`
	Subjects int     `json:"subjects"`
	Repeated bool    `json:"repeated"`
	Limit    float64 `json:"limit"`
	Bias     float64 `json:"bias"`
	BiasSE   float64 `json:"bias_se"`
	BiasCI   Bounds  `json:"bias_ci95"`
	// SD is of one difference; with repeats the root of Between + Within, the
	// variances between subjects and within them.
	SD      float64 `json:"sd"`
	Between float64 `json:"variance_between"`
	Within  float64 `json:"variance_within"`
	// Limits are the 95 % limits of agreement, bias -/+ 1.96 SD, LimitSE the
	// standard error of each, LowerCI and UpperCI their intervals.
	Limits  Bounds  `json:"limits"`
	LimitSE float64 `json:"limit_se"`
	LowerCI Bounds  `json:"lower_limit_ci95"`
	UpperCI Bounds  `json:"upper_limit_ci95"`
	// Slope is of the difference on the mean of the pair, nil where the means
	// do not vary; SlopeSeen says that its interval leaves out 0, so one bias
	// does not describe the whole scale.
	Slope     *Index       `json:"slope,omitempty"`
	SlopeSeen bool         `json:"slope_seen"`
	Verdict   AgreeVerdict `json:"verdict"`
	// Enough is about the number of subjects that would decide; 0 where it is
	// decided, or where more of the same would not help.
	Enough int `json:"enough,omitempty"`
}

// Agree compares auditor and self-logged values of the same drinks by limits of
// agreement, against the limit (above 0) stated before the data were seen.
// subject names what repeated pairs share (the site, the drink); nil says that
// all pairs are independent.
//
// Independent pairs: SE of the bias SD/sqrt(n), of a limit
// sqrt(1/n + 1.96^2/(2(n-1))) SD, about sqrt(3/n) SD.
// Repeated pairs: one-way analysis of variance of the differences by subject;
// between = (MSB-MSW)/n0, not below 0, n0 = (N - sum m^2/N)/(k-1); SD^2 is their
// sum; the SE of a limit by the delta method. Intervals use t with n-1 (or
// subjects less 1) degrees of freedom, and the slope is fitted to subject means.
//
// It agrees when both outer interval ends lie within the limit; it does not
// when the estimate of a limit and its inner end lie beyond it; between, it
// cannot tell yet. Needs 3 subjects. Correlation is not agreement and is not
// given. Sources: Bland and Altman 1986, Lancet i, 307-310; 1999, Statistical
// Methods in Medical Research 8, 135-160; 2007, Journal of Biopharmaceutical
// Statistics 17, 571-582 (from memory).
func Agree(auditor, self []float64, subject []string, limit float64) (Agreement, error) {
	n := len(auditor)
	if len(self) != n {
		return Agreement{}, inputErr("self-logged values", len(self), fmt.Sprintf("one for each auditor value, %d", n))
	}
	if subject != nil && len(subject) != n {
		return Agreement{}, inputErr("pair labels", len(subject), fmt.Sprintf("one a pair, %d", n))
	}
	if !(limit > 0) || math.IsInf(limit, 0) {
		return Agreement{}, inputErr("limit", limit, "a finite number above 0, in the unit of the values, set before looking at them")
	}
	r := Agreement{N: n, Limit: limit}
	at := map[string]int{}
	var by []agreeSubject
	for i := range n {
		d, m := self[i]-auditor[i], self[i]/2+auditor[i]/2
		if math.IsNaN(d) || math.IsInf(d, 0) {
			return r, inputErr("pair", fmt.Sprintf("%g and %g", auditor[i], self[i]), fmt.Sprintf("finite numbers, at place %d", i+1))
		}
		j := len(by)
		if subject != nil {
			if k, ok := at[subject[i]]; ok {
				j = k
			} else {
				at[subject[i]] = j
			}
		}
		if j == len(by) {
			by = append(by, agreeSubject{})
		}
		by[j].add(d, m)
		r.Bias += (d - r.Bias) / float64(i+1)
	}
	r.Subjects = len(by)
	r.Repeated = r.Subjects < n
	if r.Subjects < 3 {
		return r, inputErr("pairs", r.Subjects, "at least 3 unlike subjects; about 30 give useful limits")
	}
	r.components(by)
	t := distuv.StudentsT{Sigma: 1, Nu: float64(r.Subjects - 1)}.Quantile(0.975)
	r.BiasCI = Bounds{r.Bias - t*r.BiasSE, r.Bias + t*r.BiasSE}
	r.Limits = Bounds{r.Bias - agreeZ*r.SD, r.Bias + agreeZ*r.SD}
	h := t * r.LimitSE
	r.LowerCI = Bounds{r.Limits.Lower - h, r.Limits.Lower + h}
	r.UpperCI = Bounds{r.Limits.Upper - h, r.Limits.Upper + h}
	if math.IsNaN(h) || math.IsInf(h, 0) {
		return Agreement{}, inputErr("pairs", h, "differences whose squares do not overflow")
	}
	r.slope(by)
	r.decide(h)
	return r, nil
}

const agreeZ = 1.959963984540054

type agreeSubject struct{ n, d, m, ss float64 }

func (s *agreeSubject) add(d, m float64) {
	s.n++
	e := d - s.d
	s.d += e / s.n
	s.ss += e * (d - s.d)
	s.m += (m - s.m) / s.n
}

func (r *Agreement) components(by []agreeSubject) {
	n, k := float64(r.N), float64(r.Subjects)
	var ssb, ssw, m2 float64
	for _, s := range by {
		ssb += s.n * (s.d - r.Bias) * (s.d - r.Bias)
		ssw += s.ss
		m2 += s.n * s.n
	}
	msb := ssb / (k - 1)
	if !r.Repeated {
		r.Within = msb
		r.SD = math.Sqrt(msb)
		r.BiasSE = r.SD / math.Sqrt(n)
		r.LimitSE = r.SD * math.Sqrt(1/n+agreeZ*agreeZ/(2*(n-1)))
		return
	}
	msw, n0 := ssw/(n-k), (n-m2/n)/(k-1)
	r.Within, r.Between = msw, max(0, (msb-msw)/n0)
	total := r.Between + r.Within
	r.SD = math.Sqrt(total)
	biasVar := r.Between*m2/(n*n) + r.Within/n
	r.BiasSE = math.Sqrt(biasVar)
	// Variance of the total by the delta method; of its root by dividing by 4 total.
	v := 2*msb*msb/((k-1)*n0*n0) + 2*(1-1/n0)*(1-1/n0)*msw*msw/(n-k)
	if total > 0 {
		r.LimitSE = math.Sqrt(biasVar + agreeZ*agreeZ*v/(4*total))
	}
}

func (r *Agreement) slope(by []agreeSubject) {
	k := float64(len(by))
	var mm, md float64
	for _, s := range by {
		mm, md = mm+s.m/k, md+s.d/k
	}
	var sxx, sxy, sse float64
	for _, s := range by {
		sxx += (s.m - mm) * (s.m - mm)
		sxy += (s.m - mm) * (s.d - md)
	}
	if !(sxx > 1e-20*mm*mm) || math.IsInf(sxx, 0) {
		return
	}
	b := sxy / sxx
	for _, s := range by {
		e := s.d - md - b*(s.m-mm)
		sse += e * e
	}
	h := distuv.StudentsT{Sigma: 1, Nu: k - 2}.Quantile(0.975) * math.Sqrt(sse/(k-2)/sxx)
	r.Slope = &Index{b, Bounds{b - h, b + h}}
	r.SlopeSeen = !r.Slope.Contains(0)
}

func (r *Agreement) decide(h float64) {
	switch {
	case r.LowerCI.Lower >= -r.Limit && r.UpperCI.Upper <= r.Limit:
		r.Verdict = Agrees
	case r.LowerCI.Upper < -r.Limit || r.UpperCI.Lower > r.Limit:
		r.Verdict = Disagrees
	default:
		r.Verdict = AgreeMaybe
		// The half width falls with the root of the number of subjects, and has
		// to come below the gap between the nearer estimate and the limit.
		gap := math.Abs(r.Limit - max(math.Abs(r.Limits.Lower), math.Abs(r.Limits.Upper)))
		if gap > 0 && h/gap < 1000 {
			r.Enough = max(r.Subjects+1, int(math.Ceil(float64(r.Subjects)*(h/gap)*(h/gap))))
		}
	}
}

// String gives the result in words, with method and assumptions.
func (r Agreement) String() string {
	var b strings.Builder
	b.WriteString("Agreement of self-logged with auditor values\n")
	b.WriteString("  method       Bland-Altman 95 % limits of agreement, difference = self-logged less auditor\n")
	if r.Repeated {
		b.WriteString("               repeated pairs: variance within and between subjects apart\n")
	}
	b.WriteString("  assumes      the same drink measured twice, blind to each other; normal differences of even spread\n")
	fmt.Fprintf(&b, "  n            %d pairs of %d subjects\n", r.N, r.Subjects)
	fmt.Fprintf(&b, "  bias         %.4g (%.4g to %.4g), standard error %.3g\n", r.Bias, r.BiasCI.Lower, r.BiasCI.Upper, r.BiasSE)
	fmt.Fprintf(&b, "  deviation    %.4g", r.SD)
	if r.Repeated {
		fmt.Fprintf(&b, " (between subjects %.4g, within %.4g)", math.Sqrt(r.Between), math.Sqrt(r.Within))
	}
	fmt.Fprintf(&b, "\n  limits       %.4g (%.4g to %.4g)\n               %.4g (%.4g to %.4g), standard error %.3g each\n",
		r.Limits.Lower, r.LowerCI.Lower, r.LowerCI.Upper, r.Limits.Upper, r.UpperCI.Lower, r.UpperCI.Upper, r.LimitSE)
	switch {
	case r.Slope == nil:
		b.WriteString("  slope        not known: all pairs have one mean\n")
	case r.SlopeSeen:
		fmt.Fprintf(&b, "  slope        %.4g (%.4g to %.4g): the difference changes along the scale, one bias does not describe it\n", r.Slope.Value, r.Slope.Lower, r.Slope.Upper)
	default:
		fmt.Fprintf(&b, "  slope        %.4g (%.4g to %.4g): the difference is not seen to change along the scale\n", r.Slope.Value, r.Slope.Lower, r.Slope.Upper)
	}
	fmt.Fprintf(&b, "  allowed      -%g to %g, stated beforehand\n\nThe self-logged value: %s.", r.Limit, r.Limit, r.Verdict)
	if r.Verdict == AgreeMaybe {
		if r.Enough > 0 {
			fmt.Fprintf(&b, " About %d subjects would decide, if the spread stays as it is.", r.Enough)
		} else {
			b.WriteString(" The limits of agreement lie on the limit; more pairs hardly help.")
		}
	}
	b.WriteString("\n")
	if r.SD == 0 {
		b.WriteString("All differences are equal: ask whether one value was copied from the other.\n")
	}
	return b.String()
}
