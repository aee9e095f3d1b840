package stat

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestFindPlan(t *testing.T) {
	for _, c := range []struct {
		model PlanModel
		lot   int
	}{{PlanBinomial, 0}, {PlanPoisson, 0}, {PlanHypergeometric, 800}} {
		p, err := FindPlan(.01, .05, .06, .10, c.model, c.lot)
		if err != nil {
			t.Fatal(err)
		}
		good, _ := p.Accepts(.01)
		bad, _ := p.Accepts(.06)
		if good < .95 || bad > .10 {
			t.Errorf("%+v holds %g and %g", p, good, bad)
		}
		if c.model == PlanPoisson && (p.N != 112 || p.C != 3) {
			// The textbook slides give n 111 for c 3 (np 6.68 / .06, cut down).
			t.Errorf("%+v, want n 112, c 3", p)
		}
	}
	if _, err := FindPlan(.01, .05, .0100001, .10, PlanBinomial, 0); !errors.Is(err, ErrInput) {
		t.Errorf("shares too close: %v", err)
	}
}

func TestFindPlanIsSmallest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		aql := rapid.Float64Range(.02, .1).Draw(t, "aql")
		ltpd := aql + rapid.Float64Range(.1, .5).Draw(t, "gap")
		lot := rapid.IntRange(60, 300).Draw(t, "lot")
		model := rapid.SampledFrom([]PlanModel{PlanBinomial, PlanPoisson, PlanHypergeometric}).Draw(t, "model")
		got, err := FindPlan(aql, .05, ltpd, .10, model, lot)
		for n := 1; n <= 150; n++ {
			for c := range n {
				p := AcceptancePlan{N: n, C: c, Model: model}
				if model == PlanHypergeometric {
					p.Lot = lot
				}
				if p.Lot > 0 && n > p.Lot || p.accepts(aql) < .95 || p.accepts(ltpd) > .10 {
					continue
				}
				if err != nil || got.N != n {
					t.Fatalf("found %+v (%v), smaller is n %d, c %d", got, err, n, c)
				}
				return
			}
		}
	})
}

func TestPower(t *testing.T) {
	s, err := PowerWords(5, 0.1)
	if err != nil || !strings.HasPrefix(s, "5 checks see a fault in 10 % of drinks with a chance of 41 %") {
		t.Errorf("%q, %v", s, err)
	}
	if n, _ := ChecksToSee(0.1, 0.9); n != 22 { // ln .1 / ln .9 = 21.85
		t.Errorf("checks to see = %d", n)
	}
}

func TestNonInferiorityN(t *testing.T) {
	// Design figures: 631 per arm, design effect 1.87, 1180.
	r, err := NonInferiorityN(.85, .05, .05, .80, 30, .03)
	if err != nil || r.PerArm != 631 || r.WithDesign != 1180 {
		t.Errorf("%+v, %v", r, err)
	}
	capNear(t, "design effect", r.DesignEffect, 1.87, 1e-12)
}
