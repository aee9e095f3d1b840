package milk

import (
	"errors"
	"fmt"
	"math"

	"samecup.example/samecup/internal/espresso"
)

// Published handover temperatures, °C. Shown beside a computed one; they are
// not advice.
const (
	PreferredC = 60   // preferred, ± 8.3; Brown & Diller, Burns 34 (2008) 648-654
	PreferredD = 8.3  // its spread, as above
	ServiceLoC = 54.4 // 130 °F; Abraham & Diller, J. Food Sci. 84 (2019) 2011-2014
	ServiceHiC = 71.1 // 160 °F, as above
	VeryHotC   = 65   // very hot beverages begin above; IARC, Monograph 116 (2016), from news summaries
)

// WaterDrink is espresso and hot water: an americano or a long black.
type WaterDrink struct {
	EspressoG, EspressoC, TDSPercent float64
	WaterG, WaterC                   float64
	In                               Cup
}

// Served is a drink at handover.
type Served struct {
	MassG           float64
	StrengthPercent float64 // coffee solids, %
	MixC            float64 // before the cup takes its heat, °C
	HandoverC       float64 // after the cup has taken its heat, °C
	VeryHot         bool    // MixC above VeryHotC
}

// Serve is the strength (mass balance of solids) and the handover temperature
// (see Mix, both liquids at 4.18 kJ/(kg K)) of a water drink. VeryHot is
// judged before the cup cools it, since a pre-heated or a paper cup does not.
func (d WaterDrink) Serve() (Served, error) {
	if err := errors.Join(positive("espresso", "g", d.EspressoG, maxMassG), mass("water", d.WaterG)); err != nil {
		return Served{}, err
	}
	strength, err := espresso.Strength(d.TDSPercent, d.EspressoG, d.EspressoG+d.WaterG)
	if err != nil {
		return Served{}, err
	}
	m, err := Mix([]Part{{"espresso", d.EspressoG, d.EspressoC, WaterSpecificKJ}, {"water", d.WaterG, d.WaterC, WaterSpecificKJ}}, d.In)
	if err != nil {
		return Served{}, err
	}
	return Served{MassG: m.MassG, StrengthPercent: strength, MixC: m.MixC, HandoverC: m.HandoverC, VeryHot: m.MixC > VeryHotC}, nil
}

// scald is the time, s, to a second and a third degree burn. Published: a web
// page, unattributed, in agreement with Moritz & Henriques (1947), not read.
var scald = [...]struct{ celsius, second, third float64 }{
	{49, 480, 600}, {51, 120, 252}, {55, 17, 30}, {60, 3, 5},
}

// ScaldTimes is how long, s, skin bears liquid of celsius before a second and a
// third degree burn, by interpolation of the logarithms between 49 and 60 °C.
// Above 60 °C it is shorter than the last value and no figure is given.
func ScaldTimes(celsius float64) (secondS, thirdS float64, err error) {
	last := len(scald) - 1
	if err := within("temperature", "°C", celsius, scald[0].celsius, scald[last].celsius); err != nil {
		return 0, 0, fmt.Errorf("scald times: %w", err)
	}
	for i := 1; i <= last; i++ {
		lo, hi := scald[i-1], scald[i]
		if celsius > hi.celsius {
			continue
		}
		part := (celsius - lo.celsius) / (hi.celsius - lo.celsius)
		along := func(a, b float64) float64 { return math.Exp(math.Log(a) + (math.Log(b)-math.Log(a))*part) }
		return along(lo.second, hi.second), along(lo.third, hi.third), nil
	}
	return 0, 0, fmt.Errorf("scald times at %g °C: %w", celsius, ErrInput)
}
