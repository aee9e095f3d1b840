package milk

import (
	"errors"
	"fmt"

	"samecup.example/samecup/internal/cup"
)

// Froth is aerated milk poured and left to settle.
type Froth struct {
	HotML   float64 // hot liquid milk in all, mL
	AirML   float64 // air worked in at the jug, mL
	FrothML float64 // settled froth layer, mL, its share of the liquid included
	UnderML float64 // liquid milk under the layer, mL
}

// FrothOf is the froth of hotML of hot liquid milk at an aeration (air over hot
// liquid), when gasShare of the settled layer is gas: layer = air / gasShare.
// A gas share of 0.55 at an age of 30 s is assumed, no source; it must be
// measured for each milk. The layer holds liquid of its own, so it fails when
// there is not enough milk for the froth to be that wet.
func FrothOf(hotML, aeration, gasShare float64) (Froth, error) {
	if err := errors.Join(volume("hot milk", hotML), within("aeration", "", aeration, 0, maxAeration), within("gas share", "", gasShare, minGasShare, 1)); err != nil {
		return Froth{}, err
	}
	f := Froth{HotML: hotML, AirML: hotML * aeration}
	f.FrothML = f.AirML / gasShare
	f.UnderML = hotML + f.AirML - f.FrothML
	if f.UnderML < 0 && f.UnderML > -1e-9*hotML {
		f.UnderML = 0
	}
	if f.UnderML < 0 {
		return Froth{}, fmt.Errorf("aeration %g: %w; froth with a gas share of %g holds at most %g", aeration, ErrInput, gasShare, gasShare/(1-gasShare))
	}
	return f, nil
}

// AerationFor is the inverse of FrothOf: the aeration at the jug that leaves
// frothML of settled froth from hotML of hot liquid milk.
func AerationFor(frothML, hotML, gasShare float64) (float64, error) {
	if err := errors.Join(volume("froth", frothML), positive("hot milk", "mL", hotML, maxVolumeML), within("gas share", "", gasShare, minGasShare, 1)); err != nil {
		return 0, err
	}
	aeration := frothML * gasShare / hotML
	if err := within("aeration", "", aeration, 0, maxAeration); err != nil {
		return 0, fmt.Errorf("froth %g mL from %g mL of hot milk: %w", frothML, hotML, err)
	}
	if _, err := FrothOf(hotML, aeration, gasShare); err != nil {
		return 0, fmt.Errorf("froth %g mL from %g mL of hot milk: %w", frothML, hotML, err)
	}
	return aeration, nil
}

// FrothVolumeAt is the inverse of FrothDepth: the froth, mL, in a layer of
// depthMM that closes a fill of filledML in the vessel p. What stands above the
// lip is taken as a dome, a spherical cap on the rim, of at most the rim's
// radius.
func FrothVolumeAt(p cup.Profile, filledML, depthMM float64) (float64, error) {
	if err := volume("fill", filledML); err != nil {
		return 0, err
	}
	over := 0.0
	below := depthMM
	if brim := p.Brim(); filledML > brim {
		over = filledML - brim
		dome, err := DomeHeight(p, over)
		if err != nil {
			return 0, err
		}
		below -= dome
		filledML = brim
	}
	level, err := p.Depth(filledML)
	if err != nil {
		return 0, fmt.Errorf("fill level: %w", err)
	}
	foot := level - below
	if foot < 0 && foot > -1e-9*level {
		foot = 0
	}
	if !(below >= 0 && foot >= 0) {
		return 0, fmt.Errorf("froth depth %g mm: %w; it must lie in %g to %g mm for this fill", depthMM, ErrInput, depthMM-below, depthMM-below+level)
	}
	under, err := p.Volume(foot)
	if err != nil {
		return 0, fmt.Errorf("foot of the froth: %w", err)
	}
	return filledML - under + over, nil
}

// DepthOfAeration is the froth depth, mm, in the vessel p of a drink filled to
// filledML (froth included) over baseML of espresso, sauce and water, with milk
// of an aeration and settled froth of gasShare. The same jug gives a thinner
// layer in a wider cup: depth goes as one over the square of the diameter.
func DepthOfAeration(p cup.Profile, filledML, baseML, aeration, gasShare float64) (float64, error) {
	if err := errors.Join(volume("fill", filledML), within("aeration", "", aeration, 0, maxAeration)); err != nil {
		return 0, err
	}
	if err := within("espresso, sauce and water", "mL", baseML, 0, filledML); err != nil {
		return 0, err
	}
	f, err := FrothOf((filledML-baseML)/(1+aeration), aeration, gasShare)
	if err != nil {
		return 0, err
	}
	return FrothDepth(p, filledML, f.FrothML)
}

// AerationForDepth is the inverse of DepthOfAeration: the aeration at the jug
// that gives depthMM of settled froth in the vessel p.
func AerationForDepth(p cup.Profile, filledML, baseML, depthMM, gasShare float64) (float64, error) {
	frothML, err := FrothVolumeAt(p, filledML, depthMM)
	if err != nil {
		return 0, err
	}
	if err := errors.Join(within("espresso, sauce and water", "mL", baseML, 0, filledML), within("gas share", "", gasShare, minGasShare, 1)); err != nil {
		return 0, err
	}
	hotML := filledML - baseML - frothML*gasShare
	if !(hotML > 0) {
		return 0, fmt.Errorf("froth depth %g mm: %w; its air leaves no milk in the %g mL above the coffee", depthMM, ErrInput, filledML-baseML)
	}
	return AerationFor(frothML, hotML, gasShare)
}

// Denominator is the volume that overrun is told against. The two differ by
// the hot factor, some 11 %, so an overrun without its denominator cannot be
// compared.
type Denominator uint8

// The hot liquid milk, condensate included, or the milk as measured cold.
const (
	OverHotMilk Denominator = iota
	OverColdMilk
)

// Overrun is the air over the milk, %: 100 × aeration over hot liquid, and that
// times hotFactor over cold milk. Published: the definition
// (V_froth − V_liquid) / V_liquid, with all of the milk counted.
func Overrun(aeration, hotFactor float64, over Denominator) (float64, error) {
	if err := errors.Join(within("aeration", "", aeration, 0, maxAeration), within("hot factor", "", hotFactor, 1, 2)); err != nil {
		return 0, err
	}
	switch over {
	case OverHotMilk:
		return 100 * aeration, nil
	case OverColdMilk:
		return 100 * aeration * hotFactor, nil
	}
	return 0, fmt.Errorf("denominator %d: %w; it must be hot or cold milk", over, ErrInput)
}

// GasFraction is the air over milk and air together, a / (1 + a). It counts all
// the milk, unlike the gas share of the settled layer.
func GasFraction(aeration float64) (float64, error) {
	if err := within("aeration", "", aeration, 0, maxAeration); err != nil {
		return 0, err
	}
	return aeration / (1 + aeration), nil
}

// AerationOf is the inverse of GasFraction: f / (1 − f).
func AerationOf(gasFraction float64) (float64, error) {
	const most = maxAeration / (1.0 + maxAeration)
	if err := within("gas fraction", "", gasFraction, 0, most); err != nil {
		return 0, err
	}
	return gasFraction / (1 - gasFraction), nil
}
