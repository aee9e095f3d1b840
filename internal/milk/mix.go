package milk

import (
	"errors"
	"fmt"
)

// Part is a liquid poured into a cup.
type Part struct {
	Name     string
	MassG    float64
	CelsiusC float64
	HeatKJ   float64 // specific heat, kJ/(kg K): espresso 4.1, steamed milk 3.95, water 4.18
}

func (p Part) valid() error {
	name := p.Name
	if name == "" {
		name = "liquid"
	}
	return errors.Join(mass(name, p.MassG), liquidC(name+" temperature", p.CelsiusC), heat("specific heat of "+name, p.HeatKJ))
}

// Cup is the vessel that is poured into. The zero Cup takes no heat.
type Cup struct {
	MassG    float64
	HeatKJ   float64 // specific heat, kJ/(kg K); 0.85 for ceramic, from memory
	CelsiusC float64 // before pouring
	// Share is how much of the cup comes to the drink's temperature by
	// handover, 0 to 1. 1 is full equilibrium, the coldest the cup can make it.
	Share float64
}

// CeramicCup is a ceramic cup of massG grams at celsius in full equilibrium
// with the drink; specific heat 0.85 kJ/(kg K), from memory.
func CeramicCup(massG, celsius float64) Cup { return Cup{massG, 0.85, celsius, 1} }

func (c Cup) valid() error {
	if c.MassG == 0 || c.Share == 0 {
		return errors.Join(mass("cup", c.MassG), within("share of the cup", "", c.Share, 0, 1))
	}
	return errors.Join(mass("cup", c.MassG), heat("specific heat of the cup", c.HeatKJ), liquidC("cup temperature", c.CelsiusC), within("share of the cup", "", c.Share, 0, 1))
}

func (c Cup) capacity() float64 { return c.MassG / 1000 * c.HeatKJ * c.Share }

// Mixed is a drink poured together.
type Mixed struct {
	MassG     float64
	MixC      float64 // the liquids alone, °C
	HandoverC float64 // with the cup's heat, °C
	HeatKJ    float64 // heat capacity of the liquids, kJ/K
}

// Mix is the temperature of parts poured together into a cup:
// T = Σ m c T / Σ m c, first of the liquids, then with the cup. Published: the
// mixing rule of calorimetry. Losses to the air are left out.
func Mix(parts []Part, in Cup) (Mixed, error) {
	if err := in.valid(); err != nil {
		return Mixed{}, err
	}
	var m Mixed
	var warmth float64
	for i, p := range parts {
		if err := p.valid(); err != nil {
			return Mixed{}, fmt.Errorf("part %d: %w", i+1, err)
		}
		capacity := p.MassG / 1000 * p.HeatKJ
		m.MassG += p.MassG
		m.HeatKJ += capacity
		warmth += capacity * p.CelsiusC
	}
	if err := positive("drink", "g", m.MassG, maxMassG); err != nil {
		return Mixed{}, err
	}
	var err1, err2 error
	m.MixC, err1 = finite("temperature of the mix", "°C", warmth/m.HeatKJ)
	m.HandoverC, err2 = finite("handover temperature", "°C", (warmth+in.capacity()*in.CelsiusC)/(m.HeatKJ+in.capacity()))
	if err := errors.Join(err1, err2); err != nil {
		return Mixed{}, err
	}
	return m, nil
}

// CupFor is the inverse of Mix: the temperature, °C, that the cup must have for
// the parts to be handed over at wantC. It fails when no cup between freezing
// and boiling does it.
func CupFor(parts []Part, in Cup, wantC float64) (float64, error) {
	m, err := Mix(parts, in)
	if err != nil {
		return 0, err
	}
	if err := errors.Join(liquidC("handover temperature", wantC), positive("heat capacity of the cup", "kJ/K", in.capacity(), maxMassG)); err != nil {
		return 0, err
	}
	celsius := wantC + (wantC-m.MixC)*m.HeatKJ/in.capacity()
	if err := within("cup temperature", "°C", celsius, 0, maxLiquidC); err != nil {
		return 0, fmt.Errorf("to hand over %.4g °C from a mix of %.4g °C: %w", wantC, m.MixC, err)
	}
	return celsius, nil
}
