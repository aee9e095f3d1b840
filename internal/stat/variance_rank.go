package stat

import (
	"math/rand/v2"
	"slices"
)

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
	ranks := make([]Shrunk, k)
	src := rand.New(rand.NewPCG(bayesSeed, uint64(k)))
	spread := slices.ContainsFunc(levels, func(l LevelEffect) bool { return l.SE > 0 })
	if spread {
		rankIntervals(ranks, confidence, func(v []float64) {
			for i, l := range levels {
				v[i] = l.Effect + l.SE*src.NormFloat64()
			}
		})
	}
	for i := range levels {
		levels[i].RankLow, levels[i].RankHigh = 1, k
		if spread {
			levels[i].RankLow, levels[i].RankHigh = ranks[i].RankLow, ranks[i].RankHigh
		}
	}
}
