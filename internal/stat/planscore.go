package stat

import "fmt"

// Score is the switching score after a lot on this plan, whose sample held bad bad
// drinks, when it was before (0 at the start of normal inspection):
//
//   - acceptance number 2 or more: 3 more if the lot would have been accepted by
//     the plan for the next lower AQL too, else back to 0;
//   - acceptance number 0 or 1: 2 more if the lot was accepted, else back to 0.
//
// For plans of normal inspection only. Where the AQL's cell holds an arrow, the
// plan that it points to counts. Source: ISO 2859-1:1999, 9.3.3.2, not read; both
// rules as explained in exercises of a Chinese examination of quality engineers
// (2011), which follow the same text, and the limit of 30 in published summaries.
func (p MasterPlan) Score(before, bad int) (int, error) {
	if p.Severity != SeverityNormal {
		return 0, inputErr("severity", p.Severity, "normal; there is no switching score on others")
	}
	if before < 0 {
		return 0, inputErr("switching score", before, "0 or more")
	}
	if bad < 0 || bad > p.N {
		return 0, inputErr("bad", bad, fmt.Sprintf("0 to %d, the drinks checked", p.N))
	}
	if p.Accept < 2 {
		if bad > p.Accept {
			return 0, nil
		}
		return before + 2, nil
	}
	tighter, err := p.tighter()
	if err != nil {
		return 0, err
	}
	if bad > tighter.Accept {
		return 0, nil
	}
	return before + 3, nil
}

// tighter is the plan of the same sample for the next lower AQL.
func (p MasterPlan) tighter() (MasterPlan, error) {
	for i := 1; i < len(masterAQL); i++ {
		if masterAQL[i] >= p.AQL*(1-1e-9) {
			return Master(p.Letter, masterAQL[i-1], p.Severity)
		}
	}
	return MasterPlan{}, inputErr("AQL", p.AQL, fmt.Sprintf("one of %v, in per cent", masterAQL))
}
