package stat

import (
	"errors"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestAcceptanceOC(t *testing.T) {
	ps := []float64{.005, .01, .02, .03, .05, .06, .08, .10}
	// Computed with R 4.2.2 pbinom; 89, 2 at .01 agrees with Montgomery's .9397.
	for _, c := range []struct {
		n, c   int
		pa     [8]float64
		points [3]float64 // p at Pa .95, .50, .10
	}{
		{50, 1, [8]float64{.973868, .910565, .735771, .555280, .279432, .190003, .082712, .033786}, [3]float64{.00715, .03334, .07558}},
		{80, 2, [8]float64{.992288, .953447, .784419, .568123, .230621, .134446, .040378, .010684}, [3]float64{.01030, .03329, .06516}},
		{89, 2, [8]float64{.989688, .939690, .736578, .498483, .172077, .091869, .022955, .005014}, [3]float64{.00925, .02993, .05869}},
		{125, 3, [8]float64{.996252, .962551, .758670, .481405, .123785, .053895, .008312, .001042}, [3]float64{.01100, .02930, .05266}},
		{200, 5, [8]float64{.999436, .983977, .786722, .443229, .062342, .017721, .000992, .000039}, [3]float64{.01314, .02830, .04588}},
	} {
		plan := AcceptancePlan{N: c.n, C: c.c, Model: PlanBinomial}
		for i, p := range ps {
			got, err := plan.Accepts(p)
			if err != nil {
				t.Fatal(err)
			}
			capNear(t, "Pa", got, c.pa[i], 5e-7)
		}
		for i, pa := range []float64{.95, .5, .1} {
			got, err := plan.QualityAt(pa)
			if err != nil {
				t.Fatal(err)
			}
			capNear(t, "quality", got, c.points[i], 5e-6)
		}
	}
	// samplingplans.com, 2006.
	plan := AcceptancePlan{N: 68, C: 2, Model: PlanBinomial}
	got, _ := plan.Accepts(.01213)
	capNear(t, "Pa", got, .95, 5e-4)
	got, _ = plan.Accepts(.089704)
	capNear(t, "Pa", got, .05, 5e-4)
	// Operations-management textbook slides: np .3552, 2 bad accepted at most 1; Poisson.
	plan = AcceptancePlan{N: 36, C: 1, Model: PlanPoisson}
	got, _ = plan.Accepts(.3552 / 36)
	capNear(t, "PlanPoisson", got, .95004, 5e-6)
	got, _ = AcceptancePlan{N: 36, C: 1, Model: PlanBinomial}.Accepts(.01)
	capNear(t, "binomial", got, .94965, 5e-6)
	// Hypergeometric by hand: lot 10 with 2 bad, 3 checked, none bad: C(8,3)/C(10,3).
	got, _ = AcceptancePlan{N: 3, C: 0, Model: PlanHypergeometric, Lot: 10}.Accepts(.2)
	capNear(t, "hypergeometric", got, 56.0/120, 1e-12)
}

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

func TestCodeLetter(t *testing.T) {
	// Chart headed ANSI/ASQC Z1.4, MIL-STD-105E, ISO 2859.
	for _, c := range []struct {
		lot, level int
		letter     string
		n          int
	}{{8, 2, "A", 2}, {9, 2, "B", 3}, {281, 2, "H", 50}, {1200, 2, "J", 80}, {1201, 2, "K", 125},
		{500001, 2, "Q", 1250}, {500001, 3, "R", 2000}, {100, 1, "D", 8}, {15, 1, "A", 2}} {
		letter, n, err := CodeLetter(c.lot, c.level)
		if err != nil || letter != c.letter || n != c.n {
			t.Errorf("CodeLetter(%d, %d) = %s, %d, %v; want %s, %d", c.lot, c.level, letter, n, err, c.letter, c.n)
		}
	}
	if _, _, err := CodeLetter(1, 2); !errors.Is(err, ErrInput) {
		t.Errorf("lot of 1: %v", err)
	}
}

// MIL-STD-105E (1989), 4.7 and 4.8, read in a reproduction of its text.
func TestSwitching(t *testing.T) {
	for _, c := range []struct {
		name, lots string // a accepted, r rejected
		want       Severity
	}{
		{"start", "", SeverityNormal},
		{"two of five", "raaar", SeverityTightened},
		{"two of six", "raaaar", SeverityNormal},
		{"two in a row", "rr", SeverityTightened},
		{"five accepted", "rraaaaa", SeverityNormal},
		{"four accepted", "rraaaara", SeverityTightened},
		{"five rejected on tightened", "rrrararar" + "r", SeverityDiscontinued},
		{"a return to normal clears", "rrrrrraaaaa", SeverityNormal},
	} {
		var s Switching
		for _, l := range c.lots {
			if _, err := s.Lot(l == 'a'); err != nil {
				t.Errorf("%s: %v", c.name, err)
			}
		}
		if s.Severity() != c.want {
			t.Errorf("%s: %s, want %s", c.name, s.Severity(), c.want)
		}
	}
	var s Switching
	if err := s.StartReduced(); err != nil {
		t.Fatal(err)
	}
	if v, _ := s.Lot(false); v != SeverityNormal {
		t.Errorf("a rejected lot on reduced gives %s", v)
	}
	if err := s.Resume(); !errors.Is(err, ErrInput) {
		t.Errorf("nothing to resume: %v", err)
	}
}
