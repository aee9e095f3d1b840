package stat

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

func TestShrinkRates(t *testing.T) {
	// Recovers a beta distribution of rates, and covers the truth.
	rng := rand.New(rand.NewPCG(7, 8))
	var sites []SiteCount
	var truth []float64
	for i := range 300 {
		p := 0.05 + 0.1*rng.Float64() // mean 0.1, sd 0.0289
		n := 100 + rng.IntN(400)
		bad := 0
		for range n {
			if rng.Float64() < p {
				bad++
			}
		}
		sites, truth = append(sites, SiteCount{fmt.Sprint(i), bad, n}), append(truth, p)
	}
	r, err := ShrinkRates(sites, 0.9)
	if err != nil {
		t.Fatal(err)
	}
	capNear(t, "mean", r.Mean, 0.1, 0.006)
	capNear(t, "between", r.Between, 0.0289, 0.006)
	in := 0
	for i, s := range r.Sites {
		if s.Contains(truth[i]) {
			in++
		}
		if s.RankLow < 1 || s.RankHigh > 300 || s.RankLow > s.RankHigh {
			t.Fatalf("rank interval of %+v", s)
		}
	}
	if in < 255 || in > 285 {
		t.Errorf("90 %% intervals cover %d of 300", in)
	}
	again, _ := ShrinkRates(sites, 0.9)
	if d := cmp.Diff(r, again); d != "" {
		t.Errorf("not repeatable: %s", d)
	}

	same, err := ShrinkRates([]SiteCount{{"a", 3, 60}, {"b", 5, 100}, {"c", 10, 200}}, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range same.Sites {
		own, err := Wilson(int(s.Raw*60+0.5), 60, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		if s.RankLow != 1 || s.RankHigh != 3 || s.Width() > own.Width() {
			t.Errorf("equal rates are ranked, or known worse than from one site alone: %+v", s)
		}
	}
	if _, err := ShrinkRates([]SiteCount{{"a", 0, 60}, {"b", 0, 100}}, 0.95); !errors.Is(err, ErrInput) {
		t.Errorf("no bad drink: %v", err)
	}
}

// rats are tumours of 71 groups of rats, bad of n: Tarone 1982, as in Gelman
// and others, Bayesian Data Analysis, 3rd edition, table 5.1 (read in the
// documentation of PyMC, which quotes it).
func rats() []SiteCount {
	bad := []int{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 2, 1, 5, 2, 5, 3,
		2, 7, 7, 3, 3, 2, 9, 10, 4, 4, 4, 4, 4, 4, 4, 10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4}
	n := []int{20, 20, 20, 20, 20, 20, 20, 19, 19, 19, 19, 18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23, 20, 20, 20, 20, 20, 20, 10, 49, 19, 46, 27,
		17, 49, 47, 20, 20, 13, 48, 50, 20, 20, 20, 20, 20, 20, 20, 48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14}
	var out []SiteCount
	for i := range bad {
		out = append(out, SiteCount{fmt.Sprint(i + 1), bad[i], n[i]})
	}
	return out
}

// The book's prior is (a+b)^(-5/2): flat in the mean and in (a+b)^(-1/2). Its
// posterior means are 2.4 and 14.3, by PyMC's sum over a grid 2.403 and 14.319
// (from memory), and the mode in log(a/b), log(a+b) lies at -1.79 and 2.74 (read).
func TestRatesOfRatsAgreeWithTheBook(t *testing.T) {
	h := integrate(rats(), 0.15, func(mean, m float64) float64 {
		return -math.Log(m)/2 + math.Log(mean) + math.Log1p(-mean)
	})
	var a, b float64
	var top hyperPoint
	highest := math.Inf(-1)
	for _, c := range h {
		for j, mean := range c.means {
			a += c.w[j] * mean * c.m
			b += c.w[j] * (1 - mean) * c.m
			// The weights carry the width of a column; the density does not.
			d := betaBinomial(rats(), mean, c.m) - math.Log(c.m)/2 + math.Log(mean) + math.Log1p(-mean)
			if d > highest {
				highest, top = d, hyperPoint{mean, c.m}
			}
		}
	}
	capNear(t, "a", a, 2.403, 0.001)
	capNear(t, "b", b, 14.319, 0.005)
	capNear(t, "mode of log(a/b)", math.Log(top.mean/(1-top.mean)), -1.79, 0.02)
	capNear(t, "mode of log(a+b)", math.Log(top.m), 2.74, 0.13) // a step of the grid
}

// Over sites and repeats, 95 % intervals cover 93 to 97 % of the true rates where
// sites differ, and no less where they do not. weight is a typical site's own
// share in its estimate. Where it is small or 0 they cover more: 98.5 % of 8
// alike sites and all of 40 or 400, as long as the spread is not taken for known.
func TestRateIntervalsCover(t *testing.T) {
	const mean, typical = 0.08, 200.0
	for _, c := range []struct {
		sites, repeats int
		weight         float64
		low, high      float64
	}{
		{8, 150, 0.9, 0.93, 0.97}, {8, 150, 0.5, 0.93, 0.97}, {8, 100, 0, 0.95, 1},
		{40, 30, 0.9, 0.93, 0.97}, {40, 30, 0.5, 0.93, 0.97}, {40, 10, 0, 0.95, 1},
		{400, 3, 0.9, 0.93, 0.97}, {400, 3, 0.5, 0.93, 0.97}, {400, 1, 0, 0.95, 1},
	} {
		rng := rand.New(rand.NewPCG(uint64(c.sites), uint64(100*c.weight)))
		covered, wide, own := 0, 0.0, 0.0
		for range c.repeats {
			sites, truth := make([]SiteCount, c.sites), make([]float64, c.sites)
			for i := range sites {
				truth[i] = mean
				if m := typical * (1 - c.weight) / c.weight; c.weight > 0 {
					truth[i] = distuv.Beta{Alpha: mean * m, Beta: (1 - mean) * m, Src: rng}.Rand()
				}
				sites[i] = SiteCount{Site: fmt.Sprint(i), N: 50 + rng.IntN(2*int(typical)-100)}
				for range sites[i].N {
					if rng.Float64() < truth[i] {
						sites[i].Bad++
					}
				}
			}
			r, err := ShrinkRatesUnranked(sites, 0.95)
			if err != nil {
				t.Fatal(err)
			}
			for i, s := range r.Sites {
				if s.Contains(truth[i]) {
					covered++
				}
				w, err := Wilson(sites[i].Bad, sites[i].N, 0.95)
				if err != nil {
					t.Fatal(err)
				}
				wide, own = wide+s.Width(), own+w.Width()
			}
		}
		share := float64(covered) / float64(c.sites*c.repeats)
		if share < c.low || share > c.high {
			t.Errorf("%d sites, weight %g: %.1f %% covered, wanted %g to %g", c.sites, c.weight, 100*share, c.low, c.high)
		}
		if wide > own {
			t.Errorf("%d sites, weight %g: %.2f times as wide as from each site alone", c.sites, c.weight, wide/own)
		}
	}
}

func TestAQuantileOfAMixtureIsWhereItsShareLies(t *testing.T) {
	for _, m := range []mixture{{{1, 2, 30}}, {{0.5, 0.05, 60}, {0.5, 3, 57}}, {{0.9, 40, 400}, {0.1, 1, 3}}, {{0.2, 60, 0.05}, {0.8, 9, 2}}} {
		for _, q := range []float64{0.025, 0.5, 0.975} {
			x, share := m.quantile(q, m[0]), 0.0
			for _, p := range m {
				share += p.w * mathext.RegIncBeta(p.a, p.b, x)
			}
			if math.Abs(share-q) > 1e-4 && x < 1-1e-15 { // next to 1 no number is nearer
				t.Errorf("%v: below %g lies %g, wanted %g", m, x, share, q)
			}
		}
	}
}

func TestShrinkNormal(t *testing.T) {
	// Eight schools: Rubin 1981, data as in Gelman et al., Bayesian Data
	// Analysis; the moment estimate of tau is 0 and the pooled mean 7.7,
	// standard error 4.1 (from memory, recomputed).
	y := []float64{28, 8, -3, 7, -1, 1, 18, 12}
	se := []float64{15, 10, 16, 11, 9, 11, 10, 18}
	var sites []SiteMean
	for i := range y {
		sites = append(sites, SiteMean{fmt.Sprint(i), y[i], se[i]})
	}
	r, err := ShrinkNormal(sites, 0.95)
	if err != nil {
		t.Fatal(err)
	}
	capNear(t, "mean", r.Mean, 7.7, 0.05)
	capNear(t, "between", r.Between, 0, 0)
	capNear(t, "half width", r.Sites[0].Width()/2/1.959964, 4.1, 0.05)
	// Equal standard errors of 1, means 0, 3, 6: Q = 18, tau2 = (18-2)/2 = 8, by hand.
	r, _ = ShrinkNormal([]SiteMean{{"a", 0, 1}, {"b", 3, 1}, {"c", 6, 1}}, 0.95)
	capNear(t, "weight", r.Sites[0].Weight, 8.0/9, 1e-12)
	capNear(t, "shrunk", r.Sites[0].Mean, 3-3*8.0/9, 1e-12)
	if r.Sites[2].RankLow != 2 && r.Sites[2].RankLow != 3 {
		t.Errorf("rank of the highest: %+v", r.Sites[2])
	}
}
