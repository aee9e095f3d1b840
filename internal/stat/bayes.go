package stat

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
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
	Between float64  `json:"between"`
	Conf    float64  `json:"confidence"`
	Sites   []Shrunk `json:"sites"`
	// Note states what the intervals leave out.
	Note string `json:"note"`
}

const (
	bayesDraws = 4000
	bayesSeed  = 0x5a3ec0b
	bayesNote  = "the spread between sites is taken as known, so with fewer than about 10 sites the intervals are somewhat too narrow"
)

// rankIntervals asks draw for all sites' values at once, as often as it needs.
func rankIntervals(sites []Shrunk, conf float64, draw func(v []float64)) {
	k := len(sites)
	counts := make([][]int32, k) // counts[i][r]: draws in which site i had rank r
	for i := range counts {
		counts[i] = make([]int32, k)
	}
	// A chain of thousands of sites gets fewer draws, to answer in bounded time.
	n := max(200, min(bayesDraws, 4_000_000/k))
	v, order := make([]float64, k), make([]int, k)
	for range n {
		draw(v)
		for i := range order {
			order[i] = i
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
	own := make([]float64, k)
	for i, s := range sites {
		b := tau2 / (tau2 + s.SE*s.SE)
		mean, sd := m+b*(s.Mean-m), math.Sqrt(b*s.SE*s.SE+(1-b)*(1-b)/w)
		r.Sites = append(r.Sites, Shrunk{Site: s.Site, Raw: s.Mean, Mean: mean, Bounds: Bounds{mean - z*sd, mean + z*sd}, Weight: b})
		own[i] = math.Sqrt(b) * s.SE // the common mean moves all sites alike: no rank changes
	}
	src := rand.New(rand.NewPCG(bayesSeed, uint64(k)))
	rankIntervals(r.Sites, conf, func(v []float64) {
		for i := range v {
			v[i] = r.Sites[i].Mean + own[i]*src.NormFloat64()
		}
	})
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
