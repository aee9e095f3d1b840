package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
)

// arlSolve returns x of the dense system a x = b, a in row order.
func arlSolve(n int, a, b []float64) ([]float64, error) {
	var lu mat.LU
	lu.Factorize(mat.NewDense(n, n, a))
	x := mat.NewVecDense(n, nil)
	if err := lu.SolveVecTo(x, false, mat.NewVecDense(n, b)); err != nil {
		return nil, fmt.Errorf("%w: the run length is too long to compute: choose narrower limits: %w", ErrInput, err)
	}
	out := x.RawVector().Data
	for _, v := range out {
		if !isFinite(v) || v < 0 {
			return nil, inputErr("average run length", "beyond what can be computed", "narrower limits")
		}
	}
	return out, nil
}

// legendre returns n Gauss-Legendre nodes and weights on (lo, hi).
func legendre(n int, lo, hi float64) (x, w []float64) {
	x, w = make([]float64, n), make([]float64, n)
	quad.Legendre{}.FixedLocations(x, w, lo, hi)
	return x, w
}

// maxARL bounds a wished run length: above it doubles lose too many digits.
const maxARL = 1e8

// arlDesign finds the limit within (lo, hi) whose run length is wished; the run
// length must grow with the limit. The search is a bisection on the limit, to
// 1e-10.
func arlDesign(wished, lo, hi float64, arl func(limit float64) (float64, error)) (float64, error) {
	if !isFinite(wished) || wished < 2 || wished > maxARL {
		return 0, inputErr("wished in-control run length", wished, "2 to 1e8 points")
	}
	low, err := arl(lo)
	if err != nil {
		return 0, err
	}
	if low > wished {
		return 0, inputErr("wished in-control run length", wished,
			fmt.Sprintf("at least %.3g for this choice of memory", low))
	}
	for hi-lo > 1e-10*math.Max(1, hi) {
		mid := (lo + hi) / 2
		// Too long to compute is also longer than wished.
		if v, err := arl(mid); err != nil || v > wished {
			hi = mid
		} else {
			lo = mid
		}
	}
	return (lo + hi) / 2, nil
}
