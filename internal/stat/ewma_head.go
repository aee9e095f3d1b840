package stat

import "math"

// EWMAARLHeadStart returns the average run length of the EWMA with the fast
// initial response of Lucas & Saccucci (Technometrics 32, 1990, section 4): two
// averages of the same readings run side by side, one begun at +start and one
// at -start (a share of the limit, 0 to below 1), and the chart signals when
// the upper one passes the upper limit or the lower one the lower. Both limits
// are of constant width.
//
// The two stay 2 (1-lambda)^t start apart, so together they are one average
// from the centre whose limits open from (1-start) of their width, which is
// solved backwards as in EWMAARLVarying.
func EWMAARLHeadStart(lambda, l, shift, start float64) (float64, error) {
	if err := checkARL(lambda, l, shift); err != nil {
		return 0, err
	}
	if !(start >= 0 && start < 1) {
		return 0, inputErr("head start", start, "0 to below 1, as a share of the limit")
	}
	if lambda == 1 {
		return shewhartARL(l, shift), nil
	}
	limit := l * ewmaSpread(lambda, 1, true)
	y, w, run, err := ewmaFixed(lambda, limit, shift)
	if err != nil {
		return 0, err
	}
	if start == 0 {
		return ewmaStep(lambda, shift, 0, y, w, run), nil
	}
	last := int(math.Ceil(math.Log(1e-12/start) / math.Log(1-lambda)))
	for t := last; t >= 1; t-- {
		h := limit * (1 - start*math.Pow(1-lambda, float64(t)))
		ty, tw := legendre(len(y), -h, h)
		trun := make([]float64, len(ty))
		for i, u := range ty {
			trun[i] = ewmaStep(lambda, shift, u, y, w, run)
		}
		y, w, run = ty, tw, trun
	}
	return ewmaStep(lambda, shift, 0, y, w, run), nil
}
