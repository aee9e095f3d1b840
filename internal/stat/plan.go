package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// PlanModel is the distribution of bad drinks in a sample.
type PlanModel string

// The models of a sampling plan: PlanBinomial for a running process,
// PlanHypergeometric for a lot of known size, PlanPoisson for faults that can come
// more than once a drink (and for textbook tables).
const (
	PlanBinomial       PlanModel = "binomial"
	PlanHypergeometric PlanModel = "hypergeometric"
	PlanPoisson        PlanModel = "poisson"
)

// AcceptancePlan checks N drinks and accepts with at most C bad. Lot is the
// size of the lot, for the hypergeometric model only.
type AcceptancePlan struct {
	N     int       `json:"n"`
	C     int       `json:"c"`
	Model PlanModel `json:"model"`
	Lot   int       `json:"lot,omitempty"`
}

// planMaxN bounds the search for a plan, in checks.
const planMaxN = 1_000_000

func (p AcceptancePlan) check() error {
	if p.N < 1 || p.N > planMaxN {
		return inputErr("n", p.N, fmt.Sprintf("1 to %d checks", planMaxN))
	}
	if p.C < 0 || p.C >= p.N {
		return inputErr("c", p.C, fmt.Sprintf("0 to %d, below the number of checks", p.N-1))
	}
	switch p.Model {
	case PlanBinomial, PlanPoisson:
	case PlanHypergeometric:
		if p.Lot < p.N {
			return inputErr("lot", p.Lot, fmt.Sprintf("at least the number of checks, %d", p.N))
		}
	default:
		return inputErr("model", p.Model, "binomial, hypergeometric or poisson")
	}
	return nil
}

// Accepts is the chance that the plan accepts at the share p of bad drinks
// (0 to 1), one point of its operating characteristic: P(X <= c). With the
// hypergeometric model the lot holds round(p Lot) bad ones.
func (p AcceptancePlan) Accepts(share float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if !(share >= 0 && share <= 1) {
		return 0, inputErr("p", share, "a share from 0 to 1")
	}
	return p.accepts(share), nil
}

func (p AcceptancePlan) accepts(share float64) float64 {
	switch p.Model {
	case PlanHypergeometric:
		return hyperCDF(p.C, p.N, int(math.Round(share*float64(p.Lot))), p.Lot)
	case PlanPoisson:
		if share == 0 {
			return 1
		}
		return mathext.GammaIncRegComp(float64(p.C+1), float64(p.N)*share)
	}
	return binomCDF(p.C, p.N, share)
}

// binomCDF is P(X <= c) for n trials of p, through the incomplete beta function.
func binomCDF(c, n int, p float64) float64 {
	switch {
	case c < 0:
		return 0
	case c >= n || p <= 0:
		return 1
	case p >= 1:
		return 0
	}
	return mathext.RegIncBeta(float64(n-c), float64(c+1), 1-p)
}

// hyperCDF is P(X <= c) for n drawn from a lot with bad bad ones.
func hyperCDF(c, n, bad, lot int) float64 {
	lchoose := func(a, b int) float64 {
		x, _ := math.Lgamma(float64(a + 1))
		y, _ := math.Lgamma(float64(b + 1))
		z, _ := math.Lgamma(float64(a - b + 1))
		return x - y - z
	}
	lo := max(0, n-(lot-bad))
	all := lchoose(lot, n)
	var sum float64
	for x := lo; x <= min(c, bad); x++ {
		sum += math.Exp(lchoose(bad, x) + lchoose(lot-bad, n-x) - all)
	}
	return min(sum, 1)
}

// QualityAt is the share of bad drinks that the plan accepts with chance pa,
// found by bisection: pa = 0.95 gives the usual AQL point, 0.5 the
// indifferent quality, 0.10 the usual limiting quality. For the binomial and
// Poisson models only, where the curve is continuous; a Poisson answer above 1
// is refused.
func (p AcceptancePlan) QualityAt(pa float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := propRate("pa", pa); err != nil {
		return 0, err
	}
	if p.Model == PlanHypergeometric {
		return 0, inputErr("model", p.Model, "binomial or poisson; in a lot the share moves in steps")
	}
	lo, hi := 0.0, 1.0
	if p.accepts(hi) > pa {
		return 0, inputErr("pa", pa, fmt.Sprintf("above %.3g, what this plan accepts when all are bad", p.accepts(hi)))
	}
	for range 200 {
		mid := (lo + hi) / 2
		if p.accepts(mid) > pa {
			lo = mid
		} else {
			hi = mid
		}
	}
	return (lo + hi) / 2, nil
}

// FindPlan gives the plan with the fewest checks that rejects at the share aql
// with chance at most alpha, and accepts at the share ltpd with chance at most
// beta. lot is used by the hypergeometric model only. It answers with an error
// when no plan up to a million checks (or the lot) does.
func FindPlan(aql, alpha, ltpd, beta float64, model PlanModel, lot int) (AcceptancePlan, error) {
	for _, f := range []struct {
		name string
		v    float64
	}{{"aql", aql}, {"alpha", alpha}, {"ltpd", ltpd}, {"beta", beta}} {
		if err := propRate(f.name, f.v); err != nil {
			return AcceptancePlan{}, err
		}
	}
	if aql >= ltpd {
		return AcceptancePlan{}, inputErr("ltpd", ltpd, fmt.Sprintf("above the aql, %g", aql))
	}
	if alpha+beta >= 1 {
		return AcceptancePlan{}, inputErr("alpha+beta", alpha+beta, "below 1")
	}
	top := planMaxN
	if model == PlanHypergeometric {
		if lot < 2 {
			return AcceptancePlan{}, inputErr("lot", lot, "at least 2 drinks with the hypergeometric model")
		}
		top = min(lot, top)
	} else {
		lot = 0
	}
	p := AcceptancePlan{N: 1, Model: model, Lot: lot}
	if err := p.check(); err != nil {
		return p, err
	}
	// For each c the fewest checks that protect the guest is found by
	// bisection (acceptance falls with n); the first c that also protects the
	// maker there is the answer.
	for c := 0; c < top; c++ {
		lo, hi := max(c+1, p.N), top
		p.C, p.N = c, hi
		if p.accepts(ltpd) > beta {
			break
		}
		for lo < hi {
			mid := (lo + hi) / 2
			if p.N = mid; p.accepts(ltpd) <= beta {
				hi = mid
			} else {
				lo = mid + 1
			}
		}
		if p.N = lo; p.accepts(aql) >= 1-alpha {
			return p, nil
		}
	}
	return AcceptancePlan{}, inputErr("plan", fmt.Sprintf("aql %g, ltpd %g", aql, ltpd),
		fmt.Sprintf("shares further apart; no plan of up to %d checks holds both chances", top))
}

// PowerToSee is the chance that checks independent checks meet a fault that
// strikes the share fault of drinks: 1 - (1-fault)^checks. Five checks a shift
// see a fault in one drink of ten with 41 %.
func PowerToSee(checks int, fault float64) (float64, error) {
	if checks < 1 {
		return 0, inputErr("checks", checks, "at least 1")
	}
	if err := propRate("fault", fault); err != nil {
		return 0, err
	}
	return -math.Expm1(float64(checks) * math.Log1p(-fault)), nil
}

// ChecksToSee is the fewest checks that meet a fault in the share fault of
// drinks with the chance power: ln(1-power)/ln(1-fault), rounded up.
func ChecksToSee(fault, power float64) (int, error) {
	if err := propRate("fault", fault); err != nil {
		return 0, err
	}
	if err := propRate("power", power); err != nil {
		return 0, err
	}
	return planCeil(math.Log1p(-power) / math.Log1p(-fault))
}

// PowerWords states PowerToSee in words, and what would see the fault with
// 90 %.
func PowerWords(checks int, fault float64) (string, error) {
	p, err := PowerToSee(checks, fault)
	if err != nil {
		return "", err
	}
	n, err := ChecksToSee(fault, 0.9)
	if err != nil {
		return "", err
	}
	unit := "checks see"
	if checks == 1 {
		unit = "check sees"
	}
	return fmt.Sprintf("%d %s a fault in %.3g %% of drinks with a chance of %.0f %%; for 90 %%, %d checks are needed.",
		checks, unit, 100*fault, 100*p, n), nil
}

// NonInferiority is the size of a trial that shows a new method to be no worse
// than the old by more than Margin.
type NonInferiority struct {
	// PerArm is the checks for each arm, were they independent.
	PerArm int `json:"per_arm"`
	// DesignEffect is 1+(m-1)rho, and WithDesign the checks for each arm with it.
	DesignEffect float64 `json:"design_effect"`
	WithDesign   int     `json:"per_arm_with_design_effect"`
}

// NonInferiorityN works out the checks for each arm when both pass with the
// share p, one-sided at alpha:
//
//	n = (z_{1-alpha} + z_{power})^2 2 p (1-p) / margin^2, times 1+(m-1) rho
//
// for m checks a site and day (1 or more) whose results are alike with the
// intraclass correlation rho (0 to 1). Both numbers are rounded up. With fewer
// the answer is "cannot tell yet", not "fine". Source: common normal
// approximation, for instance Blackwelder 1982 (from memory); design effect
// Kish 1965 (from memory).
func NonInferiorityN(p, margin, alpha, power float64, m int, rho float64) (NonInferiority, error) {
	for _, f := range []struct {
		name string
		v    float64
	}{{"p", p}, {"margin", margin}, {"alpha", alpha}, {"power", power}} {
		if err := propRate(f.name, f.v); err != nil {
			return NonInferiority{}, err
		}
	}
	if alpha >= power {
		return NonInferiority{}, inputErr("power", power, fmt.Sprintf("above alpha, %g", alpha))
	}
	if m < 1 {
		return NonInferiority{}, inputErr("cluster size", m, "at least 1 check a site")
	}
	if !(rho >= 0 && rho <= 1) {
		return NonInferiority{}, inputErr("rho", rho, "0 to 1")
	}
	z := distuv.UnitNormal.Quantile(1-alpha) + distuv.UnitNormal.Quantile(power)
	n, err := planCeil(z * z * 2 * p * (1 - p) / (margin * margin))
	if err != nil {
		return NonInferiority{}, err
	}
	r := NonInferiority{PerArm: n, DesignEffect: 1 + float64(m-1)*rho}
	r.WithDesign, err = planCeil(float64(n) * r.DesignEffect)
	return r, err
}
