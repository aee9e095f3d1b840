package stat

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
)

func TestFunnelExact(t *testing.T) {
	for _, n := range []int{1, 5, 40, 100, 1000, 100000} {
		e, err := FunnelExact(0.1, n, 0.95)
		if err != nil {
			t.Fatal(err)
		}
		norm, _ := FunnelNormal(0.1, n, 0.95)
		tol := 1.0 / float64(n) // one count
		capNear(t, "lower", e.Lower, norm.Lower, tol)
		capNear(t, "upper", e.Upper, norm.Upper, tol)
	}
}

func TestFunnel(t *testing.T) {
	target := 0.03
	// The small site is not worse than the large one for its 5 % (design figure).
	r, err := Funnel([]SiteCount{{"lantern-hill", 2, 40}, {"tannery-row", 12, 400}, {"oyster-steps", 40, 400}}, &target)
	if err != nil {
		t.Fatal(err)
	}
	if s := r.Sites[0]; s.Band != BandNotEnough || s.Enough <= 40 {
		t.Errorf("small site: %+v", s)
	}
	if s := r.Sites[2]; s.Band != BandOutHigh {
		t.Errorf("bad site: %+v", s)
	}
	if _, err := Funnel([]SiteCount{{"a", 0, 40}, {"b", 0, 50}}, nil); !errors.Is(err, ErrInput) {
		t.Errorf("no bad drink at all: %v", err)
	}
}

func TestFunnelDispersion(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	sites := func(spread float64) (out []SiteCount) {
		for i := range 60 {
			p, bad := 0.1+spread*(rng.Float64()-0.5), 0
			for range 800 {
				if rng.Float64() < p {
					bad++
				}
			}
			out = append(out, SiteCount{fmt.Sprint(i), bad, 800})
		}
		return out
	}
	r, err := Funnel(sites(0), nil)
	if err != nil || r.Over {
		t.Errorf("equal sites are over-dispersed: phi %g, %v", r.Phi, err)
	}
	if r, err = Funnel(sites(0.15), nil); err != nil || !r.Over {
		t.Errorf("unlike sites are not over-dispersed: phi %g, %v", r.Phi, err)
	}
}
