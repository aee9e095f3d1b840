// Package reportplan answers the questions of samecup plan and writes the
// answers in words.
package reportplan

import (
	"fmt"
	"strings"

	"samecup.example/samecup/internal/stat"
)

// Question holds the flags of samecup plan; only the set of the asked question
// is looked at.
type Question struct {
	// Sequential test.
	P0, P1, Alpha, Beta float64
	Max                 int
	// Power of checks a shift.
	Checks int
	Fault  float64
	// Acceptance plan.
	AQL, LTPD float64
	Model     string
	Lot       int
	Level     int
	// Published tables and their switching.
	TableAQL                         float64
	Severity, Outcomes, OutcomesFile string
	// Non-inferiority.
	Pass, Margin, Power, Rho float64
	Cluster                  int
}

// Point is one point of an operating characteristic.
type Point struct {
	P       float64 `json:"p"`
	PAccept float64 `json:"p_accept"`
}

// Report is the answer; the parts not asked for are nil.
type Report struct {
	Sequential *stat.SPRT           `json:"sequential,omitempty"`
	Curve      []stat.SPRTPoint     `json:"sequential_curve,omitempty"`
	Power      string               `json:"power,omitempty"`
	Chance     float64              `json:"chance,omitempty"`
	Plan       *stat.AcceptancePlan `json:"plan,omitempty"`
	OC         []Point              `json:"oc,omitempty"`
	Letter     string               `json:"code_letter,omitempty"`
	LetterN    int                  `json:"code_letter_n,omitempty"`
	Master     *stat.MasterPlan     `json:"table_plan,omitempty"`
	Switch     *SwitchReport        `json:"switching,omitempty"`
	Trial      *stat.NonInferiority `json:"non_inferiority,omitempty"`

	q Question
}

// Sequential answers for --p0 and --p1.
func Sequential(q Question) (*Report, error) {
	t, err := stat.NewSPRT(q.P0, q.P1, q.Alpha, q.Beta, q.Max)
	if err != nil {
		return nil, err
	}
	r := &Report{Sequential: &t, q: q}
	if q.Max > 0 {
		r.Curve, err = t.Curve(0, q.P0/2, q.P0, t.S, (t.S+q.P1)/2, q.P1, min(1, 2*q.P1))
	}
	return r, err
}

// Power answers for --checks and --fault.
func Power(q Question) (*Report, error) {
	words, err := stat.PowerWords(q.Checks, q.Fault)
	if err != nil {
		return nil, err
	}
	p, err := stat.PowerToSee(q.Checks, q.Fault)
	return &Report{Power: words, Chance: p, q: q}, err
}

// Accept answers for --aql and --ltpd.
func Accept(q Question) (*Report, error) {
	p, err := stat.FindPlan(q.AQL, q.Alpha, q.LTPD, q.Beta, stat.PlanModel(q.Model), q.Lot)
	if err != nil {
		return nil, err
	}
	r := &Report{Plan: &p, q: q}
	for _, s := range []float64{q.AQL / 2, q.AQL, (q.AQL + q.LTPD) / 2, q.LTPD, min(1, 1.5*q.LTPD)} {
		pa, err := p.Accepts(s)
		if err != nil {
			return nil, err
		}
		r.OC = append(r.OC, Point{s, pa})
	}
	return r, nil
}

// Trial answers for --pass and --margin.
func Trial(q Question) (*Report, error) {
	t, err := stat.NonInferiorityN(q.Pass, q.Margin, q.Alpha, q.Power, q.Cluster, q.Rho)
	return &Report{Trial: &t, q: q}, err
}

// String writes the answer in words.
func (r *Report) String() string {
	var b strings.Builder
	q := r.q
	switch {
	case r.Sequential != nil:
		b.WriteString(r.Sequential.String())
		if len(r.Curve) > 0 {
			fmt.Fprintf(&b, "\nFor each true share of bad drinks, the exact chance of each answer and the checks until then on average\n  %8s %8s %8s %12s %8s\n", "bad %", "accept", "reject", "cannot tell", "checks")
			for _, p := range r.Curve {
				fmt.Fprintf(&b, "  %8.3f %8.4f %8.4f %12.4f %8.1f\n", 100*p.P, p.PAccept, p.PReject, p.CannotTell, p.ASN)
			}
		}
	case r.Power != "":
		b.WriteString("Power of a number of checks\n  method       1 - (1 - fault)^checks\n  assumes      independent checks of drinks chosen at random, and a check that never misses\n")
		fmt.Fprintf(&b, "  n            %d\n\n%s\n", q.Checks, r.Power)
	case r.Plan != nil:
		b.WriteString("Acceptance plan\n")
		fmt.Fprintf(&b, "  method       fewest checks that hold both chances, %s", r.Plan.Model)
		if r.Plan.Lot > 0 {
			fmt.Fprintf(&b, ", lot of %d", r.Plan.Lot)
		}
		b.WriteString("\n  assumes      drinks drawn at random, each check right\n")
		fmt.Fprintf(&b, "  asked        at %.4g %% bad reject at most %.4g %%, at %.4g %% bad accept at most %.4g %%\n", 100*q.AQL, 100*q.Alpha, 100*q.LTPD, 100*q.Beta)
		fmt.Fprintf(&b, "  n            %d\n\nCheck %d drinks; accept with at most %d bad.\n\n  %8s %8s\n", r.Plan.N, r.Plan.N, r.Plan.C, "bad %", "accept")
		for _, p := range r.OC {
			fmt.Fprintf(&b, "  %8.3f %8.4f\n", 100*p.P, p.PAccept)
		}
	case r.Letter != "":
		r.letterWords(&b)
	case r.Switch != nil:
		r.Switch.words(&b, q)
	case r.Trial != nil:
		b.WriteString("Trial to show a method to be no worse\n  method       (z of alpha + z of power)^2 2 p (1-p) / margin^2, times 1 + (m-1) rho\n")
		b.WriteString("  assumes      both arms pass alike; one-sided\n")
		fmt.Fprintf(&b, "  asked        pass %.4g %%, margin %.4g points, alpha %.4g, power %.4g, %d checks a cluster, rho %.4g\n",
			100*q.Pass, 100*q.Margin, q.Alpha, q.Power, q.Cluster, q.Rho)
		fmt.Fprintf(&b, "  n            %d checks in each arm if all were independent, %d since those of a cluster are alike (design effect %.4g)\n\nWith fewer the answer is \"cannot tell yet\", not \"fine\". A safety event stops the trial at any n.\n",
			r.Trial.PerArm, r.Trial.WithDesign, r.Trial.DesignEffect)
	}
	return b.String()
}
