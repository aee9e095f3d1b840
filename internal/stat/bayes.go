package stat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Shrunk is one site's estimate, pulled towards the chain's mean by as much as
// its own data are few.
type Shrunk struct {
	Site string `json:"site"`
	// Raw is what was observed, Mean the shrunken estimate with its interval.
	Raw  float64 `json:"raw"`
	Mean float64 `json:"mean"`
	Bounds
	// Weight is the share of its own data in Mean, 0 to 1.
	Weight float64 `json:"weight"`
	// RankLow to RankHigh is the interval of the site's rank; 1 is the lowest.
	RankLow  int `json:"rank_low"`
	RankHigh int `json:"rank_high"`
}

// ShrunkResult is the answer of ShrinkRates and ShrinkNormal.
type ShrunkResult struct {
	Mean float64 `json:"mean"`
	// Between is the standard deviation between sites.
	Between float64 `json:"between"`
	// A and B are the parameters of the beta distribution of rates.
	A     float64  `json:"a,omitempty"`
	B     float64  `json:"b,omitempty"`
	Conf  float64  `json:"confidence"`
	Sites []Shrunk `json:"sites"`
	// Note states what the intervals leave out.
	Note string `json:"note"`
}

const (
	bayesDraws = 4000
	bayesSeed  = 0x5a3ec0b
	bayesNote  = "the spread between sites is taken as known, so with fewer than about 10 sites the intervals are somewhat too narrow"
	// bayesMaxM bounds a+b: beyond it sites cannot be told apart.
	bayesMaxM = 1e7
)

// ShrinkRates fits a beta distribution of rates over the sites (2 or more) by
// maximum likelihood of the beta-binomial model, and gives each site's
// posterior Beta(a+x, b+n-x): mean and equal-tailed interval at conf. Where the
// sites differ by no more than chance a+b runs to its bound (1e7) and all means
// are the chain's. Rank intervals come from 4,000 draws of the posteriors with
// a fixed seed, so they repeat. Source: the beta-binomial empirical-Bayes
// method, for instance Casella 1985, The American Statistician 39, 83-87 (from
// memory).
func ShrinkRates(sites []SiteCount, conf float64) (ShrunkResult, error) {
	r, err := ShrinkRatesUnranked(sites, conf)
	if err != nil {
		return ShrunkResult{}, err
	}
	src := rand.NewPCG(bayesSeed, uint64(len(sites)))
	draws := make([]func() float64, len(sites))
	for i, s := range sites {
		draws[i] = distuv.Beta{Alpha: r.A + float64(s.Bad), Beta: r.B + float64(s.N-s.Bad), Src: src}.Rand
	}
	rankIntervals(r.Sites, draws, conf)
	return r, nil
}

// ShrinkRatesUnranked is ShrinkRates without the ranks, RankLow and RankHigh
// being 0: with hundreds of sites these take most of the time.
func ShrinkRatesUnranked(sites []SiteCount, conf float64) (ShrunkResult, error) {
	if _, err := boundsConf(conf); err != nil {
		return ShrunkResult{}, err
	}
	bad, n, err := siteInput(sites, 2)
	if err != nil {
		return ShrunkResult{}, err
	}
	if bad == 0 || bad == n {
		return ShrunkResult{}, inputErr("bad", bad, fmt.Sprintf("some but not all of the %d checks; equal records cannot show how sites differ", n))
	}
	mu, m := betaBinomialFit(sites, float64(bad)/float64(n))
	a, b := mu*m, (1-mu)*m
	r := ShrunkResult{Mean: mu, Between: math.Sqrt(mu * (1 - mu) / (m + 1)), A: a, B: b, Conf: conf, Note: bayesNote}
	if m >= bayesMaxM*0.99 {
		r.Note = "the sites differ by no more than chance gives: no ranking is possible"
	}
	for _, s := range sites {
		x, y := a+float64(s.Bad), b+float64(s.N-s.Bad)
		r.Sites = append(r.Sites, Shrunk{
			Site: s.Site, Raw: float64(s.Bad) / float64(s.N), Mean: x / (x + y),
			Bounds: Bounds{mathext.InvRegIncBeta(x, y, (1-conf)/2), mathext.InvRegIncBeta(x, y, (1+conf)/2)},
			Weight: float64(s.N) / (float64(s.N) + m),
		})
	}
	return r, nil
}

// betaBinomialFit maximises the marginal likelihood over the mean mu and the
// precision m = a+b, by turns: log m at the best mu, the logit of mu at the best
// m, each by a grid and golden sections, until nothing is gained. Mean and precision
// hardly depend on each other, so a few turns do; both profiles have one peak in
// practice.
func betaBinomialFit(sites []SiteCount, pooled float64) (mu, m float64) {
	ll := func(mu, m float64) (s float64) {
		a, b := mu*m, (1-mu)*m
		for _, t := range sites {
			s += mathext.Lbeta(a+float64(t.Bad), b+float64(t.N-t.Bad))
		}
		return s - float64(len(sites))*mathext.Lbeta(a, b)
	}
	rate := func(logit float64) float64 { return 1 / (1 + math.Exp(-logit)) }
	centre := math.Log(pooled / (1 - pooled))
	bestMean := func(logM float64) float64 {
		return peak(centre-3, centre+3, 12, func(l float64) float64 { return ll(rate(l), math.Exp(logM)) })
	}
	logit, logM, top := centre, 0.0, math.Inf(-1)
	for range fitTurns {
		logM = peak(math.Log(0.05), math.Log(bayesMaxM), 24, func(l float64) float64 { return ll(rate(logit), math.Exp(l)) })
		logit = bestMean(logM)
		was := top
		if top = ll(rate(logit), math.Exp(logM)); top-was < fitGain {
			break
		}
	}
	// At large m the likelihood is flat to rounding: prefer "no difference"
	// unless a spread is better by more than rounding.
	most := math.Log(bayesMaxM)
	if end := bestMean(most); ll(rate(end), bayesMaxM) >= ll(rate(logit), math.Exp(logM))-1e-4 {
		logit, logM = end, most
	}
	return rate(logit), math.Exp(logM)
}

// The turns of betaBinomialFit end when one gains less than fitGain of log
// likelihood, which is a thousandth of a standard error at most.
const (
	fitTurns = 100
	fitGain  = 1e-7
)

// peak finds the place of the highest f in lo to hi: a grid, then golden
// sections around its best point.
func peak(lo, hi float64, grid int, f func(float64) float64) float64 {
	step, at, top := (hi-lo)/float64(grid), lo, math.Inf(-1)
	for i := range grid + 1 {
		if v := f(lo + float64(i)*step); v > top {
			at, top = lo+float64(i)*step, v
		}
	}
	a, b := max(lo, at-step), min(hi, at+step)
	const g = 0.6180339887498949
	x1, x2 := b-g*(b-a), a+g*(b-a)
	f1, f2 := f(x1), f(x2)
	for b-a > 1e-7 {
		if f1 >= f2 {
			b, x2, f2 = x2, x1, f1
			x1 = b - g*(b-a)
			f1 = f(x1)
		} else {
			a, x1, f1 = x1, x2, f2
			x2 = a + g*(b-a)
			f2 = f(x2)
		}
	}
	return (a + b) / 2
}

func rankIntervals(sites []Shrunk, draws []func() float64, conf float64) {
	k := len(sites)
	counts := make([][]int32, k) // counts[i][r]: draws in which site i had rank r
	for i := range counts {
		counts[i] = make([]int32, k)
	}
	// A chain of thousands of sites gets fewer draws, to answer in bounded time.
	n := max(200, min(bayesDraws, 4_000_000/k))
	v, order := make([]float64, k), make([]int, k)
	for range n {
		for i := range v {
			v[i], order[i] = draws[i](), i
		}
		slices.SortFunc(order, func(a, b int) int {
			switch {
			case v[a] < v[b]:
				return -1
			case v[a] > v[b]:
				return 1
			}
			return a - b
		})
		for rank, i := range order {
			counts[i][rank]++
		}
	}
	tail := float64(n) * (1 - conf) / 2
	for i := range sites {
		sum := 0.0
		for r, c := range counts[i] {
			sum += float64(c)
			if sites[i].RankLow == 0 && sum > tail {
				sites[i].RankLow = r + 1
			}
			if sites[i].RankHigh == 0 && sum >= float64(n)-tail {
				sites[i].RankHigh = r + 1
			}
		}
	}
}

// SiteMean is one site's mean of a measure with its standard error, both in
// the unit of the measure.
type SiteMean struct {
	Site string  `json:"site"`
	Mean float64 `json:"mean"`
	SE   float64 `json:"se"`
}

// ShrinkNormal shrinks site means (3 or more) towards their common mean. The
// variance between sites is found by moments (DerSimonian and Laird), 0 where
// the sites differ by no more than chance; the interval adds the uncertainty
// of the common mean:
//
//	w = tau2/(tau2+se^2), mean = m + w (y-m), var = w se^2 + (1-w)^2 var(m)
//
// Source: DerSimonian and Laird 1986, Controlled Clinical Trials 7, 177-188;
// Morris 1983, Journal of the American Statistical Association 78, 47-55 (both
// from memory).
func ShrinkNormal(sites []SiteMean, conf float64) (ShrunkResult, error) {
	z, err := boundsConf(conf)
	if err != nil {
		return ShrunkResult{}, err
	}
	k := len(sites)
	if k < 3 {
		return ShrunkResult{}, inputErr("sites", k, "at least 3")
	}
	var w, w2, wy float64
	for _, s := range sites {
		if math.IsNaN(s.Mean) || math.IsInf(s.Mean, 0) || !(s.SE > 0) || math.IsInf(s.SE, 0) {
			return ShrunkResult{}, inputErr("site "+s.Site, fmt.Sprintf("mean %g, standard error %g", s.Mean, s.SE), "a finite mean and a standard error above 0")
		}
		v := 1 / (s.SE * s.SE)
		w, w2, wy = w+v, w2+v*v, wy+v*s.Mean
	}
	var q float64
	for _, s := range sites {
		q += (s.Mean - wy/w) * (s.Mean - wy/w) / (s.SE * s.SE)
	}
	tau2 := max(0, (q-float64(k-1))/(w-w2/w))
	w, wy = 0, 0
	for _, s := range sites {
		v := 1 / (s.SE*s.SE + tau2)
		w, wy = w+v, wy+v*s.Mean
	}
	m := wy / w
	if math.IsNaN(m+tau2) || math.IsInf(m+tau2, 0) {
		return ShrunkResult{}, inputErr("sites", m, "means and standard errors of like size; the sums overflow")
	}
	r := ShrunkResult{Mean: m, Between: math.Sqrt(tau2), Conf: conf, Note: bayesNote}
	src := rand.New(rand.NewPCG(bayesSeed, uint64(k)))
	draws := make([]func() float64, k)
	for i, s := range sites {
		b := tau2 / (tau2 + s.SE*s.SE)
		mean, sd := m+b*(s.Mean-m), math.Sqrt(b*s.SE*s.SE+(1-b)*(1-b)/w)
		r.Sites = append(r.Sites, Shrunk{Site: s.Site, Raw: s.Mean, Mean: mean, Bounds: Bounds{mean - z*sd, mean + z*sd}, Weight: b})
		own := math.Sqrt(b) * s.SE // the common mean moves all sites alike: no rank changes
		draws[i] = func() float64 { return mean + own*src.NormFloat64() }
	}
	rankIntervals(r.Sites, draws, conf)
	return r, nil
}

// JamesStein shrinks k means (4 or more) of one known variance towards their
// average: m + c (y-m), c = 1 - (k-3) variance / sum (y-m)^2, cut at 0. Source:
// Efron and Morris 1977, Scientific American 236(5), 119-127 (from memory).
func JamesStein(y []float64, variance float64) (est []float64, c float64, err error) {
	k := len(y)
	if k < 4 {
		return nil, 0, inputErr("means", k, "at least 4")
	}
	if !(variance > 0) || math.IsInf(variance, 0) {
		return nil, 0, inputErr("variance", variance, "a finite number above 0")
	}
	var m, ss float64
	for i, v := range y {
		d := v - m
		m += d / float64(i+1)
		ss += d * (v - m)
	}
	if math.IsNaN(ss) || math.IsInf(ss, 0) {
		return nil, 0, inputErr("means", ss, "finite numbers")
	}
	if ss > 0 {
		c = max(0, 1-float64(k-3)*variance/ss)
	}
	for _, v := range y {
		est = append(est, m+c*(v-m))
	}
	return est, c, nil
}
