package drink

import (
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/internal/cup"
)

// Range is an estimate with the bounds that it may lie in.
type Range struct{ Low, Mid, High float64 }

// Facts is what follows from a serving and is never typed. Every number is
// finite; what cannot be known says so rather than being nought.
type Facts struct {
	// FillML is the filled volume, froth included; BrimML the vessel's volume
	// to the lip; HeadspaceML what is left, below 0 where the fill passes the
	// brim. RimGapMM is the height from the surface to the rim, 0 there.
	FillML, BrimML, HeadspaceML, RimGapMM float64
	// CoffeeGrams is the coffee beverage in the cup, g: espresso and filter.
	CoffeeGrams float64
	// StrengthPercent is coffee solids over beverage mass, %: TDS x coffee /
	// mass (mass balance); 0 without coffee. Espresso counts as 9.5 % unless the
	// serving checks tds (common practice, no source), filter as 1.31 %. Ice
	// counts as far as it has melted.
	StrengthPercent float64
	// FrothVolumeML is the settled layer, air over its gas share; FrothDepthMM
	// its depth in this vessel at this fill, a cap above the rim included.
	FrothVolumeML, FrothDepthMM float64
	// MassGrams is what a scale shows for the contents: cold masses and the
	// condensed steam; air weighs nothing (mass balance).
	MassGrams float64
	// SteamWaterGrams is the steam that condenses into the milk, by the full
	// heat balance from 4 °C with dry steam (package milk).
	SteamWaterGrams float64
	// HandoverC is the mixing temperature, °C, sum(m c T) over sum(m c): Low
	// with an unheated cup at 22 °C in full equilibrium, High with a warm cup
	// that takes nothing, Mid half way. Not known with ice or ice cream, nor
	// where a hot part states no temperature.
	HandoverC     Range
	HandoverKnown bool
	// CaffeineMg is dose x content x recovery (see espresso.Caffeine) plus what
	// ingredients state. OverSingleDose is true when its middle passes 200 mg,
	// OverDay when it passes 400 mg: the single dose and the day's intake that
	// raise no concern for an adult. Source: EFSA 2015 (EFSA Journal 4102).
	CaffeineMg              Range
	OverSingleDose, OverDay bool
	// EnergyKcal and EnergyKJ are each from their own factors (Regulation (EU)
	// No 1169/2011, Annex XIV) and count milk by its cold volume, since steam
	// brings no energy that feeds. Unknown when any ingredient lacks data; a
	// garnish without a stated mass counts as a dusting of nothing.
	EnergyKcal, EnergyKJ float64
	EnergyKnown          bool
	// CostMilli is in thousandths of Currency's unit: ingredients and the dry
	// coffee of the shots in the cup; vessel, labour and waste are not in it.
	CostMilli int64
	CostKnown bool
	Currency  string
	Allergens AllergenStatement
	// SharedEquipment is true when the book also makes drinks with an allergen
	// that this one does not contain, at the same counter.
	SharedEquipment bool
}

// Facts derives what follows from a serving of this book. It fails for a
// vessel or an ingredient that the book does not have, and for contents that
// cannot stand in the vessel. To derive many, ask a [Deriver].
func (b *Book) Facts(s *Serving) (Facts, error) { return NewDeriver(b).Facts(s) }

// Deriver derives the facts of many servings of one book; it looks the book
// over once, and must be made anew when the book changes. Many goroutines may
// ask it.
type Deriver struct {
	b           *Book
	vessels     map[string]*vesselAt
	ingredients map[string]*Ingredient
	// contained are the allergens that some serving contains.
	contained map[string]bool
}

// vesselAt is a vessel with its shape; err says why there is none.
type vesselAt struct {
	*Vessel
	shape cup.Shape
	err   error
}

// NewDeriver looks a book over.
func NewDeriver(b *Book) *Deriver {
	d := &Deriver{b: b, vessels: make(map[string]*vesselAt, len(b.Vessels)),
		ingredients: make(map[string]*Ingredient, len(b.Ingredients)), contained: map[string]bool{}}
	for i := range b.Vessels {
		v := &b.Vessels[i]
		if _, twice := d.vessels[v.ID]; !twice {
			p, err := v.Shape()
			d.vessels[v.ID] = &vesselAt{v, p, err}
		}
	}
	for i := range b.Ingredients {
		in := &b.Ingredients[i]
		if _, twice := d.ingredients[in.ID]; !twice {
			d.ingredients[in.ID] = in
		}
	}
	for id := range b.used() {
		if in, ok := d.ingredients[id]; ok {
			for _, a := range in.Contains {
				d.contained[a] = true
			}
		}
	}
	return d
}

// Facts derives what follows from a serving of the deriver's book.
func (d *Deriver) Facts(s *Serving) (Facts, error) {
	f, err := d.facts(s)
	if err != nil {
		return Facts{}, fmt.Errorf("facts of %s: %w", s.ID, err)
	}
	return f, nil
}

func (d *Deriver) facts(s *Serving) (Facts, error) {
	vessel, ok := d.vessels[s.Vessel]
	if !ok {
		return Facts{}, fmt.Errorf("vessel %q: not in the book; name one that is", s.Vessel)
	}
	if vessel.err != nil {
		return Facts{}, fmt.Errorf("vessel %q: %w", s.Vessel, vessel.err)
	}
	if s.Shots < 0 || s.Shots > MaxSingles || s.Air < 0 || s.Air > maxAir {
		return Facts{}, fmt.Errorf("shots %d, air %s: shots must be 0 to %d and air 0 to %s", s.Shots, s.Air, MaxSingles, maxAir)
	}
	for i, p := range s.Parts {
		if _, ok := d.ingredients[p.Ingredient]; !ok {
			return Facts{}, fmt.Errorf("parts[%d]: ingredient %q: not in the book; name one that is", i, p.Ingredient)
		}
		if p.Amount < 0 || p.Amount > mostPart {
			return Facts{}, fmt.Errorf("parts[%d]: amount %s: must be 0 to %s", i, FormatQuantity(p.Amount, p.Unit), FormatQuantity(mostPart, p.Unit))
		}
	}
	v, err := d.volumes(s)
	if err != nil {
		return Facts{}, err
	}
	f := Facts{FillML: v.Filled, BrimML: vessel.shape.Brim(), FrothVolumeML: v.Froth}
	f.HeadspaceML = f.BrimML - f.FillML
	if f.HeadspaceML > 0 {
		if f.RimGapMM, err = cup.RimGap(vessel.shape, f.FillML); err != nil {
			return Facts{}, err
		}
	}
	if v.Froth > 0 {
		// Froth that drains while it settles may take more room than the fill.
		if f.FrothDepthMM, err = frothDepth(vessel.shape, v.Filled, math.Min(v.Froth, v.Filled)); err != nil {
			return Facts{}, err
		}
	}
	if err := d.heat(s, vessel, v, &f); err != nil {
		return Facts{}, err
	}
	d.caffeine(s, &f)
	d.energy(s, &f)
	d.cost(s, &f)
	f.Allergens = d.allergens(s)
	for a := range d.contained {
		if !slices.Contains(f.Allergens.Contains, a) {
			f.SharedEquipment = true
			break
		}
	}
	return f, nil
}
