package espresso

import (
	"fmt"
	"math"
)

// Order is a drink asked for at AtS seconds (of any clock) that takes Shots
// single-equivalents, each half of a split double.
type Order struct {
	AtS   float64
	Shots int
}

// Pair is a split double shared by two orders, by their places in the
// sequence. WaitS is how long the second half stood, s.
type Pair struct {
	First, Second int
	WaitS         float64
}

// Pairing is how a sequence of orders shares its split doubles.
type Pairing struct {
	Pulls  int    // doubles pulled in all
	Pairs  []Pair // doubles shared by two orders
	Wasted []int  // orders whose other half was thrown away
	Shots  int    // singles asked for
}

// WastedSingles is how many halves were thrown away.
func (p Pairing) WastedSingles() int { return len(p.Wasted) }

// WastedShare is the halves thrown away over the halves pulled; 0 when nothing
// was pulled.
func (p Pairing) WastedShare() float64 {
	if p.Pulls == 0 {
		return 0
	}
	return float64(len(p.Wasted)) / float64(2*p.Pulls)
}

// PairSplits pairs the odd halves of a sequence of orders greedily: the half
// that one order leaves goes to the next odd order within windowS seconds, or
// is thrown away. For points in time this greedy choice wastes as little as any
// other, since two orders that could share never gain by skipping one between
// them. Common practice, no source.
//
// Orders must come in order of time; the first that does not is named.
func PairSplits(orders []Order, windowS float64) (Pairing, error) {
	if err := within("window", "s", windowS, 0, MaxTimeS); err != nil {
		return Pairing{}, err
	}
	const none = -1
	waiting, before := none, math.Inf(-1)
	var p Pairing
	for i, o := range orders {
		if !(math.Abs(o.AtS) <= 1e12) {
			return Pairing{}, fmt.Errorf("order %d: time %g s: %w; it must lie within 1e12 s of zero", i+1, o.AtS, ErrInput)
		}
		if o.AtS < before {
			return Pairing{}, fmt.Errorf("order %d: time %g s: %w; it must not precede the order before it, %g s; sort them", i+1, o.AtS, ErrInput, before)
		}
		if o.Shots < 0 || o.Shots > 100 {
			return Pairing{}, fmt.Errorf("order %d: shots %d: %w; they must lie in 0 to 100", i+1, o.Shots, ErrInput)
		}
		before = o.AtS
		p.Shots += o.Shots
		p.Pulls += o.Shots / 2
		if o.Shots%2 == 0 {
			continue
		}
		if waiting != none && o.AtS-orders[waiting].AtS <= windowS {
			p.Pairs = append(p.Pairs, Pair{First: waiting, Second: i, WaitS: o.AtS - orders[waiting].AtS})
			waiting = none
			continue
		}
		if waiting != none {
			p.Wasted = append(p.Wasted, waiting)
		}
		p.Pulls++
		waiting = i
	}
	if waiting != none {
		p.Wasted = append(p.Wasted, waiting)
	}
	return p, nil
}
