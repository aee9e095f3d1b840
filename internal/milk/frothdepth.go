package milk

import (
	"fmt"

	"samecup.example/samecup/internal/cup"
)

// FrothVolume is the volume, mL, of the settled froth layer that holds airML
// of air when gasShare of the layer is gas.
func FrothVolume(airML, gasShare float64) (float64, error) {
	if !(airML >= 0 && airML <= 1e6) {
		return 0, fmt.Errorf("air %g ml: %w; it must lie in 0 to 1,000,000", airML, ErrInput)
	}
	if !(gasShare >= 0.05 && gasShare <= 1) {
		return 0, fmt.Errorf("gas share %g: %w; it must lie in 0.05 to 1", gasShare, ErrInput)
	}
	return airML / gasShare, nil
}

// FrothDepth is the depth, mm, of frothML of froth that closes a fill of
// filledML (froth included) in the vessel p. What does not fit below the lip
// stands above it as a dome and counts with the dome's height.
func FrothDepth(p cup.Profile, filledML, frothML float64) (float64, error) {
	if !(frothML >= 0 && frothML <= filledML) {
		return 0, fmt.Errorf("froth %g ml: %w; it must lie in 0 to the fill's %g ml", frothML, ErrInput, filledML)
	}
	brim := p.Brim()
	if filledML <= brim {
		return p.Layer(filledML, frothML)
	}
	above, err := DomeHeight(p, filledML-brim)
	if err != nil {
		return 0, err
	}
	if filledML-frothML > brim {
		return 0, fmt.Errorf("fill without froth %g ml: %w; the brim is %g ml", filledML-frothML, cup.ErrRange, brim)
	}
	below, err := p.Layer(brim, frothML-(filledML-brim))
	if err != nil {
		return 0, err
	}
	return below + above, nil
}

// DomeHeight is how far, mm, volumeML stands above the lip of p as a dome: a
// spherical cap on the rim, at most the rim's radius high. The shape is
// assumed; stiff froth may stand as a taller cone, wet froth runs off first.
func DomeHeight(p cup.Profile, volumeML float64) (float64, error) {
	if !(volumeML >= 0 && volumeML <= maxVolumeML) {
		return 0, fmt.Errorf("%g ml above the lip: %w; it must lie in 0 to %g ml", volumeML, ErrInput, float64(maxVolumeML))
	}
	lo, hi := 0.0, 1.0
	for {
		v, err := p.Cap(hi)
		if err != nil {
			// Past the rim's radius no dome stands. What fits below it still may.
			if hi, err = tallestDome(p, lo, hi); err != nil {
				return 0, err
			}
			if v, err = p.Cap(hi); err != nil || v < volumeML {
				return 0, fmt.Errorf("%g ml above the lip: %w; a dome holds at most %.1f ml on this rim", volumeML, cup.ErrRange, v)
			}
			break
		}
		if v >= volumeML {
			break
		}
		lo, hi = hi, hi*2
	}
	for range 60 {
		mid := (lo + hi) / 2
		if v, err := p.Cap(mid); err != nil {
			return 0, err
		} else if v < volumeML {
			lo = mid
		} else {
			hi = mid
		}
	}
	return hi, nil
}

// tallestDome is the greatest height, mm, between a legal and an illegal one
// at which p still bears a dome.
func tallestDome(p cup.Profile, legal, illegal float64) (float64, error) {
	for range 60 {
		mid := (legal + illegal) / 2
		if _, err := p.Cap(mid); err != nil {
			illegal = mid
		} else {
			legal = mid
		}
	}
	if _, err := p.Cap(legal); err != nil {
		return 0, fmt.Errorf("dome on the rim: %w", err)
	}
	return legal, nil
}
