package stat

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Bounds is a closed interval from Lower to Upper, in the unit of the quantity
// it belongs to.
type Bounds struct {
	Lower float64 `json:"lower"`
	Upper float64 `json:"upper"`
}

// Width is Upper less Lower.
func (b Bounds) Width() float64 { return b.Upper - b.Lower }

// Contains reports whether v lies within the interval, ends included.
func (b Bounds) Contains(v float64) bool { return b.Lower <= v && v <= b.Upper }

func boundsConf(conf float64) (z float64, err error) {
	if !(conf > 0 && conf < 1) {
		return 0, inputErr("confidence", conf, "a share above 0 and below 1, such as 0.95")
	}
	return distuv.UnitNormal.Quantile((1 + conf) / 2), nil
}

func propInput(x, n int) error {
	if n < 1 {
		return inputErr("checks", n, "at least 1; a share of nothing is not known")
	}
	if x < 0 || x > n {
		return inputErr("bad", x, fmt.Sprintf("0 to the number of checks, %d", n))
	}
	return nil
}

func propRate(field string, p float64) error {
	if !(p > 0 && p < 1) {
		return inputErr(field, p, "a share above 0 and below 1, such as 0.05 for 5 %")
	}
	return nil
}

// Wilson is the score interval for a share of x in n at confidence conf:
//
//	(2x + z^2 -/+ z sqrt(z^2 + 4x(n-x)/n)) / (2(n + z^2))
//
// without continuity correction. It holds up for few checks and for x = 0 or
// x = n, where the interval touches 0 or 1 exactly. Source: Wilson 1927;
// Newcombe 1998, Statistics in Medicine 17, 857-872, method 3.
func Wilson(x, n int, conf float64) (Bounds, error) {
	z, err := boundsConf(conf)
	if err != nil {
		return Bounds{}, err
	}
	return WilsonZ(x, n, z)
}

// WilsonZ is Wilson with the normal deviate given, for tables worked with a
// rounded one such as 1.96. z must be above 0.
func WilsonZ(x, n int, z float64) (Bounds, error) {
	if err := propInput(x, n); err != nil {
		return Bounds{}, err
	}
	if !(z > 0) || math.IsInf(z, 0) {
		return Bounds{}, inputErr("z", z, "a finite number above 0, such as 1.96")
	}
	fx, fn := float64(x), float64(n)
	half := z * math.Sqrt(z*z+4*fx*(fn-fx)/fn)
	b := Bounds{(2*fx + z*z - half) / (2 * (fn + z*z)), (2*fx + z*z + half) / (2 * (fn + z*z))}
	if x == 0 {
		b.Lower = 0
	}
	if x == n {
		b.Upper = 1
	}
	return b, nil
}

// ClopperPearson is the exact interval for a share of x in n: the shares that
// neither one-sided binomial test at (1-conf)/2 rejects, from quantiles of the
// beta distribution. It never covers less often than conf says, and is wider
// than Wilson. Source: Clopper and Pearson 1934, Biometrika 26, 404-413.
func ClopperPearson(x, n int, conf float64) (Bounds, error) {
	if _, err := boundsConf(conf); err != nil {
		return Bounds{}, err
	}
	if err := propInput(x, n); err != nil {
		return Bounds{}, err
	}
	b, tail := Bounds{0, 1}, (1-conf)/2
	if x > 0 {
		b.Lower = mathext.InvRegIncBeta(float64(x), float64(n-x+1), tail)
	}
	if x < n {
		b.Upper = mathext.InvRegIncBeta(float64(x+1), float64(n-x), 1-tail)
	}
	return b, nil
}

// Difference is the interval for the share x1/n1 less the share x2/n2, built
// from the two Wilson intervals (Newcombe's hybrid score interval). Source:
// Newcombe 1998, Statistics in Medicine 17, 873-890, method 10.
func Difference(x1, n1, x2, n2 int, conf float64) (diff float64, b Bounds, err error) {
	w1, err := Wilson(x1, n1, conf)
	if err != nil {
		return 0, Bounds{}, fmt.Errorf("first share: %w", err)
	}
	w2, err := Wilson(x2, n2, conf)
	if err != nil {
		return 0, Bounds{}, fmt.Errorf("second share: %w", err)
	}
	p1, p2 := float64(x1)/float64(n1), float64(x2)/float64(n2)
	diff = p1 - p2
	b.Lower = diff - math.Hypot(p1-w1.Lower, w2.Upper-p2)
	b.Upper = diff + math.Hypot(w1.Upper-p1, p2-w2.Lower)
	return diff, b, nil
}

// ChecksToTell is the number of checks of one site that tells a rate of bad
// drinks p1 from the chain's rate p0 with the power given, two-sided at alpha:
//
//	n = ((z_{1-alpha/2} sqrt(p0(1-p0)) + z_{power} sqrt(p1(1-p1))) / (p1-p0))^2
//
// rounded up; the normal approximation, short for n p0 below about 5. Source:
// common one-sample formula, for instance Fleiss, Statistical Methods for Rates
// and Proportions (from memory).
func ChecksToTell(p0, p1, alpha, power float64) (int, error) {
	for _, f := range []struct {
		name string
		v    float64
	}{{"p0", p0}, {"p1", p1}, {"alpha", alpha}, {"power", power}} {
		if err := propRate(f.name, f.v); err != nil {
			return 0, err
		}
	}
	if p0 == p1 {
		return 0, inputErr("p1", p1, "another share than p0; no number of checks tells equal rates apart")
	}
	za, zb := distuv.UnitNormal.Quantile(1-alpha/2), distuv.UnitNormal.Quantile(power)
	r := (za*math.Sqrt(p0*(1-p0)) + zb*math.Sqrt(p1*(1-p1))) / (p1 - p0)
	return planCeil(r * r)
}

// planCeil rounds a needed number up, and refuses numbers no one can check.
func planCeil(v float64) (int, error) {
	if math.IsNaN(v) || v > 1e12 {
		return 0, inputErr("number needed", v, "below 1e12; ask for a larger difference")
	}
	return int(math.Ceil(v - 1e-9)), nil
}
