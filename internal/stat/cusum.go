package stat

import "math"

// CUSUMDesign fixes a two-sided tabular CUSUM,
//
//	C+ = max(0, C+ + x - Centre - K),  C- = max(0, C- + Centre - K - x),
//
// that signals when either exceeds H. All are in the units of the readings; K
// is half the shift worth finding. HeadStart is where both sums begin, H/2 for
// the fast initial response of Lucas & Crosier, Technometrics 24 (1982).
type CUSUMDesign struct {
	Centre    float64 `json:"centre"`
	K         float64 `json:"k"`
	H         float64 `json:"h"`
	HeadStart float64 `json:"head_start"`
}

// CUSUMPoint is one value of the chart.
type CUSUMPoint struct {
	High float64 `json:"high"` // C+
	Low  float64 `json:"low"`  // C-
	// HighSince and LowSince count the points since each sum was last zero: on
	// a signal they estimate how long ago the shift began.
	HighSince int `json:"high_since"`
	LowSince  int `json:"low_since"`
	Signal    int `json:"signal"` // +1, -1, 0; +1 when both
}

// CUSUM charts xs. The sums are not reset at a signal.
func CUSUM(xs []float64, d CUSUMDesign) ([]CUSUMPoint, error) {
	switch {
	case !isFinite(d.Centre):
		return nil, inputErr("centre", d.Centre, "a finite number")
	case !isFinite(d.K) || d.K < 0:
		return nil, inputErr("k", d.K, "0 or more")
	case !isFinite(d.H) || d.H <= 0:
		return nil, inputErr("h", d.H, "above 0")
	case !(d.HeadStart >= 0 && d.HeadStart < d.H):
		return nil, inputErr("head start", d.HeadStart, "0 or more, below h")
	case len(xs) == 0:
		return nil, inputErr("readings", "empty", "at least one")
	}
	if err := chartValues("readings", xs); err != nil {
		return nil, err
	}
	out := make([]CUSUMPoint, len(xs))
	p := CUSUMPoint{High: d.HeadStart, Low: d.HeadStart}
	for i, x := range xs {
		p.High, p.HighSince = cusumStep(p.High+x-d.Centre-d.K, p.HighSince)
		p.Low, p.LowSince = cusumStep(p.Low+d.Centre-d.K-x, p.LowSince)
		switch {
		case p.High > d.H:
			p.Signal = 1
		case p.Low > d.H:
			p.Signal = -1
		default:
			p.Signal = 0
		}
		out[i] = p
	}
	return out, nil
}

func cusumStep(sum float64, since int) (float64, int) {
	if sum <= 0 {
		return 0, 0
	}
	return sum, since + 1
}

// CUSUMARLOneSided returns the average run length of the upper sum alone, for
// independent normal values: k, h and start in sigmas, the mean moved by shift
// sigmas. The integral equation of Page (Biometrika 41, 1954), with its atom at
// zero, is solved at Gauss-Legendre nodes.
func CUSUMARLOneSided(k, h, shift, start float64) (float64, error) {
	if err := checkCUSUM(k, h, shift, start); err != nil {
		return 0, err
	}
	run, err := cusumRun(k, h, shift, start)
	return run[1], err
}

// CUSUMARL returns the average run length of the two-sided chart, both sums
// beginning at start (sigmas). The two sides combine as
//
//	[L+(s) L-(0) + L+(0) L-(s) - L+(0) L-(0)] / [L+(0) + L-(0)],
//
// which for s = 0 is 1/L = 1/L+ + 1/L- (Lucas & Crosier 1982).
func CUSUMARL(k, h, shift, start float64) (float64, error) {
	if err := checkCUSUM(k, h, shift, start); err != nil {
		return 0, err
	}
	up, err := cusumRun(k, h, shift, start)
	if err != nil {
		return 0, err
	}
	// A side that all but never signals leaves the other alone.
	down, err := cusumRun(k, h, -shift, start)
	if err != nil || down[0] > 1e12 {
		return up[1], nil
	}
	if up[0] > 1e12 {
		return down[1], nil
	}
	return (up[1]*down[0] + up[0]*down[1] - up[0]*down[0]) / (up[0] + down[0]), nil
}

func checkCUSUM(k, h, shift, start float64) error {
	switch {
	case !(k >= 0 && k <= 5):
		return inputErr("k", k, "0 to 5 sigmas")
	case !(h > 0 && h <= 40):
		return inputErr("h", h, "above 0, to 40 sigmas")
	case !isFinite(shift) || math.Abs(shift) > 10:
		return inputErr("shift", shift, "-10 to 10 sigmas")
	case !(start >= 0 && start < h):
		return inputErr("head start", start, "0 or more, below h")
	}
	return nil
}

// cusumRun returns the run lengths from 0 and from start.
func cusumRun(k, h, shift, start float64) ([2]float64, error) {
	nodes := 40 + int(8*h)
	y, w := legendre(nodes, 0, h)
	y, w = append([]float64{0}, y...), append([]float64{0}, w...)
	n := len(y)
	a, b := make([]float64, n*n), make([]float64, n)
	for i := range y {
		b[i] = 1
		a[i*n] = -phiCDF(k - shift - y[i])
		for j := 1; j < n; j++ {
			a[i*n+j] = -w[j] * phiPDF(y[j]-y[i]+k-shift)
		}
		a[i*n+i]++
	}
	run, err := arlSolve(n, a, b)
	if err != nil {
		return [2]float64{}, err
	}
	at := 1 + run[0]*phiCDF(k-shift-start)
	for j := 1; j < n; j++ {
		at += w[j] * run[j] * phiPDF(y[j]-start+k-shift)
	}
	return [2]float64{run[0], at}, nil
}

// CUSUMInterval returns the h, in sigmas, whose two-sided in-control run length
// without head start is wished points for the given k.
func CUSUMInterval(k, wished float64) (float64, error) {
	if err := checkCUSUM(k, 1, 0, 0); err != nil {
		return 0, err
	}
	return arlDesign(wished, 1e-6, 40, func(h float64) (float64, error) { return CUSUMARL(k, h, 0, 0) })
}
