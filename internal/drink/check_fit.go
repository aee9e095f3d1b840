package drink

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/milk"
)

// Densities, g/mL, where the book states none: floating ice by its displaced
// solid volume; ice cream as scooped (common practice, no source).
const (
	iceDensity      = 0.917
	iceCreamDensity = 0.55
)

// Volumes is what a serving's parts amount to in the cup, mL.
type Volumes struct {
	// Espresso counts 1 g as 1 mL; its crema is mixed in or passes.
	Espresso float64
	// Milk is the milk as poured: hot liquid where the serving steams it.
	Milk float64
	// Air is in the froth; Other is water, sauce, ice and the rest.
	Air, Other float64
	// Filled is the sum; Froth the settled layer within it.
	Filled, Froth float64
}

// steams is true when the serving's milk is steamed rather than poured cold.
func (s *Serving) steams() bool { return s.has("steam") }

// target is the target of the serving's check on a measure, 0 if none.
func (s *Serving) target(measure string) float64 {
	for i := range s.Checks {
		if s.Checks[i].Measure == measure {
			return s.Checks[i].Target.Float()
		}
	}
	return 0
}

// coffeeGrams is the espresso in the cup, g: each single is its share of a
// whole pull.
func (b *Book) coffeeGrams(s *Serving) float64 {
	if s.Shots <= 0 || b.House.Pull.SinglesPerPull <= 0 {
		return 0
	}
	return s.target("yield") * float64(s.Shots) / float64(b.House.Pull.SinglesPerPull)
}

// Volumes adds up a serving. Ingredients that the book does not have count as
// nothing; CheckBook names them. Source of the sum: hot = cold x factor, air =
// share x hot, layer = air / gas share.
func (b *Book) Volumes(s *Serving) (Volumes, error) { return b.volumes(s, b.IngredientByID) }

func (d *Deriver) volumes(s *Serving) (Volumes, error) {
	return d.b.volumes(s, func(id string) (*Ingredient, bool) {
		in, ok := d.ingredients[id]
		return in, ok
	})
}

func (b *Book) volumes(s *Serving, find func(id string) (*Ingredient, bool)) (Volumes, error) {
	v := Volumes{Espresso: b.coffeeGrams(s)}
	steams := s.steams()
	for _, p := range s.Parts {
		in, ok := find(p.Ingredient)
		if !ok {
			continue
		}
		ml := partML(p, in)
		if !in.isMilk() {
			v.Other += ml
			continue
		}
		if !steams {
			v.Milk += ml
			continue
		}
		hot, err := milk.HotVolume(ml, b.hotFactor(in))
		if err != nil {
			return v, err
		}
		v.Milk += hot
		v.Air += hot * s.Air.Float()
	}
	froth, err := milk.FrothVolume(v.Air, b.House.FrothGasShare.Float())
	if err != nil {
		return v, err
	}
	v.Froth = froth
	v.Filled = v.Espresso + v.Milk + v.Air + v.Other
	return v, nil
}

// hotFactor is hot over cold volume of a milk: its own, or the house's.
func (b *Book) hotFactor(in *Ingredient) float64 {
	if in.HotFactor != 0 {
		return in.HotFactor.Float()
	}
	return b.House.MilkHotFactor.Float()
}

// partML is the volume of a part, mL. A mass with no density counts as water.
func partML(p Part, in *Ingredient) float64 {
	amount := p.Amount.Float()
	switch p.Unit {
	case Count:
		return amount * in.PumpVolume.Float()
	case Gram:
		density := in.Density.Float()
		switch {
		case density > 0:
		case in.Kind == "ice":
			density = iceDensity
		case in.Kind == "ice_cream":
			density = iceCreamDensity
		default:
			density = 1
		}
		return amount / density
	}
	return amount
}

// fit proves that the serving fits its vessel and its froth is reachable.
// It is false where that cannot be said.
func (c *checker) fit(s *Serving) bool {
	vessel, ok := c.d.vessels[s.Vessel]
	if !ok || vessel.err != nil {
		return false // named at the reference or at the vessel
	}
	p := vessel.shape
	if s.Air < 0 || s.Air > maxAir {
		c.fail("air", s.Air.String(), "is out of range", "0 to 1.5 of the hot milk", "correct it")
		return false
	}
	for _, part := range s.Parts {
		if part.Amount <= 0 || part.Amount > mostPart {
			return false // named at the part
		}
	}
	v, err := c.d.volumes(s)
	if err != nil {
		c.fail("parts", "", err.Error(), "", "correct the amounts")
		return false
	}
	brim := p.Brim()
	above := s.AboveRim.Float()
	dome, err := cup.CapVolume(p.Rim(), above)
	if err != nil {
		c.fail("above_rim", FormatQuantity(s.AboveRim, Millimetre), "is no height for froth over this rim",
			fmt.Sprintf("0 to %.0f mm", p.Rim()/2), "correct it")
		return false
	}
	room := brim - c.b.House.HeadspaceMin.Float()
	if s.AboveRim == 0 && v.Filled > room {
		c.fail("parts", fmt.Sprintf("%.0f ml", v.Filled),
			fmt.Sprintf("overfills the vessel: %s holds %.0f ml to the brim; this build comes to %.0f ml (%s)", s.Vessel, brim, v.Filled, v),
			fmt.Sprintf("at most %.0f ml, headspace of %s ml taken off", room, c.b.House.HeadspaceMin),
			c.lessOrLarger(s, v.Filled-room, v.Filled))
		return false
	}
	if s.AboveRim > 0 {
		// A dome half as high again runs over; one half as high does not show.
		most, errCap := cup.CapVolume(p.Rim(), math.Min(above*1.5, p.Height()))
		if errCap != nil {
			most = dome * 1.5
		}
		switch {
		case v.Filled > brim+most:
			c.fail("parts", fmt.Sprintf("%.0f ml", v.Filled), fmt.Sprintf("overfills the vessel and the froth above its rim (%s)", v),
				fmt.Sprintf("about %.0f ml: brim %.0f and %.0f above it", brim+dome, brim, dome), c.lessOrLarger(s, v.Filled-brim-dome, v.Filled-dome))
			return false
		case v.Filled < brim+dome/2:
			c.fail("above_rim", FormatQuantity(s.AboveRim, Millimetre), fmt.Sprintf("is not reached: the drink comes to %.0f ml (%s)", v.Filled, v),
				fmt.Sprintf("about %.0f ml: brim %.0f and %.0f above it", brim+dome, brim, dome), "pour or aerate more")
			return false
		}
	}
	c.froth(s, p, v)
	return true
}

// String shows a sum's parts in whole millilitres.
func (v Volumes) String() string {
	return fmt.Sprintf("espresso %.0f + milk %.0f + air %.0f + other %.0f", v.Espresso, v.Milk, v.Air, v.Other)
}

// lessOrLarger is the mend for a vessel that is excessML too small for a fill
// of filledML: what to take off, and the smallest vessel of the book that fits.
func (c *checker) lessOrLarger(s *Serving, excessML, filledML float64) string {
	mend := "pour less"
	for _, p := range s.Parts {
		in, perML := c.d.ingredients[p.Ingredient], 1.0
		what := in.Name
		if in.isMilk() {
			what = "milk"
			if s.steams() {
				// A cold millilitre stands as a hot one with its air.
				perML = c.b.hotFactor(in) * (1 + s.Air.Float())
			}
		}
		off := math.Ceil(excessML / perML)
		if p.Unit == Millilitre && off < p.Amount.Float() {
			mend = fmt.Sprintf("take %.0f ml of %s off", off, what)
			if in.isMilk() {
				break
			}
		}
	}
	if v := c.smallestFor(filledML, c.d.vessels[s.Vessel].TakeAway); v != "" {
		return mend + ", or use " + v
	}
	return mend + ", or add a larger vessel"
}

// smallestFor is the smallest vessel that takes a fill with its headspace,
// preferably of the same sort; empty when the book has none.
func (c *checker) smallestFor(filledML float64, takeAway bool) string {
	best, bestBrim, bestSame := "", 0.0, false
	for i := range c.b.Vessels {
		v := c.d.vessels[c.b.Vessels[i].ID]
		if v.err != nil {
			continue
		}
		brim := v.shape.Brim()
		if brim < filledML+c.b.House.HeadspaceMin.Float() {
			continue
		}
		same := v.TakeAway == takeAway
		if best == "" || same && !bestSame || same == bestSame && brim < bestBrim {
			best, bestBrim, bestSame = v.ID, brim, same
		}
	}
	return best
}

// froth proves that each stated depth is what the stated air gives in this
// vessel at this fill, and otherwise says which air would.
func (c *checker) froth(s *Serving, p cup.Shape, v Volumes) {
	for i := range s.Checks {
		k := &s.Checks[i]
		if k.Measure != "froth_depth" || s.Milk == "" || k.Target < k.Low || k.Target > k.High {
			continue
		}
		m := MeasureByCode(k.Measure)
		if most := p.Height() + s.AboveRim.Float(); k.Target.Float() > most {
			c.fail("checks."+k.ID, FormatQuantity(k.Target, Millimetre), fmt.Sprintf("is deeper than %s is high", s.Vessel),
				fmt.Sprintf("at most %.1f mm", most), "state the depth of the froth in this vessel, in mm")
			continue
		}
		depth, err := frothDepth(p, v.Filled, v.Froth)
		got, ok := FromFloat(depth)
		if err == nil && ok && (k.Low == NoLow || got >= k.Low-m.Resolution/2) && (k.High == NoHigh || got <= k.High+m.Resolution/2) {
			continue
		}
		mend := "change the target, the milk or the vessel"
		if share, ok := c.airFor(s, p, v, k.Target.Float()); ok {
			mend = fmt.Sprintf("aerate to %.0f %% of the hot milk at the jug (%.0f ml of air into %.0f ml), or change the target", share*100, share*v.Milk, v.Milk)
		}
		if err != nil {
			c.fail("checks."+k.ID, FormatQuantity(k.Target, Millimetre), "cannot be reached in this vessel: "+err.Error(), "", mend)
			continue
		}
		c.fail("checks."+k.ID, FormatQuantity(k.Target, Millimetre),
			fmt.Sprintf("is not what the milk gives: %.0f %% air stands %.1f mm deep in this vessel", s.Air.Float()*100, depth), rangeText(k, m), mend)
	}
}

// airFor finds the share of air, of the hot milk, that makes the froth stand
// depth mm deep; depth rises with air, so bisection finds it.
func (c *checker) airFor(s *Serving, p cup.Shape, v Volumes, depth float64) (float64, bool) {
	if v.Milk <= 0 {
		return 0, false
	}
	gas := c.b.House.FrothGasShare.Float()
	room := p.Brim() - c.b.House.HeadspaceMin.Float()
	if dome, err := cup.CapVolume(p.Rim(), s.AboveRim.Float()); err == nil && s.AboveRim > 0 {
		room = p.Brim() + dome
	}
	still := v.Filled - v.Air
	at := func(share float64) (float64, bool) {
		air := v.Milk * share
		if still+air > room {
			return math.Inf(1), true
		}
		d, err := frothDepth(p, still+air, air/gas)
		return d, err == nil
	}
	lo, hi := 0.0, 1.5
	for range 50 {
		mid := (lo + hi) / 2
		d, ok := at(mid)
		switch {
		case !ok || d > depth:
			hi = mid
		default:
			lo = mid
		}
	}
	d, ok := at(lo)
	return lo, ok && math.Abs(d-depth) < 0.5
}

// amountKinds says which parts a check on an amount sums.
var amountKinds = map[string]struct {
	unit  Unit
	kinds []string
}{
	"water_volume": {Millilitre, []string{"water"}},
	"milk_volume":  {Millilitre, []string{"milk", "plant_milk"}},
	"ice":          {Gram, []string{"ice"}},
	"scoop":        {Gram, []string{"ice_cream"}},
	"syrup_pumps":  {Count, []string{"syrup", "sauce"}},
}

// amountsAgree holds a check on a volume, mass or count against the parts.
func (c *checker) amountsAgree(s *Serving) {
	for i := range s.Checks {
		k := &s.Checks[i]
		want, ok := amountKinds[k.ID] // a second check of a measure is on another part
		if !ok || k.ID != k.Measure {
			continue
		}
		var total Milli
		found := false
		for _, p := range s.Parts {
			in, ok := c.d.ingredients[p.Ingredient]
			if !ok || p.Unit != want.unit || p.Amount > MaxMilli {
				continue
			}
			for _, kind := range want.kinds {
				if in.Kind == kind {
					total += p.Amount
					found = true
				}
			}
		}
		if found && (k.Low != NoLow && total < k.Low || k.High != NoHigh && total > k.High) {
			m := MeasureByCode(k.Measure)
			c.fail("checks."+k.ID, FormatQuantity(k.Target, m.Unit), "does not agree with the parts, which hold "+FormatQuantity(total, m.Unit),
				rangeText(k, m), "change the part or the check")
		}
	}
}
