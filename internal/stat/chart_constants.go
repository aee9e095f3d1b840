package stat

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// Constants are the factors of Shewhart charts for samples of n independent
// normal readings, W their range and S their standard deviation in sigmas.
type Constants struct {
	N      int
	D2     float64 // E[W]
	D3     float64 // standard deviation of W
	C4     float64 // E[S]
	A2, A3 float64 // 3/(d2 sqrt n), 3/(c4 sqrt n)
	LR, UR float64 // D3 and D4 of the tables: max(0, 1 -/+ 3 d3/d2)
	LS, US float64 // B3 and B4 of the tables: max(0, 1 -/+ 3 sqrt(1-c4^2)/c4)
}

// ChartConstants computes the factors for n of 2 to 1000, to about 1e-9: d2
// and d3 by integration over the density of the range (Tippett, Biometrika 17,
// 1925), c4 = sqrt(2/(n-1)) Gamma(n/2)/Gamma((n-1)/2).
func ChartConstants(n int) (Constants, error) {
	if n < 2 || n > 1000 {
		return Constants{}, inputErr("sample size", n, "2 to 1000")
	}
	density := func(w float64) float64 {
		const step, reach = 0.05, 8.5
		sum := 0.0
		for x := -reach - w/2; x <= reach; x += step {
			between := phiCDF(x+w) - phiCDF(x)
			sum += phiPDF(x) * phiPDF(x+w) * math.Pow(between, float64(n-2))
		}
		return float64(n) * float64(n-1) * sum * step
	}
	m1 := quad.Fixed(func(w float64) float64 { return w * density(w) }, 0, 16, 80, quad.Legendre{}, 0)
	m2 := quad.Fixed(func(w float64) float64 { return w * w * density(w) }, 0, 16, 80, quad.Legendre{}, 0)
	up, _ := math.Lgamma(float64(n) / 2)
	down, _ := math.Lgamma(float64(n-1) / 2)
	c := Constants{N: n, D2: m1, D3: math.Sqrt(m2 - m1*m1), C4: math.Sqrt(2/float64(n-1)) * math.Exp(up-down)}
	root := math.Sqrt(float64(n))
	c.A2, c.A3 = 3/(c.D2*root), 3/(c.C4*root)
	r, s := 3*c.D3/c.D2, 3*math.Sqrt(1-c.C4*c.C4)/c.C4
	c.LR, c.UR = math.Max(0, 1-r), 1+r
	c.LS, c.US = math.Max(0, 1-s), 1+s
	return c, nil
}
