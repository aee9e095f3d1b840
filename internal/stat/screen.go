package stat

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/stat/distuv"
)

// ScreenKind names one screen of logged values. A screen never says that a log
// is false: it yields a question, with how surprising an honest log would be.
type ScreenKind string

// The nine screens.
const (
	ScreenLastDigit  ScreenKind = "last digit"
	ScreenHeaping    ScreenKind = "heaping on 0 and 5"
	ScreenVariance   ScreenKind = "too little spread"
	ScreenRuns       ScreenKind = "identical runs"
	ScreenDuplicates ScreenKind = "repeated builds"
	ScreenTiming     ScreenKind = "impossible timing"
	ScreenEdge       ScreenKind = "pile-up at the limit"
	ScreenPhysics    ScreenKind = "no drift or no failures"
	ScreenBatch      ScreenKind = "written up together"
)

// family groups the screens that look at the same trait of a log and so are
// not independent of one another.
func (k ScreenKind) family() string {
	switch k {
	case ScreenLastDigit, ScreenHeaping:
		return "digits"
	case ScreenVariance, ScreenRuns, ScreenDuplicates:
		return "repetition"
	case ScreenTiming, ScreenBatch:
		return "clock"
	default:
		return "result"
	}
}

// Screen is the outcome of one screen on one log.
type Screen struct {
	Kind ScreenKind `json:"kind"`
	N    int        `json:"n"`
	// Applies is false where the screen has no meaning for these values; Why
	// then says why, and P is 1.
	Applies bool    `json:"applies"`
	Why     string  `json:"why,omitempty"`
	P       float64 `json:"p"` // of an honest log as odd as this
	// ByRule marks a screen with a rule and no p-value; Hit is its outcome.
	ByRule   bool   `json:"byRule,omitempty"`
	Hit      bool   `json:"hit,omitempty"`
	Finding  string `json:"finding,omitempty"`
	Question string `json:"question,omitempty"`
}

func notApplied(k ScreenKind, n int, format string, args ...any) Screen {
	return Screen{Kind: k, N: n, P: 1, Why: fmt.Sprintf(format, args...)}
}

func spread(values []float64) (mean, sd float64) {
	var r Rollup
	for _, v := range values {
		r.Merge(Rollup{N: 1, Mean: v, Min: v, Max: v})
	}
	sd, _ = r.SD()
	return r.Mean, sd
}

func checkResolution(values []float64, resolution float64) error {
	if err := finiteAll("values", values); err != nil {
		return err
	}
	if !(resolution > 0) || math.IsInf(resolution, 0) {
		return inputErr("resolution", resolution, "above 0, the smallest step that the device shows")
	}
	return nil
}

// LastDigitScreen compares last digits with equal shares by chi-square, 9 df.
// It applies from 50 values whose SD is ten steps or more: nearer than that,
// honest last digits are not equal.
//
// Source: Mosimann et al., Accountability in Research 4 (1995) 31-55.
func LastDigitScreen(values []float64, resolution float64) (Screen, error) {
	const k = ScreenLastDigit
	if err := checkResolution(values, resolution); err != nil {
		return Screen{}, err
	}
	n := len(values)
	if n < 50 {
		return notApplied(k, n, "needs 50 values, has %d", n), nil
	}
	if _, sd := spread(values); sd < 10*resolution {
		return notApplied(k, n, "the SD %.3g is below ten steps of %g: last digits are not equally likely", sd, resolution), nil
	}
	var count [10]int
	for _, v := range values {
		count[lastDigit(v, resolution)]++
	}
	e, x := float64(n)/10, 0.0
	for _, c := range count {
		x += (float64(c) - e) * (float64(c) - e) / e
	}
	return Screen{Kind: k, N: n, Applies: true, P: distuv.ChiSquared{K: 9}.Survival(x),
		Finding:  fmt.Sprintf("chi-square of last digits %.1f, 9 df", x),
		Question: "Are values read off the display to its last digit, or rounded or estimated?"}, nil
}

// HeapingScreen counts last digits 0 and 5 against a share of one in five, by
// the exact binomial tail. It applies from 30 values whose SD is five steps.
func HeapingScreen(values []float64, resolution float64) (Screen, error) {
	const k = ScreenHeaping
	if err := checkResolution(values, resolution); err != nil {
		return Screen{}, err
	}
	n := len(values)
	if n < 30 {
		return notApplied(k, n, "needs 30 values, has %d", n), nil
	}
	if _, sd := spread(values); sd < 5*resolution {
		return notApplied(k, n, "the SD %.3g is below five steps of %g: the share of 0 and 5 depends on the mean", sd, resolution), nil
	}
	c := 0
	for _, v := range values {
		if lastDigit(v, resolution)%5 == 0 {
			c++
		}
	}
	return Screen{Kind: k, N: n, Applies: true, P: upperBinomial(c, n, 0.2),
		Finding:  fmt.Sprintf("%.0f %% of values end in 0 or 5, 20 %% are expected", 100*float64(c)/float64(n)),
		Question: "Is the value rounded to a half or a whole when it is written down?"}, nil
}

// upperBinomial is P(X >= c) for n draws of probability p.
func upperBinomial(c, n int, p float64) float64 {
	switch {
	case c <= 0:
		return 1
	case c > n:
		return 0
	case p <= 0:
		return 0
	case p >= 1:
		return 1
	}
	// P(X >= c) = I_p(c, n-c+1).
	return distuv.Beta{Alpha: float64(c), Beta: float64(n-c) + 1}.CDF(p)
}

// VarianceScreen asks whether the spread is too small for the device and the
// work, by F = s^2/audited^2 in the lower tail. AuditedDF is the degrees of
// freedom of the audited SD, 0 where it is known well (then chi-square). It
// applies from 20 values. A shifted mean with honest spread does not show.
func VarianceScreen(values []float64, auditedSD float64, auditedDF int) (Screen, error) {
	const k = ScreenVariance
	if err := finiteAll("values", values); err != nil {
		return Screen{}, err
	}
	n := len(values)
	if auditedSD == 0 {
		return notApplied(k, n, "needs the SD of audited values of the same measure and device"), nil
	}
	if !(auditedSD > 0) || math.IsInf(auditedSD, 0) || auditedDF < 0 {
		return Screen{}, inputErr("audited SD", auditedSD, "above 0, with 0 or more degrees of freedom")
	}
	if n < 20 {
		return notApplied(k, n, "needs 20 values, has %d", n), nil
	}
	_, sd := spread(values)
	f, df := sd*sd/(auditedSD*auditedSD), float64(n-1)
	p := distuv.ChiSquared{K: df}.CDF(df * f)
	if auditedDF > 0 && f > 0 {
		p = fTail(1/f, float64(auditedDF), df)
	}
	return Screen{Kind: k, N: n, Applies: true, P: p,
		Finding:  fmt.Sprintf("SD %.3g where audits of the same measure have %.3g", sd, auditedSD),
		Question: "Is each build measured by itself, and is anything done here that steadies it so well?"}, nil
}

// RunsScreen bounds the chance of a run of equal consecutive values as long as
// the longest: (n-k+1) sum_j p_j^k over the shown steps, with p_j the larger of
// the rounded normal and the observed share, so it errs towards asking less.
// AuditedSD is used when it is above the SD of the log. Assumes no carry-over
// from one value to the next.
func RunsScreen(values []float64, resolution, auditedSD float64) (Screen, error) {
	const k = ScreenRuns
	if err := checkResolution(values, resolution); err != nil {
		return Screen{}, err
	}
	n := len(values)
	if n < 20 {
		return notApplied(k, n, "needs 20 values, has %d", n), nil
	}
	steps := make([]float64, n)
	share := map[float64]float64{}
	longest, run := 1, 1
	for i, v := range values {
		steps[i] = math.Round(v / resolution)
		share[steps[i]] += 1 / float64(n)
		if i > 0 && steps[i] == steps[i-1] {
			run++
			longest = max(longest, run)
		} else {
			run = 1
		}
	}
	mean, sd := spread(values)
	if auditedSD > 0 {
		sd = math.Max(sd, auditedSD)
	}
	if sd < resolution/4 {
		return notApplied(k, n, "the SD %.3g is small against the step %g: long runs are ordinary", sd, resolution), nil
	}
	norm := distuv.Normal{Mu: mean / resolution, Sigma: sd / resolution}
	sum := 0.0
	for _, j := range sortedKeys(share) {
		p := math.Max(share[j], norm.CDF(j+0.5)-norm.CDF(j-0.5))
		sum += math.Pow(p, float64(longest))
	}
	return Screen{Kind: k, N: n, Applies: true, P: math.Min(1, float64(n-longest+1)*sum),
		Finding:  fmt.Sprintf("%d equal values in a row", longest),
		Question: "Was each of these builds measured, or was the value before carried on?"}, nil
}

func sortedKeys(m map[float64]float64) []float64 {
	out := make([]float64, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	sort.Float64s(out)
	return out
}
