package espresso

import (
	"errors"
	"fmt"
	"math"
)

// Style is how a cup gets its espresso from a pull.
type Style uint8

// The three ways. A single has a basket, a dose and a flow of its own, so it is
// not half of a double; half of a double is a Split.
const (
	Single Style = iota + 1
	Double
	Split
)

// String is the style as a card shows it.
func (s Style) String() string {
	switch s {
	case Single:
		return "single"
	case Double:
		return "double"
	case Split:
		return "split double"
	}
	return fmt.Sprintf("style %d", uint8(s))
}

// Portion is dry coffee and the beverage from it, both in g.
type Portion struct{ DoseG, YieldG float64 }

// Cup is what one cup gets, g, of a pull in a style: the whole of a single's or
// a double's own pull, half of a split double's. Common practice, no source.
func (s Style) Cup(pull Portion) (Portion, error) {
	if err := errors.Join(dose(pull.DoseG), yield(pull.YieldG)); err != nil {
		return Portion{}, err
	}
	switch s {
	case Single, Double:
		return pull, nil
	case Split:
		return Portion{pull.DoseG / 2, pull.YieldG / 2}, nil
	}
	return Portion{}, fmt.Errorf("%s: %w; it must be single, double or split", s, ErrInput)
}

// Pulls is how many baskets give that many single-equivalents, when one pull
// gives perPull of them. Zero shots need none.
func Pulls(shots, perPull int) int {
	if shots <= 0 || perPull <= 0 {
		return 0
	}
	return (shots-1)/perPull + 1
}

// Sizing is the espresso of one size of a drink.
type Sizing struct {
	FillML        float64 // filled volume, mL
	WantG         float64 // espresso that holds the share exactly, g
	Shots         int     // whole shots given
	EspressoG     float64 // what those shots weigh, g
	ResidualG     float64 // EspressoG - WantG, g
	Share         float64 // EspressoG / FillML, g/mL
	ResidualShare float64 // Share over the wanted share, less 1
	WithinBand    bool    // whether ResidualShare lies inside the band
}

// ShotsBySize gives each filled volume, mL, the whole shots of unitG grams that
// come nearest to shareGPerML grams of espresso a millilitre, at least one. A
// half rounds up, since a weak drink is the commoner complaint. WithinBand says
// whether the strength holds within band (0.05 is 5 %); a size outside it is
// shown, not refused, since only another unit or another vessel mends it.
// Common practice, no source; the arithmetic is a mass balance.
func ShotsBySize(fillML []float64, shareGPerML, unitG, band float64) ([]Sizing, error) {
	if err := errors.Join(positive("espresso share", "g/mL", shareGPerML, 1), positive("shot", "g", unitG, 1000), within("band", "", band, 0, 1)); err != nil {
		return nil, err
	}
	sizes := make([]Sizing, len(fillML))
	for i, fill := range fillML {
		if err := positive(fmt.Sprintf("fill of size %d", i+1), "mL", fill, MaxVolumeML); err != nil {
			return nil, err
		}
		want := shareGPerML * fill
		count, err := quotient(want, unitG)
		if err != nil || count > 1000 {
			return nil, fmt.Errorf("fill of size %d, %g mL: %w; it would need more than 1000 shots of %g g", i+1, fill, ErrInput, unitG)
		}
		s := Sizing{FillML: fill, WantG: want, Shots: max(1, int(math.Floor(count+0.5)))}
		s.EspressoG = float64(s.Shots) * unitG
		s.ResidualG = s.EspressoG - want
		if s.Share, err = quotient(s.EspressoG, fill); err == nil {
			s.ResidualShare, err = quotient(s.EspressoG, want)
			s.ResidualShare--
		}
		if err != nil {
			return nil, fmt.Errorf("fill of size %d: %w", i+1, err)
		}
		s.WithinBand = math.Abs(s.ResidualShare) <= band
		sizes[i] = s
	}
	return sizes, nil
}
