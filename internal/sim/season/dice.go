package season

import (
	"math"
	"math/rand/v2"
	"strings"
)

// dice is a seeded source that can be set to any place cheaply. Each matter of
// each build has a place of its own, so that a fault, or a caller who does not
// ask for the truth, changes no other draw: runs that differ only in the fault
// can be compared build by build.
type dice struct {
	*rand.Rand
	pcg rand.PCG
}

// Salts keep the matters apart.
const (
	saltChain = iota + 1
	saltRoster
	saltShift
	saltOrder
	saltDial
	saltHumid
	saltPull
	saltMilk
	saltRead
	saltLog
	saltFault
	saltPlan
	saltLot
	saltDay
	saltHeldOut
	saltID
)

func newDice() *dice {
	d := &dice{}
	d.Rand = rand.New(&d.pcg)
	return d
}

// mix is the finaliser of SplitMix64.
func mix(x uint64) uint64 {
	x += 0x9e3779b97f4a7c15
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

func (d *dice) set(key uint64, salt uint64) {
	a := mix(key ^ salt<<56)
	d.pcg.Seed(a, mix(a+salt))
}

func (d *dice) between(lo, hi float64) float64 { return lo + (hi-lo)*d.Float64() }

func (d *dice) norm(mean, sd float64) float64 { return mean + sd*d.NormFloat64() }

// tailed is a draw of unit SD: normal, or Student's t of df degrees of freedom
// scaled to it.
func (d *dice) tailed(df int) float64 {
	z := d.NormFloat64()
	if df < 3 {
		return z
	}
	chi := 0.0
	for range df {
		x := d.NormFloat64()
		chi += x * x
	}
	n := float64(df)
	return z / math.Sqrt(chi/n) * math.Sqrt((n-2)/n)
}

// gamma is Marsaglia and Tsang's method (ACM Trans. Math. Softw. 26, 2000, from
// memory) for shapes of at least 1, at mean shape.
func (d *dice) gamma(shape float64) float64 {
	k := math.Max(shape, 1) - 1.0/3
	c := 1 / math.Sqrt(9*k)
	for {
		x := d.NormFloat64()
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(1-d.Float64()) < x*x/2+k-k*v+k*math.Log(v) {
			return k * v
		}
	}
}

// negativeBinomial is a Poisson draw about a gamma mean; the Poisson is taken
// as normal, which at means above 100 is as good.
func (d *dice) negativeBinomial(mean, dispersion float64) int {
	m := mean * d.gamma(dispersion) / math.Max(dispersion, 1)
	return int(math.Round(m + math.Sqrt(m)*d.NormFloat64()))
}

func cutDot(name string) (string, string, bool) { return strings.Cut(name, ".") }
