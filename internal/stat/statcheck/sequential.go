package statcheck

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/check"
	"samecup.example/samecup/internal/stat"
)

// sequentialCurves hold the operating characteristic and the average number of
// checks of the sequential test against tables.
func sequentialCurves() []check.Check {
	const gs = "R package gsDesign, its stored test table of binomialSPRT(.04, .1, .04, .2, 4, 75)"
	var out []check.Check
	point := func(p float64, figure func(stat.SPRTPoint) float64) func() (float64, error) {
		return pick(func() (stat.SPRTPoint, error) { return onePoint(0.04, 0.1, 0.04, 0.2, 75, p) }, figure)
	}
	for _, c := range []struct{ p, accept, reject, checks float64 }{
		{.02, .964, .001, 34.8}, {.04, .769, .019, 46.4}, {.06, .506, .108, 54.3}, {.08, .291, .290, 56.1},
		{.10, .155, .516, 52.8}, {.12, .079, .714, 46.8}, {.14, .039, .851, 40.2}, {.16, .020, .930, 34.2},
	} {
		name := fmt.Sprintf("sequential test of .04 against .1, at most 75 checks, at %g, ", c.p)
		out = append(out,
			row(name+"accepts", gs, c.accept, 5.1e-4, "1", point(c.p, func(p stat.SPRTPoint) float64 { return p.PAccept })),
			row(name+"rejects", gs, c.reject, 5.1e-4, "1", point(c.p, func(p stat.SPRTPoint) float64 { return p.PReject })),
			row(name+"checks on average", gs, c.checks, 0.051, "drinks", point(c.p, func(p stat.SPRTPoint) float64 { return p.ASN })))
	}
	return append(out, gamblersRuin()...)
}

// gamblersRuin: where p0 and p1 are 0.45 and 0.55 a bad drink moves the test up
// by as much as a good one moves it down, so it is a game for one coin at a time:
// a capital z, ruin at 0 (accept), the end at a (reject). No step goes past a
// line, so the exact curve is the classical one.
func gamblersRuin() []check.Check {
	const feller = "Feller, An Introduction to Probability Theory and Its Applications I (1968), XIV.2, table 1" + fromMemory + "; formulas (2.4) and (3.4) agree"
	var out []check.Check
	for _, c := range []struct {
		p           float64
		z, a        int
		ruin, games float64
	}{
		{.5, 9, 10, .1, 9}, {.45, 9, 10, .210, 11}, {.45, 90, 100, .866, 765.6}, {.45, 99, 100, .182, 171.8},
		{.4, 90, 100, .983, 441.3}, {.4, 99, 100, .333, 161.7},
	} {
		point := func(figure func(stat.SPRTPoint) float64) func() (float64, error) {
			return pick(func() (stat.SPRTPoint, error) {
				// Lines a millionth nearer than z and a-z, so that rounding
				// cannot put a step short of them; alpha and beta follow.
				const p0, p1, nearer = 0.45, 0.55, 1e-6
				down := math.Pow(p1/p0, float64(c.z)-nearer)
				up := math.Pow(p1/p0, float64(c.a-c.z)-nearer)
				return onePoint(p0, p1, (down-1)/(up*down-1), (up-1)/(up*down-1), 8000, c.p)
			}, figure)
		}
		name := fmt.Sprintf("sequential test as the ruin of a gambler, p %g, %d of %d, ", c.p, c.z, c.a)
		out = append(out,
			row(name+"accepts", feller, c.ruin, 5.1e-4, "1", point(func(p stat.SPRTPoint) float64 { return p.PAccept })),
			row(name+"checks on average", feller, c.games, 0.051, "drinks", point(func(p stat.SPRTPoint) float64 { return p.ASN })))
	}
	return out
}

func onePoint(p0, p1, alpha, beta float64, most int, p float64) (stat.SPRTPoint, error) {
	t, err := stat.NewSPRT(p0, p1, alpha, beta, most)
	if err != nil {
		return stat.SPRTPoint{}, err
	}
	curve, err := t.Curve(p)
	if err != nil {
		return stat.SPRTPoint{}, err
	}
	return curve[0], nil
}
