package stat

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// SiteCount is one site's record: Bad of N checks.
type SiteCount struct {
	Site string `json:"site"`
	Bad  int    `json:"bad"`
	N    int    `json:"n"`
}

func siteInput(sites []SiteCount, least int) (bad, n int, err error) {
	if len(sites) < least {
		return 0, 0, inputErr("sites", len(sites), fmt.Sprintf("at least %d", least))
	}
	for _, s := range sites {
		if err := propInput(s.Bad, s.N); err != nil {
			return 0, 0, fmt.Errorf("site %q: %w", s.Site, err)
		}
		bad, n = bad+s.Bad, n+s.N
	}
	return bad, n, nil
}

// FunnelNormal gives the limits of a funnel for n checks around the rate p0
// (0 to 1, ends out) by the normal approximation, p0 -/+ z sqrt(p0(1-p0)/n),
// cut to 0 to 1. Source: Spiegelhalter 2005, Statistics in Medicine 24,
// 1185-1202 (formula from memory).
func FunnelNormal(p0 float64, n int, conf float64) (Bounds, error) {
	z, err := funnelInput(p0, n, conf)
	if err != nil {
		return Bounds{}, err
	}
	half := z * math.Sqrt(p0*(1-p0)/float64(n))
	return Bounds{max(0, p0-half), min(1, p0+half)}, nil
}

func funnelInput(p0 float64, n int, conf float64) (float64, error) {
	if err := propRate("p0", p0); err != nil {
		return 0, err
	}
	if n < 1 {
		return 0, inputErr("n", n, "at least 1 check")
	}
	return boundsConf(conf)
}

// FunnelExact gives the limits from the binomial distribution, interpolated
// between whole numbers of bad drinks. For the tail share q, r is the least
// count with P(X <= r) >= q and
//
//	limit = (r - (P(X <= r) - q) / P(X = r)) / n,
//
// cut to 0 to 1: linear interpolation of the cumulative distribution, the form
// of Spiegelhalter 2005, appendix (from memory). Other interpolations differ
// by less than one count.
func FunnelExact(p0 float64, n int, conf float64) (Bounds, error) {
	if _, err := funnelInput(p0, n, conf); err != nil {
		return Bounds{}, err
	}
	return Bounds{funnelQuantile(p0, n, (1-conf)/2), funnelQuantile(p0, n, (1+conf)/2)}, nil
}

func funnelQuantile(p0 float64, n int, q float64) float64 {
	lo, hi := 0, n
	for lo < hi {
		if mid := (lo + hi) / 2; binomCDF(mid, n, p0) >= q {
			hi = mid
		} else {
			lo = mid + 1
		}
	}
	at, below := binomCDF(lo, n, p0), binomCDF(lo-1, n, p0)
	v := float64(lo)
	if at > below {
		v -= (at - q) / (at - below)
	}
	return min(1, max(0, v/float64(n)))
}

// Band says where a site stands in a funnel.
type Band string

// The bands: inside the 95 % limits, between 95 % and 99.8 %, and outside
// 99.8 %, where "better" is a lower rate of bad drinks.
const (
	BandIn         Band = "within"
	BandHigh       Band = "worth a look, high"
	BandLow        Band = "worth a look, low"
	BandOutHigh    Band = "higher than chance gives"
	BandOutLow     Band = "lower than chance gives"
	BandNotEnough  Band = "not enough data"
	funnelNear          = 0.95
	funnelFar           = 0.998
	funnelWinsor        = 0.1
	funnelTellPow       = 0.8
	funnelTellWide      = 2.0
)

// FunnelSite is one site in a funnel.
type FunnelSite struct {
	SiteCount
	Rate   float64 `json:"rate"`
	Wilson Bounds  `json:"wilson95"`
	Near   Bounds  `json:"limits95"`
	Far    Bounds  `json:"limits998"`
	// Z is the site's distance from the target in its standard errors, with
	// the over-dispersion taken out where there is any.
	Z    float64 `json:"z"`
	Band Band    `json:"band"`
	// Enough is the number of checks that would show a rate twice the target
	// (or half way to 1) with 80 %; set where Band is BandNotEnough.
	Enough int `json:"enough,omitempty"`
}

// FunnelResult is the answer of Funnel.
type FunnelResult struct {
	Target float64 `json:"target"`
	// Given is true when the target was set, not worked out from these sites.
	Given bool `json:"target_given"`
	Bad   int  `json:"bad"`
	N     int  `json:"n"`
	// Phi is the mean of the squared, Winsorised z; Tau2 the variance between
	// sites; Over says that the limits were widened by sqrt(1 + Tau2/variance).
	Phi   float64      `json:"phi"`
	Tau2  float64      `json:"tau2"`
	Over  bool         `json:"over_dispersed"`
	Sites []FunnelSite `json:"sites"`
}

// Funnel compares sites (2 or more) with one target rate of bad drinks; a nil
// target is the rate of all sites together. Limits are exact (FunnelExact) at
// 95 % and 99.8 %. Where the sites differ by more than chance (the Winsorised
// phi above 1 + 2 sqrt(2/k), with k >= 5) the limits take the additive
// random-effects form target -/+ z sqrt(variance + tau2), tau2 by moments.
// A site that could not show a rate of twice the target with 80 % and is not
// outside the limits is answered with "not enough data" and the n that would
// be enough. Source: Spiegelhalter 2005, Statistics in Medicine 24, 1185-1202
// and 2005, Quality and Safety in Health Care 14, 347-351 (from memory);
// Winsorised at 10 % each end.
func Funnel(sites []SiteCount, target *float64) (FunnelResult, error) {
	bad, n, err := siteInput(sites, 2)
	if err != nil {
		return FunnelResult{}, err
	}
	r := FunnelResult{Bad: bad, N: n, Target: float64(bad) / float64(n)}
	if target != nil {
		r.Target, r.Given = *target, true
	}
	if !(r.Target > 0 && r.Target < 1) {
		return r, inputErr("target", r.Target, fmt.Sprintf(
			"above 0 and below 1; with %d bad of %d checks there is nothing to compare, so give a target", bad, n))
	}
	v := r.Target * (1 - r.Target)
	z := make([]float64, len(sites))
	for i, s := range sites {
		z[i] = (float64(s.Bad)/float64(s.N) - r.Target) / math.Sqrt(v/float64(s.N))
	}
	r.disperse(sites, z, v)
	alt := min(funnelTellWide*r.Target, (1+r.Target)/2)
	enough, err := ChecksToTell(r.Target, alt, 1-funnelNear, funnelTellPow)
	if err != nil {
		return r, err
	}
	for i, s := range sites {
		f := FunnelSite{SiteCount: s, Rate: float64(s.Bad) / float64(s.N), Z: z[i]}
		if f.Wilson, err = Wilson(s.Bad, s.N, 0.95); err != nil {
			return r, err
		}
		if f.Near, err = r.limits(s.N, funnelNear); err != nil {
			return r, err
		}
		if f.Far, err = r.limits(s.N, funnelFar); err != nil {
			return r, err
		}
		if r.Over {
			f.Z = (f.Rate - r.Target) / math.Sqrt(v/float64(s.N)+r.Tau2)
		}
		switch {
		case f.Rate > f.Far.Upper:
			f.Band = BandOutHigh
		case f.Rate < f.Far.Lower:
			f.Band = BandOutLow
		case f.Rate > f.Near.Upper:
			f.Band = BandHigh
		case f.Rate < f.Near.Lower:
			f.Band = BandLow
		case s.N < enough:
			f.Band, f.Enough = BandNotEnough, enough
		default:
			f.Band = BandIn
		}
		r.Sites = append(r.Sites, f)
	}
	return r, nil
}

func (r *FunnelResult) limits(n int, conf float64) (Bounds, error) {
	if !r.Over {
		return FunnelExact(r.Target, n, conf)
	}
	half := distuv.UnitNormal.Quantile((1+conf)/2) * math.Sqrt(r.Target*(1-r.Target)/float64(n)+r.Tau2)
	return Bounds{max(0, r.Target-half), min(1, r.Target+half)}, nil
}

// disperse works out phi and tau2 from z scores pulled in to the 10 % and 90 %
// quantiles, so that one odd site does not widen the funnel for all.
func (r *FunnelResult) disperse(sites []SiteCount, z []float64, v float64) {
	k := float64(len(z))
	sorted := slices.Clone(z)
	slices.Sort(sorted)
	cut := int(funnelWinsor * k)
	lo, hi := sorted[cut], sorted[len(z)-1-cut]
	var w, w2 float64
	for i, s := range sites {
		c := min(hi, max(lo, z[i]))
		r.Phi += c * c / k
		wi := float64(s.N) / v
		w += wi
		w2 += wi * wi
	}
	if len(z) < 5 || r.Phi <= 1+2*math.Sqrt(2/k) {
		return
	}
	r.Tau2 = max(0, (k*r.Phi-(k-1))/(w-w2/w))
	r.Over = r.Tau2 > 0
}
