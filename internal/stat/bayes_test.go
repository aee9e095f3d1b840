package stat

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
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
	if same.Between > 1e-3 || same.Sites[0].RankLow != 1 || same.Sites[0].RankHigh != 3 {
		t.Errorf("equal rates are ranked: %+v", same)
	}
	if _, err := ShrinkRates([]SiteCount{{"a", 0, 60}, {"b", 0, 100}}, 0.95); !errors.Is(err, ErrInput) {
		t.Errorf("no bad drink: %v", err)
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
