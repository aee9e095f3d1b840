package stat

import (
	"fmt"
	"math"
	"sort"
	"time"

	"gonum.org/v1/gonum/mat"
	gonum "gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// DuplicatesScreen counts builds that repeat an earlier build in every
// measure, such as dose, yield and time. Under a normal law the chance that
// two builds agree is prod r_k / ((4 pi)^(d/2) sqrt(det S)), with r_k the steps
// and S the covariance; the count is judged as Poisson. It applies from 20
// builds of two or more measures, each with an SD of half its step or more.
func DuplicatesScreen(builds [][]float64, resolutions []float64) (Screen, error) {
	const k = ScreenDuplicates
	n, d := len(builds), len(resolutions)
	if n < 20 || d < 2 {
		return notApplied(k, n, "needs 20 builds of two or more measures"), nil
	}
	data := mat.NewDense(n, d, nil)
	seen := map[string]int{}
	repeats := 0
	for i, b := range builds {
		if len(b) != d {
			return Screen{}, inputErr("measures of a build", len(b), fmt.Sprintf("%d, one for each resolution", d))
		}
		key := ""
		for j, v := range b {
			if err := checkResolution([]float64{v}, resolutions[j]); err != nil {
				return Screen{}, err
			}
			step := math.Round(v/resolutions[j]) + 0 // no negative zero
			data.Set(i, j, step)
			key += fmt.Sprintf("%.0f ", step)
		}
		repeats += min(1, seen[key])
		seen[key]++
	}
	var cov mat.SymDense
	gonum.CovarianceMatrix(&cov, data, nil)
	for j := range d {
		if cov.At(j, j) < 0.25 {
			return notApplied(k, n, "measure %d hardly moves on its display: equal builds are ordinary", j+1), nil
		}
	}
	det := mat.Det(&cov)
	if !(det > 1e-9) {
		return notApplied(k, n, "the measures go along with each other entirely"), nil
	}
	p := math.Min(1, 1/(math.Pow(4*math.Pi, float64(d)/2)*math.Sqrt(det)))
	pairs := float64(n) * float64(n-1) / 2
	return Screen{Kind: k, N: n, Applies: true, P: upperPoisson(repeats, pairs*p),
		Finding:  fmt.Sprintf("%d builds repeat an earlier one in all %d measures, about %.1f are expected", repeats, d, pairs*p),
		Question: "Were these builds measured, or was an earlier entry copied?"}, nil
}

// upperPoisson is P(X >= c) at mean m.
func upperPoisson(c int, m float64) float64 {
	if c <= 0 {
		return 1
	}
	return distuv.Gamma{Alpha: float64(c), Beta: 1}.CDF(m)
}

// Shot is one shot on one group of one machine, by the machine's own clock.
type Shot struct {
	Start    time.Time
	Duration time.Duration
}

// TimingScreen counts shots, in order of start, that begin before the one
// before on the same group ended, less the resolution of the clock. It is a
// rule, not a p-value: it asks from two such pairs on, one may be a slip.
func TimingScreen(shots []Shot, clock time.Duration) (Screen, error) {
	const k = ScreenTiming
	if len(shots) < 2 {
		return notApplied(k, len(shots), "needs two shots on one group"), nil
	}
	hits := 0
	for i, s := range shots {
		if s.Duration < 0 {
			return Screen{}, inputErr("duration", s.Duration, "0 or more")
		}
		if i == 0 {
			continue
		}
		if s.Start.Before(shots[i-1].Start) {
			return Screen{}, inputErr("start", s.Start, "shots in order of start")
		}
		if s.Start.Add(clock).Before(shots[i-1].Start.Add(shots[i-1].Duration)) {
			hits++
		}
	}
	return Screen{Kind: k, N: len(shots), Applies: true, P: 1, ByRule: true, Hit: hits >= 2,
		Finding:  fmt.Sprintf("%d shots begin before the one before has ended", hits),
		Question: "Were shots logged to the wrong group, or times entered by hand?"}, nil
}

// EdgeScreen counts values just inside a limit against just outside, both
// within width of it, and compares with a normal law of the log's own median
// and interquartile range, its uncertainty allowed for. Upper says on which
// side the limit allows. It applies from 50 values and 10 of them near the
// limit. Values at the limit count as inside.
func EdgeScreen(values []float64, limit, width, resolution float64, upper bool) (Screen, error) {
	const k = ScreenEdge
	if err := checkResolution(values, resolution); err != nil {
		return Screen{}, err
	}
	if !(width > 0) || math.IsNaN(limit) || math.IsInf(limit+width, 0) {
		return Screen{}, inputErr("width", width, "above 0 and finite, as is the limit")
	}
	n := len(values)
	if n < 50 {
		return notApplied(k, n, "needs 50 values, has %d", n), nil
	}
	sign := 1.0
	if !upper {
		sign = -1
	}
	in, out := 0, 0
	x := make([]float64, n)
	for i, v := range values {
		x[i] = sign * (v - limit)
		switch {
		case x[i] <= resolution/4 && x[i] > -width+resolution/4:
			in++
		case x[i] > resolution/4 && x[i] <= width+resolution/4:
			out++
		}
	}
	if in+out < 10 {
		return notApplied(k, n, "only %d values near the limit, needs 10", in+out), nil
	}
	q1, med, q3 := quartiles(x)
	sd := math.Max((q3-q1)/1.349, resolution)
	share := func(mu, sd float64) float64 {
		f := distuv.Normal{Mu: mu, Sigma: sd}
		edge := resolution / 2
		a, b, c := f.CDF(edge-width), f.CDF(edge), f.CDF(edge+width)
		if c-a < 1e-12 {
			return 1
		}
		return (b - a) / (c - a)
	}
	p := share(med, sd)
	// The median and the quartile spread of n normal values have standard
	// errors 1.25 and 1.17 SD/sqrt(n).
	root := math.Sqrt(float64(n))
	dm := math.Abs(share(med-1.25*sd/root, sd) - p)
	ds := math.Abs(share(med, sd*(1-1.17/root)) - p)
	m := float64(in + out)
	se := math.Sqrt(m*p*(1-p) + m*m*(dm*dm+ds*ds))
	tail := upperBinomial(in, in+out, p)
	if se > 0 {
		tail = math.Max(tail, distuv.UnitNormal.Survival((float64(in)-0.5-m*p)/se))
	}
	return Screen{Kind: k, N: n, Applies: true, P: tail,
		Finding:  fmt.Sprintf("%d values just inside the limit %g and %d just outside, about %.0f and %.0f are expected", in, limit, out, m*p, m*(1-p)),
		Question: "What happens with a build that comes out just past the limit: is it logged as it was?"}, nil
}

// quartiles of values, by linear interpolation.
func quartiles(values []float64) (q1, median, q3 float64) {
	s := append([]float64(nil), values...)
	sort.Float64s(s)
	at := func(p float64) float64 { return gonum.Quantile(p, gonum.LinInterp, s, nil) }
	return at(0.25), at(0.5), at(0.75)
}

// NoFailuresScreen is the chance (1-rate)^n of no failure where audits fail at
// the given rate; with failures, the lower binomial tail, which is 1 where all
// failed.
func NoFailuresScreen(n, failures int, auditedRate float64) (Screen, error) {
	const k = ScreenPhysics
	if n < 0 || failures < 0 || failures > n {
		return Screen{}, inputErr("failures", failures, fmt.Sprintf("0 to n = %d", n))
	}
	if auditedRate == 0 || n == 0 {
		return notApplied(k, n, "needs checks and the share that fails in audits"), nil
	}
	if !(auditedRate > 0 && auditedRate < 1) {
		return Screen{}, inputErr("audited rate", auditedRate, "above 0 and below 1")
	}
	// As many failures or fewer is as many passes or more; said so, all n
	// failed has probability 1 and small tails keep their digits.
	p := upperBinomial(n-failures, n, 1-auditedRate)
	return Screen{Kind: k, N: n, Applies: true, P: p,
		Finding:  fmt.Sprintf("%d of %d failed where audits fail at %.1f %%", failures, n, 100*auditedRate),
		Question: "Are builds that fail logged as well, or only those that pass?"}, nil
}

// NoDriftScreen regresses values on hours since the last adjustment and asks
// whether the slope is below the audited drift, one-sided t. AuditedSlope is
// the least slope that audits saw, in units an hour, of either sign.
func NoDriftScreen(values, hours []float64, auditedSlope float64) (Screen, error) {
	const k = ScreenPhysics
	n := len(values)
	if len(hours) != n {
		return Screen{}, inputErr("hours", len(hours), fmt.Sprintf("one for each of the %d values", n))
	}
	if err := finiteAll("values", values); err != nil {
		return Screen{}, err
	}
	if err := finiteAll("hours", hours); err != nil {
		return Screen{}, err
	}
	if n < 20 || auditedSlope == 0 || math.IsNaN(auditedSlope) || math.IsInf(auditedSlope, 0) {
		return notApplied(k, n, "needs 20 values and the drift that audits saw"), nil
	}
	_, sx := spread(hours)
	_, sy := spread(values)
	if sx == 0 || sy == 0 {
		return notApplied(k, n, "hours or values do not vary"), nil
	}
	a, b := gonum.LinearRegression(hours, values, nil, false)
	var rss float64
	for i, v := range values {
		e := v - a - b*hours[i]
		rss += e * e
	}
	df := float64(n - 2)
	se := math.Sqrt(rss/df) / (sx * math.Sqrt(float64(n-1)))
	p := 0.0
	if se > 0 {
		p = distuv.StudentsT{Mu: 0, Sigma: 1, Nu: df}.CDF(math.Copysign(1, auditedSlope) * (b - auditedSlope) / se)
	} else if (b-auditedSlope)*auditedSlope >= 0 {
		p = 1
	}
	return Screen{Kind: k, N: n, Applies: true, P: p,
		Finding:  fmt.Sprintf("slope %.3g an hour where audits see %.3g", b, auditedSlope),
		Question: "Is the grinder adjusted without a note, or is the value not read each time?"}, nil
}

// Rule of BatchScreen: this many entries within this time that were measured
// over more than that time.
const (
	batchEntries  = 10
	batchEntered  = time.Minute
	batchMeasured = 15 * time.Minute
)

// BatchScreen looks for entries typed in together that claim measurements
// spread over a quarter of an hour or more. Both times are of the device's own
// clock, in order of entry. The time of receipt plays no part: a station that
// was offline sends late and honestly.
func BatchScreen(measured, entered []time.Time) (Screen, error) {
	const k = ScreenBatch
	n := len(measured)
	if len(entered) != n {
		return Screen{}, inputErr("entered times", len(entered), fmt.Sprintf("one for each of the %d measured times", n))
	}
	if n < batchEntries {
		return notApplied(k, n, "needs %d entries, has %d", batchEntries, n), nil
	}
	together := 0
	for i := 0; i < n; {
		lo, hi := measured[i], measured[i]
		j := i + 1
		for j < n && entered[j].Sub(entered[i]) <= batchEntered {
			if entered[j].Before(entered[j-1]) {
				return Screen{}, inputErr("entered time", entered[j], "times in order of entry")
			}
			if measured[j].Before(lo) {
				lo = measured[j]
			}
			if measured[j].After(hi) {
				hi = measured[j]
			}
			j++
		}
		if j-i >= batchEntries && hi.Sub(lo) > batchMeasured {
			together += j - i
		}
		i = j
	}
	return Screen{Kind: k, N: n, Applies: true, P: 1, ByRule: true, Hit: together > 0,
		Finding:  fmt.Sprintf("%d entries were typed in within minutes of each other for builds measured over more than a quarter of an hour", together),
		Question: "What were the values kept on until they were typed in?"}, nil
}
