package stat

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Stratum is one site's record within one kind of drink (or hour, or milk).
type Stratum struct {
	Site string `json:"site"`
	Kind string `json:"kind"`
	Bad  int    `json:"bad"`
	N    int    `json:"n"`
}

// Adjusted is one site's rate with the mix of kinds taken out.
type Adjusted struct {
	Site string  `json:"site"`
	Bad  int     `json:"bad"`
	N    int     `json:"n"`
	Raw  float64 `json:"raw"`
	// Direct is the rate the site would have with the chain's mix, nil where
	// the site has no check of a kind the chain makes (listed in Missing).
	Direct  *Index   `json:"direct,omitempty"`
	Missing []string `json:"missing,omitempty"`
	// Expected is the number bad at the chain's rates for the site's own mix;
	// Ratio is Bad over Expected with its interval, nil where nothing was
	// expected. Indirect is Ratio times the chain's rate.
	Expected float64 `json:"expected"`
	Ratio    *Index  `json:"ratio,omitempty"`
	Indirect float64 `json:"indirect"`
}

// AdjustForMix standardises each site's rate for its mix of kinds, against all
// sites together.
//
//	direct:   sum over kinds of (chain's share of the kind) x (site's rate in it),
//	          variance sum share^2 p(1-p)/n with p = (x+1/2)/(n+1), normal interval
//	indirect: bad / expected, exact Poisson interval for bad over expected
//
// Direct needs checks of every kind and compares sites with each other;
// indirect works for small sites and compares each with the chain only. Source:
// common epidemiological practice, for instance Breslow and Day 1987, volume 2
// (from memory); the half in the variance keeps a rate of 0 from looking
// certain.
func AdjustForMix(rows []Stratum, conf float64) ([]Adjusted, error) {
	z, err := boundsConf(conf)
	if err != nil {
		return nil, err
	}
	if len(rows) == 0 {
		return nil, inputErr("rows", 0, "at least one site and kind")
	}
	type count struct{ bad, n int }
	kinds, sites := map[string]count{}, map[string]map[string]count{}
	var all count
	for _, s := range rows {
		if err := propInput(s.Bad, s.N); err != nil {
			return nil, fmt.Errorf("site %q, kind %q: %w", s.Site, s.Kind, err)
		}
		add := func(c count) count { return count{c.bad + s.Bad, c.n + s.N} }
		if sites[s.Site] == nil {
			sites[s.Site] = map[string]count{}
		}
		kinds[s.Kind], sites[s.Site][s.Kind], all = add(kinds[s.Kind]), add(sites[s.Site][s.Kind]), add(all)
	}
	names := slices.Sorted(maps.Keys(kinds))
	var out []Adjusted
	for _, site := range slices.Sorted(maps.Keys(sites)) {
		a := Adjusted{Site: site}
		var rate, variance float64
		for _, k := range names {
			c, ok := sites[site][k]
			if !ok {
				a.Missing = append(a.Missing, k)
				continue
			}
			share, p := float64(kinds[k].n)/float64(all.n), (float64(c.bad)+0.5)/float64(c.n+1)
			rate += share * float64(c.bad) / float64(c.n)
			variance += share * share * p * (1 - p) / float64(c.n)
			a.Expected += float64(c.n) * float64(kinds[k].bad) / float64(kinds[k].n)
			a.Bad, a.N = a.Bad+c.bad, a.N+c.n
		}
		a.Raw = float64(a.Bad) / float64(a.N)
		if len(a.Missing) == 0 {
			half := z * math.Sqrt(variance)
			a.Direct = &Index{rate, Bounds{max(0, rate-half), min(1, rate+half)}}
		}
		if a.Expected > 0 {
			b := poissonExact(a.Bad, conf)
			a.Ratio = &Index{float64(a.Bad) / a.Expected, Bounds{b.Lower / a.Expected, b.Upper / a.Expected}}
			a.Indirect = a.Ratio.Value * float64(all.bad) / float64(all.n)
		}
		out = append(out, a)
	}
	return out, nil
}

// poissonExact is the exact interval for a Poisson mean with x seen.
func poissonExact(x int, conf float64) Bounds {
	b := Bounds{Upper: mathext.GammaIncRegInv(float64(x+1), (1+conf)/2)}
	if x > 0 {
		b.Lower = distuv.ChiSquared{K: 2 * float64(x)}.Quantile((1-conf)/2) / 2
	}
	return b
}
