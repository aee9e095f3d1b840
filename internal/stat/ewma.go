package stat

import "math"

// EWMADesign fixes an exponentially weighted moving average chart,
//
//	z_t = lambda x_t + (1-lambda) z_{t-1},
//
// with limits Centre +/- L Sigma sqrt(lambda/(2-lambda) [1-(1-lambda)^(2t)]).
// Centre and Sigma are in the units of the readings; Sigma is that of one
// plotted value (for means of n, sigma/sqrt n). Roberts, Technometrics 1 (1959).
type EWMADesign struct {
	Centre float64 `json:"centre"`
	Sigma  float64 `json:"sigma"`
	Lambda float64 `json:"lambda"` // weight of the newest value, 0 < lambda <= 1
	L      float64 `json:"l"`      // half width in sigmas of z, > 0
	// Asymptotic drops the bracket: limits of constant width, slower at the start.
	Asymptotic bool `json:"asymptotic"`
}

// EWMAPoint is one value of the chart, in the units of the readings.
type EWMAPoint struct {
	Z      float64 `json:"z"`
	Lower  float64 `json:"lower"`
	Upper  float64 `json:"upper"`
	Signal int     `json:"signal"` // +1 above, -1 below, 0 inside
}

func (d EWMADesign) check() error {
	switch {
	case !isFinite(d.Centre):
		return inputErr("centre", d.Centre, "a finite number")
	case !isFinite(d.Sigma) || d.Sigma <= 0:
		return inputErr("sigma", d.Sigma, "above 0")
	}
	return checkEWMA(d.Lambda, d.L)
}

func checkEWMA(lambda, l float64) error {
	switch {
	case !(lambda >= 0.005 && lambda <= 1):
		return inputErr("lambda", lambda, "0.005 to 1")
	case !(l > 0 && l <= 10):
		return inputErr("L", l, "above 0, to 10")
	}
	return nil
}

// EWMA charts xs, starting at the centre. Each signal is judged on its own:
// the average is not reset.
func EWMA(xs []float64, d EWMADesign) ([]EWMAPoint, error) {
	if err := d.check(); err != nil {
		return nil, err
	}
	if len(xs) == 0 {
		return nil, inputErr("readings", "empty", "at least one")
	}
	if err := chartValues("readings", xs); err != nil {
		return nil, err
	}
	out := make([]EWMAPoint, len(xs))
	z := d.Centre
	for i, x := range xs {
		z = d.Lambda*x + (1-d.Lambda)*z
		w := d.L * d.Sigma * ewmaSpread(d.Lambda, i+1, d.Asymptotic)
		p := EWMAPoint{Z: z, Lower: d.Centre - w, Upper: d.Centre + w}
		switch {
		case z > p.Upper:
			p.Signal = 1
		case z < p.Lower:
			p.Signal = -1
		}
		out[i] = p
	}
	return out, nil
}

// ewmaSpread is the standard deviation of z_t in sigmas.
func ewmaSpread(lambda float64, t int, asymptotic bool) float64 {
	v := lambda / (2 - lambda)
	if !asymptotic {
		v *= 1 - math.Pow(1-lambda, 2*float64(t))
	}
	return math.Sqrt(v)
}

// EWMAARL returns the average run length of a two-sided EWMA with limits of
// constant width, for independent normal values whose mean has moved by shift
// sigmas. start is the first value of z as a share of the limit, 0 being the
// centre: one chart started off centre, not a pair of one-sided ones. The
// integral equation of Crowder (Technometrics 29, 1987) is solved at
// Gauss-Legendre nodes.
func EWMAARL(lambda, l, shift, start float64) (float64, error) {
	if err := checkARL(lambda, l, shift); err != nil {
		return 0, err
	}
	if !(start > -1 && start < 1) {
		return 0, inputErr("start", start, "between -1 and 1, as a share of the limit")
	}
	h := l * ewmaSpread(lambda, 1, true)
	if lambda == 1 {
		return shewhartARL(l, shift), nil
	}
	y, w, run, err := ewmaFixed(lambda, h, shift)
	if err != nil {
		return 0, err
	}
	return ewmaStep(lambda, shift, start*h, y, w, run), nil
}

// EWMAARLVarying is EWMAARL from the centre with the exact limits, which open
// with t; compare Steiner, Journal of Quality Technology 31 (1999).
func EWMAARLVarying(lambda, l, shift float64) (float64, error) {
	if err := checkARL(lambda, l, shift); err != nil {
		return 0, err
	}
	if lambda == 1 {
		return shewhartARL(l, shift), nil
	}
	y, w, run, err := ewmaFixed(lambda, l*ewmaSpread(lambda, 1, true), shift)
	if err != nil {
		return 0, err
	}
	// Go back from where the limits no longer move to the first point.
	last := int(math.Ceil(math.Log(1e-12) / (2 * math.Log(1-lambda))))
	for t := last; t >= 1; t-- {
		h := l * ewmaSpread(lambda, t, false)
		ty, tw := legendre(len(y), -h, h)
		trun := make([]float64, len(ty))
		for i, u := range ty {
			trun[i] = ewmaStep(lambda, shift, u, y, w, run)
		}
		y, w, run = ty, tw, trun
	}
	return ewmaStep(lambda, shift, 0, y, w, run), nil
}

func checkARL(lambda, l, shift float64) error {
	if err := checkEWMA(lambda, l); err != nil {
		return err
	}
	if !isFinite(shift) || math.Abs(shift) > 10 {
		return inputErr("shift", shift, "-10 to 10 sigmas")
	}
	// Past this the run length in control has no digits left.
	if l > 6 {
		return inputErr("L", l, "at most 6 for a run length")
	}
	return nil
}

func shewhartARL(l, shift float64) float64 {
	return 1 / (phiCDF(-l-shift) + phiCDF(-l+shift))
}

// ewmaFixed solves L(u) = 1 + (1/lambda) int L(y) phi((y-(1-lambda)u)/lambda - shift) dy.
func ewmaFixed(lambda, h, shift float64) (y, w, run []float64, err error) {
	n := min(400, 40+int(10*h/lambda))
	y, w = legendre(n, -h, h)
	a, b := make([]float64, n*n), make([]float64, n)
	for i := range y {
		b[i] = 1
		for j := range y {
			a[i*n+j] = -w[j] / lambda * phiPDF((y[j]-(1-lambda)*y[i])/lambda-shift)
		}
		a[i*n+i]++
	}
	run, err = arlSolve(n, a, b)
	return y, w, run, err
}

func ewmaStep(lambda, shift, u float64, y, w, run []float64) float64 {
	sum := 1.0
	for j := range y {
		sum += w[j] / lambda * run[j] * phiPDF((y[j]-(1-lambda)*u)/lambda-shift)
	}
	return sum
}

// EWMALimit returns the L whose in-control run length, with limits of constant
// width, is wished points (Crowder, Journal of Quality Technology 21, 1989).
func EWMALimit(lambda, wished float64) (float64, error) {
	if err := checkEWMA(lambda, 1); err != nil {
		return 0, err
	}
	return arlDesign(wished, 0.01, 6, func(l float64) (float64, error) { return EWMAARL(lambda, l, 0, 0) })
}
