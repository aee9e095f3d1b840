package milk

import (
	"errors"
	"fmt"
)

// Properties of ice. From memory of common tables.
const (
	IceLatentKJ     = 334   // kJ/kg, heat of melting
	IceDensityGPML  = 0.917 // g/mL
	WaterSpecificKJ = 4.18  // kJ/(kg K)
)

// Iced is a drink of liquids poured over ice.
type Iced struct {
	Liquids   []Part
	LiquidML  float64 // volume of the liquids, mL
	IceG      float64 // dry ice cubes at 0 °C, g; wet bar ice is already partly water
	EspressoG float64 // of the liquids, g: what is diluted
	EndC      float64 // temperature that the drink comes to, °C
	Form      Form    // Full warms the melted ice to EndC; Simple leaves that out
}

// Melted is an iced drink come to its temperature.
type Melted struct {
	HeatKJ     float64 // heat given up by the liquids, kJ
	MeltG      float64
	IceLeftG   float64
	LiquidG    float64 // liquids and melt, g
	EndC       float64 // above the wanted one when all of the ice melts
	AllMelted  bool
	BeforeML   float64 // liquids and whole ice, mL: what must fit in the glass
	AfterML    float64 // liquids, melt and ice left, mL
	FallML     float64 // BeforeML - AfterML
	ShareStart float64 // espresso over the liquids, 0 to 1
	ShareEnd   float64 // espresso over liquids and melt, 0 to 1
	Form       Form
}

// Melt is the ice that melts: Σ m c (T − T_end) over the latent heat, in the
// full form with the melt warmed to T_end. Published: calorimetry, with 334
// kJ/kg from memory. Volumes sum the parts, ice above the surface included;
// the surface itself hardly moves while all the ice floats.
func (d Iced) Melt() (Melted, error) {
	if d.Form > Simple {
		return Melted{}, fmt.Errorf("heat balance %d: %w; it must be full or simple", d.Form, ErrInput)
	}
	if err := errors.Join(mass("ice", d.IceG), volume("liquids", d.LiquidML), within("end temperature", "°C", d.EndC, 0, maxLiquidC)); err != nil {
		return Melted{}, err
	}
	var liquidG, capacity, warmth float64
	for i, p := range d.Liquids {
		if err := p.valid(); err != nil {
			return Melted{}, fmt.Errorf("part %d: %w", i+1, err)
		}
		c := p.MassG / 1000 * p.HeatKJ
		liquidG += p.MassG
		capacity += c
		warmth += c * p.CelsiusC
	}
	if err := errors.Join(positive("liquids", "g", liquidG, maxMassG), within("espresso", "g", d.EspressoG, 0, liquidG)); err != nil {
		return Melted{}, err
	}
	heat := warmth - capacity*d.EndC
	if heat < 0 && heat > -1e-12*capacity {
		heat = 0
	}
	if heat < 0 {
		return Melted{}, fmt.Errorf("end temperature %g °C: %w; the liquids come to %g °C before ice, the wrong way round; ice only cools", d.EndC, ErrInput, warmth/capacity)
	}
	perKG := float64(IceLatentKJ)
	if d.Form == Full {
		perKG += WaterSpecificKJ * d.EndC
	}
	m := Melted{HeatKJ: heat, MeltG: 1000 * heat / perKG, EndC: d.EndC, Form: d.Form}
	if m.MeltG >= d.IceG {
		m.MeltG, m.AllMelted = d.IceG, true
		// Not enough ice: the latent heat is spent and the rest stays warm.
		if d.Form == Full {
			m.EndC = (warmth - d.IceG/1000*IceLatentKJ) / (capacity + d.IceG/1000*WaterSpecificKJ)
		} else {
			m.EndC = (warmth - d.IceG/1000*IceLatentKJ) / capacity
		}
		m.HeatKJ = warmth - capacity*m.EndC
	}
	m.IceLeftG = d.IceG - m.MeltG
	m.LiquidG = liquidG + m.MeltG
	m.BeforeML = d.LiquidML + d.IceG/IceDensityGPML
	m.AfterML = d.LiquidML + m.MeltG + m.IceLeftG/IceDensityGPML
	m.FallML = m.BeforeML - m.AfterML
	m.ShareStart = d.EspressoG / liquidG
	m.ShareEnd = d.EspressoG / m.LiquidG
	if _, err := finite("end temperature", "°C", m.EndC+m.ShareStart+m.ShareEnd); err != nil {
		return Melted{}, err
	}
	return m, nil
}

// ScoopVolume is the volume, mL, of massG grams of ice or ice cream of a
// density, g/mL: 0.917 for ice, 0.55 for ice cream (assumed, no source).
func ScoopVolume(massG, gPerML float64) (float64, error) {
	if err := errors.Join(mass("scoop", massG), density("density of the scoop", gPerML)); err != nil {
		return 0, err
	}
	return massG / gPerML, nil
}
