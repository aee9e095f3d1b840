package milk

import (
	"errors"
	"fmt"
	"math"
)

// Energy of nutrients. Published: Regulation (EU) 1169/2011, Annex XIV. kJ come
// from their own factors, not from kcal times 4.184.
const (
	CarbohydrateKcalPerG = 4
	ProteinKcalPerG      = 4
	FatKcalPerG          = 9
	CarbohydrateKJPerG   = 17
	ProteinKJPerG        = 17
	FatKJPerG            = 37
)

// Nutrients are masses, g.
type Nutrients struct{ ProteinG, CarbohydrateG, FatG float64 }

// Energy is the energy of the nutrients by the factors of Regulation (EU)
// 1169/2011, Annex XIV, each unit by its own.
func (n Nutrients) Energy() (kcal, kJ float64, err error) {
	if err := errors.Join(mass("protein", n.ProteinG), mass("carbohydrate", n.CarbohydrateG), mass("fat", n.FatG)); err != nil {
		return 0, 0, err
	}
	kcal = n.ProteinG*ProteinKcalPerG + n.CarbohydrateG*CarbohydrateKcalPerG + n.FatG*FatKcalPerG
	kJ = n.ProteinG*ProteinKJPerG + n.CarbohydrateG*CarbohydrateKJPerG + n.FatG*FatKJPerG
	return kcal, kJ, nil
}

// EnergyOfVolume is the energy, kcal, of ml millilitres at kcalPer100ML. Book
// milk on its cold volume: the condensate has none.
func EnergyOfVolume(ml, kcalPer100ML float64) (float64, error) {
	if err := errors.Join(volume("volume", ml), within("energy", "kcal/100 mL", kcalPer100ML, 0, 900)); err != nil {
		return 0, err
	}
	return ml / 100 * kcalPer100ML, nil
}

// Pump is a pump of syrup or sauce. Two models may share a name, so a pump is
// known by its stroke.
type Pump struct {
	StrokeML    float64
	DensityGPML float64 // 1.32 for sugar syrup of 65 Brix, from memory
	SugarShare  float64 // sugar over mass, 0 to 1
}

func (p Pump) valid() error {
	return errors.Join(positive("pump stroke", "mL", p.StrokeML, 1000), density("density of the syrup", p.DensityGPML), within("sugar share", "", p.SugarShare, 0, 1))
}

// Pumped is what strokes of a pump give.
type Pumped struct {
	ML, MassG, SugarG, Kcal float64 // Kcal counts the sugar alone
}

// Strokes is what n strokes give: volume, mass by density (never 1 g/mL for
// syrup), sugar, and its energy at 4 kcal/g (Regulation (EU) 1169/2011).
func (p Pump) Strokes(n int) (Pumped, error) {
	if err := p.valid(); err != nil {
		return Pumped{}, err
	}
	if n < 0 || n > 100 {
		return Pumped{}, fmt.Errorf("pumps %d: %w; they must lie in 0 to 100", n, ErrInput)
	}
	ml := float64(n) * p.StrokeML
	g := ml * p.DensityGPML
	return Pumped{ML: ml, MassG: g, SugarG: g * p.SugarShare, Kcal: g * p.SugarShare * CarbohydrateKcalPerG}, nil
}

// For is the whole strokes nearest to massG grams, and what they give over or
// under it, g: the inverse of Strokes.
func (p Pump) For(massG float64) (n int, residualG float64, err error) {
	if err := errors.Join(p.valid(), mass("syrup", massG)); err != nil {
		return 0, 0, err
	}
	perStroke := p.StrokeML * p.DensityGPML
	count := math.Round(massG / perStroke)
	if !(count <= 100) {
		return 0, 0, fmt.Errorf("syrup %g g: %w; at %g g a stroke it takes more than 100 pumps", massG, ErrInput, perStroke)
	}
	return int(count), count*perStroke - massG, nil
}

// PowderMass is the powder, g, in volumeML of loose powder of a bulk density,
// g/mL. Weigh powder where it can be weighed: scoops pack.
func PowderMass(volumeML, bulkGPerML float64) (float64, error) {
	if err := errors.Join(volume("powder", volumeML), density("bulk density", bulkGPerML)); err != nil {
		return 0, err
	}
	return volumeML * bulkGPerML, nil
}

// FrothDensity is the density, g/mL, of froth of a gas share over liquid of
// liquidGPerML: the gas weighs nothing. 0.55 of 1.014 g/mL gives 0.46.
func FrothDensity(gasShare, liquidGPerML float64) (float64, error) {
	if err := errors.Join(within("gas share", "", gasShare, 0, 1), density("density of the liquid", liquidGPerML)); err != nil {
		return 0, err
	}
	return (1 - gasShare) * liquidGPerML, nil
}
