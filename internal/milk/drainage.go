package milk

import (
	"errors"
	"fmt"
	"math"

	"samecup.example/samecup/internal/cup"
)

// Drained is the liquid, mL, that has left a froth of ageS seconds:
// L(t) = L_max (1 − exp(−t/τ)). τ of 60 to 180 s for microfoam is assumed, no
// source; finer bubbles and more protein make it longer (Münchow and others,
// Int. Dairy Journal 51, 2015, read in excerpt).
func Drained(mostML, ageS, tauS float64) (float64, error) {
	if err := errors.Join(volume("liquid that can drain", mostML), age(ageS), positive("drainage time", "s", tauS, maxAgeS)); err != nil {
		return 0, err
	}
	return mostML * -math.Expm1(-ageS/tauS), nil
}

// AgeDrained is the inverse of Drained: the age, s, at which drainedML has left.
func AgeDrained(mostML, drainedML, tauS float64) (float64, error) {
	if err := errors.Join(positive("liquid that can drain", "mL", mostML, maxVolumeML), positive("drainage time", "s", tauS, maxAgeS)); err != nil {
		return 0, err
	}
	if !(drainedML >= 0 && drainedML < mostML) {
		return 0, fmt.Errorf("drained liquid %g mL: %w; it must lie in 0 to below %g mL", drainedML, ErrInput, mostML)
	}
	ageS := -tauS * math.Log1p(-drainedML/mostML)
	if err := age(ageS); err != nil {
		return 0, err
	}
	return ageS, nil
}

func age(v float64) error { return within("froth age", "s", v, 0, maxAgeS) }

// Ageing is a froth layer that drains: the air stays, its liquid leaves.
type Ageing struct {
	AirML float64
	// GasShare is the layer's gas share at ReferenceS seconds, 30 s by custom.
	GasShare   float64
	ReferenceS float64
	// Drainable is the share of the liquid in the fresh layer that can leave.
	Drainable float64
	TauS      float64
}

func (a Ageing) valid() error {
	return errors.Join(volume("air", a.AirML), within("gas share", "", a.GasShare, minGasShare, 1), age(a.ReferenceS),
		within("drainable share", "", a.Drainable, 0, 1), positive("drainage time", "s", a.TauS, maxAgeS))
}

// Layer is the volume, mL, of the froth layer at ageS seconds: its air, and the
// liquid that has not drained, fixed by the gas share at the reference age.
//
// The model only drains. It leaves out the first seconds, when froth separates
// and the layer may grow, and late collapse, when the air itself escapes; take
// it for some 15 to 180 s. Drained from Drained; mass balance.
func (a Ageing) Layer(ageS float64) (float64, error) {
	if err := errors.Join(a.valid(), age(ageS)); err != nil {
		return 0, err
	}
	left := func(t float64) float64 { return 1 - a.Drainable + a.Drainable*math.Exp(-t/a.TauS) }
	reference := a.AirML * (1 - a.GasShare) / a.GasShare
	layer := a.AirML
	if reference > 0 {
		layer += reference * (left(ageS) / left(a.ReferenceS))
	}
	if !(layer <= maxVolumeML*100) {
		return 0, fmt.Errorf("froth layer at %g s: %w; a layer measured at %g s with a drainage time of %g s says nothing about that age", ageS, ErrInput, a.ReferenceS, a.TauS)
	}
	return layer, nil
}

// Depth is the depth, mm, at ageS seconds of the layer that closes a fill of
// filledML in the vessel p. What drains stays in the cup, so the level holds.
// Two depths compare only at the same age.
func (a Ageing) Depth(p cup.Profile, filledML, ageS float64) (float64, error) {
	layer, err := a.Layer(ageS)
	if err != nil {
		return 0, err
	}
	depth, err := FrothDepth(p, filledML, layer)
	if err != nil {
		return 0, fmt.Errorf("froth at %g s: %w", ageS, err)
	}
	return depth, nil
}
