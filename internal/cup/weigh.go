package cup

import "fmt"

const (
	coldestC = 0
	warmestC = 40
	// mostGrams is a cubic metre of water: nothing a scale at the bar can read.
	mostGrams = 1e6
)

// WaterDensity is the density, g/ml, of pure air-free water at tempC °C, 0 to 40
// and one atmosphere; ErrRange outside. M. Tanaka and others, "Recommended table
// for the density of water between 0 °C and 40 °C", Metrologia 38 (2001)
// 301-309. Tap water differs by less than 0.1 %.
func WaterDensity(tempC float64) (float64, error) {
	if !(tempC >= coldestC && tempC <= warmestC) {
		return 0, fmt.Errorf("water temperature %g °C: %w of %d to %d °C; weigh with water that has stood in the room", tempC, ErrRange, coldestC, warmestC)
	}
	const a1, a2, a3, a4, a5 = -3.983035, 301.797, 522528.9, 69.34881, 999.974950
	d := tempC + a1
	return a5 * (1 - d*d*(tempC+a2)/(a3*(tempC+a4))) / 1000, nil
}

// WaterML is the volume, ml, of grams of water at tempC. The buoyancy of air,
// which makes a scale read about 0.1 % light, is not corrected: it is a
// thirtieth of the tolerance at goods-in. ErrRange for grams of 0 or less, or
// above 1 000 000.
func WaterML(grams, tempC float64) (float64, error) {
	density, err := WaterDensity(tempC)
	if err != nil {
		return 0, err
	}
	if !(grams > 0 && grams <= mostGrams) {
		return 0, fmt.Errorf("weighed water %g g: %w; it must be above 0 and at most %g g: tare the empty cup", grams, ErrRange, float64(mostGrams))
	}
	return grams / density, nil
}

// Weighed is a fill of water as weighed: grams in the cup with the level at
// DepthMM. AtBrim marks a fill to the lip, whose depth is the height; its
// DepthMM is then not read.
type Weighed struct {
	DepthMM, Grams float64
	AtBrim         bool
}

// FillsOf turns weighed water at tempC into fills for NewTable, in the order
// given. A fill AtBrim stands at heightMM.
func FillsOf(weighed []Weighed, tempC, heightMM float64) ([]Fill, error) {
	fills := make([]Fill, len(weighed))
	for i, w := range weighed {
		ml, err := WaterML(w.Grams, tempC)
		if err != nil {
			return nil, fmt.Errorf("fill %d: %w", i+1, err)
		}
		depthMM := w.DepthMM
		if w.AtBrim {
			depthMM = heightMM
		}
		if !(depthMM > 0 && depthMM <= mostMM) {
			return nil, fmt.Errorf("fill %d: depth %g mm: %w; it must be above 0 and at most %d mm", i+1, depthMM, ErrRange, mostMM)
		}
		fills[i] = Fill{DepthMM: depthMM, VolumeML: ml}
	}
	return fills, nil
}
