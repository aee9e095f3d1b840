package stat

import (
	"fmt"
	"math"
	"strings"
)

// SPRT is a sequential test of the share of bad drinks: p0 is good, p1 is bad,
// Alpha the wished chance to reject at p0, Beta to accept at p1. After n checks
// with d bad: accept at d <= S n - H1, reject at d >= S n + H2, else go on.
//
//	k = ln[p1(1-p0)/(p0(1-p1))]  h1 = ln[(1-alpha)/beta]/k
//	h2 = ln[(1-beta)/alpha]/k    s  = ln[(1-p0)/(1-p1)]/k
//
// Max truncates it: after Max checks without an answer the answer is "cannot
// tell yet"; 0 is no truncation. Source: Wald, Sequential Analysis, 1947;
// NIST/SEMATECH e-Handbook 6.2.6 (both from memory).
type SPRT struct {
	P0    float64 `json:"p0"`
	P1    float64 `json:"p1"`
	Alpha float64 `json:"alpha"`
	Beta  float64 `json:"beta"`
	K     float64 `json:"k"`
	H1    float64 `json:"h1"`
	H2    float64 `json:"h2"`
	S     float64 `json:"s"`
	Max   int     `json:"max"`
}

// NewSPRT checks its input and works out the lines. Needs 0 < p0 < p1 < 1,
// alpha and beta above 0 with alpha+beta < 1, and max from 0 to 20,000.
func NewSPRT(p0, p1, alpha, beta float64, maxChecks int) (SPRT, error) {
	for _, f := range []struct {
		name string
		v    float64
	}{{"p0", p0}, {"p1", p1}, {"alpha", alpha}, {"beta", beta}} {
		if err := propRate(f.name, f.v); err != nil {
			return SPRT{}, err
		}
	}
	if p0 >= p1 {
		return SPRT{}, inputErr("p1", p1, fmt.Sprintf("above p0, %g", p0))
	}
	if alpha+beta >= 1 {
		return SPRT{}, inputErr("alpha+beta", alpha+beta, "below 1")
	}
	if maxChecks < 0 || maxChecks > 20000 {
		return SPRT{}, inputErr("max", maxChecks, "0 (no end) to 20000 checks")
	}
	t := SPRT{P0: p0, P1: p1, Alpha: alpha, Beta: beta, Max: maxChecks}
	t.K = math.Log(p1) + math.Log1p(-p0) - math.Log(p0) - math.Log1p(-p1)
	t.H1 = math.Log((1-alpha)/beta) / t.K
	t.H2 = math.Log((1-beta)/alpha) / t.K
	t.S = (math.Log1p(-p0) - math.Log1p(-p1)) / t.K
	if t.K == 0 || math.IsInf(t.H1+t.H2, 0) || math.IsNaN(t.H1+t.H2+t.S) {
		return SPRT{}, inputErr("p1", p1, "further from p0; the two cannot be told apart in double precision")
	}
	return t, nil
}

// Answer of a sequential test.
type Answer string

// The answers of a sequential test.
const (
	Accept     Answer = "accept"
	Reject     Answer = "reject"
	GoOn       Answer = "go on checking"
	CannotTell Answer = "cannot tell yet"
)

// Decide answers for d bad drinks in the first n checks. The caller asks after
// each check: an answer once given stands.
func (t SPRT) Decide(d, n int) (Answer, error) {
	if n < 0 {
		return "", inputErr("checks", n, "0 or more")
	}
	if d < 0 || d > n {
		return "", inputErr("bad", d, fmt.Sprintf("0 to the number of checks, %d", n))
	}
	return t.decide(d, n), nil
}

func (t SPRT) decide(d, n int) Answer {
	line := t.S * float64(n)
	switch {
	case n > 0 && float64(d) <= line-t.H1:
		return Accept
	case n > 0 && float64(d) >= line+t.H2:
		return Reject
	case t.Max > 0 && n >= t.Max:
		return CannotTell
	}
	return GoOn
}

// SPRTPoint is one point of the operating characteristic (PAccept against P)
// and of the average sample number (ASN, checks).
type SPRTPoint struct {
	P          float64 `json:"p"`
	PAccept    float64 `json:"p_accept"`
	PReject    float64 `json:"p_reject"`
	CannotTell float64 `json:"p_cannot_tell"`
	ASN        float64 `json:"asn"`
}

// Curve works out the exact operating characteristic and average sample number
// of the truncated test at each share p (0 to 1), by carrying the distribution
// of d forward one check at a time. Max must be set; the work grows with the
// number of open states, about (H1+H2) Max for each p.
func (t SPRT) Curve(ps ...float64) ([]SPRTPoint, error) {
	if t.Max < 1 {
		return nil, inputErr("max", t.Max, "at least 1; the exact curve is that of a truncated test")
	}
	// Bound the open states, so that shares too close answer in words, not hours.
	if work := min(float64(t.Max), t.H1+t.H2+2) * float64(t.Max); work > 5e6 {
		return nil, inputErr("max", t.Max, "fewer checks, or p1 further from p0: the exact curve has too many states")
	}
	out := make([]SPRTPoint, 0, len(ps))
	for _, p := range ps {
		if !(p >= 0 && p <= 1) {
			return nil, inputErr("p", p, "a share from 0 to 1")
		}
		out = append(out, t.point(p))
	}
	return out, nil
}

func (t SPRT) point(p float64) SPRTPoint {
	r := SPRTPoint{P: p}
	open := map[int]float64{0: 1}
	lo, hi := 0, 0
	for n := 1; n <= t.Max && len(open) > 0; n++ {
		next := make(map[int]float64, len(open)+1)
		nlo, nhi := math.MaxInt, -1
		for d := lo; d <= hi+1; d++ { // in order, so that sums repeat
			w := open[d]*(1-p) + open[d-1]*p
			if w == 0 {
				continue
			}
			switch t.decide(d, n) {
			case Accept:
				r.PAccept += w
				r.ASN += w * float64(n)
			case Reject:
				r.PReject += w
				r.ASN += w * float64(n)
			case CannotTell:
				r.CannotTell += w
				r.ASN += w * float64(n)
			default:
				next[d] = w
				nlo, nhi = min(nlo, d), max(nhi, d)
			}
		}
		open, lo, hi = next, nlo, nhi
	}
	return r
}

// Earliest gives the fewest checks that can accept (all good) and reject (all
// bad): ceil(H1/S) and ceil(H2/(1-S)).
func (t SPRT) Earliest() (accept, reject int) {
	return int(math.Ceil(t.H1 / t.S)), int(math.Ceil(t.H2 / (1 - t.S)))
}

// String gives the test in words.
func (t SPRT) String() string {
	var b strings.Builder
	a, r := t.Earliest()
	b.WriteString("Sequential test of the share of bad drinks\n")
	b.WriteString("  method       Wald's sequential probability ratio test, binomial\n")
	b.WriteString("  assumes      independent checks with one share throughout\n")
	fmt.Fprintf(&b, "  asked        where %.4g %% are bad, reject in about %.4g %% of cases (alpha); where %.4g %% are bad, accept in about %.4g %% (beta)\n", 100*t.P0, 100*t.Alpha, 100*t.P1, 100*t.Beta)
	fmt.Fprintf(&b, "  accept at    bad <= %.6f n - %.6f, n being the checks so far (earliest after %d good)\n", t.S, t.H1, a)
	fmt.Fprintf(&b, "  reject at    bad >= %.6f n + %.6f (earliest after %d bad)\n", t.S, t.H2, r)
	if t.Max > 0 {
		fmt.Fprintf(&b, "  ends         after %d checks: %q, which is not \"fine\"\n", t.Max, CannotTell)
	}
	return b.String()
}
