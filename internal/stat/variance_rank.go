package stat

import "math/rand/v2"

// rankedLevels bounds the levels of one factor that are ranked: among more, an
// interval of ranks says nothing that the interval of the effect does not.
const rankedLevels = 2000

// rankEffects fills the rank intervals of each factor's levels from draws of
// the effects about their predictions, independent of one another (errors that
// levels share, such as that of the mean, move no rank). The seed is fixed, so
// the intervals repeat. A factor without spread gets the whole range.
func rankEffects(effects []LevelEffect, confidence float64) {
	for from := 0; from < len(effects); {
		to := from + 1
		for to < len(effects) && effects[to].Factor == effects[from].Factor {
			to++
		}
		rankFactor(effects[from:to], confidence)
		from = to
	}
}

func rankFactor(levels []LevelEffect, confidence float64) {
	k := len(levels)
	if k > rankedLevels {
		return
	}
	ranks, draws := make([]Shrunk, k), make([]func() float64, k)
	src := rand.New(rand.NewPCG(bayesSeed, uint64(k)))
	spread := false
	for i, l := range levels {
		draws[i] = func() float64 { return l.Effect + l.SE*src.NormFloat64() }
		spread = spread || l.SE > 0
	}
	if spread {
		rankIntervals(ranks, draws, confidence)
	}
	for i := range levels {
		levels[i].RankLow, levels[i].RankHigh = 1, k
		if spread {
			levels[i].RankLow, levels[i].RankHigh = ranks[i].RankLow, ranks[i].RankHigh
		}
	}
}
