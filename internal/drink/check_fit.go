package drink

import (
	"fmt"
	"math"

	"samecup.example/samecup/internal/cup"
	"samecup.example/samecup/internal/espresso"
	"samecup.example/samecup/internal/milk"
)

// Densities, g/mL, where the book states none: floating ice by its displaced
// solid volume; ice cream as scooped (common practice, no source).
const (
	iceDensity      = 0.917
	iceCreamDensity = 0.55
)

// Profile is the vessel's inner shape.
func (v *Vessel) Profile() (cup.Profile, error) {
	return cup.New(v.Base.Float(), v.Top.Float(), v.Height.Float())
}

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
func (s *Serving) steams() bool {
	for i := range s.Steps {
		if s.Steps[i].Act == "steam" {
			return true
		}
	}
	return false
}

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
func (b *Book) Volumes(s *Serving) (Volumes, error) {
	v := Volumes{Espresso: b.coffeeGrams(s)}
	steams := s.steams()
	for _, p := range s.Parts {
		in, ok := b.IngredientByID(p.Ingredient)
		if !ok {
			continue
		}
		ml := partML(p, in)
		if in.Kind != "milk" && in.Kind != "plant_milk" {
			v.Other += ml
			continue
		}
		if !steams {
			v.Milk += ml
			continue
		}
		factor := b.House.MilkHotFactor
		if in.HotFactor != 0 {
			factor = in.HotFactor
		}
		hot, err := milk.HotVolume(ml, factor.Float())
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
func (c *checker) fit(s *Serving) {
	vessel, ok := c.b.VesselByID(s.Vessel)
	if !ok {
		return
	}
	p, err := vessel.Profile()
	if err != nil {
		return // named at the vessel
	}
	if s.Air < 0 || s.Air > 1500 {
		c.fail("air", s.Air.String(), "is out of range", "0 to 1.5 of the hot milk", "correct it")
		return
	}
	v, err := c.b.Volumes(s)
	if err != nil {
		c.fail("parts", "", err.Error(), "", "correct the amounts")
		return
	}
	brim := p.Brim()
	above := s.AboveRim.Float()
	dome, err := p.Cap(above)
	if err != nil {
		c.fail("above_rim", FormatQuantity(s.AboveRim, Millimetre), "is no height for froth over this rim",
			fmt.Sprintf("0 to %.0f mm", vessel.Top.Float()/2), "correct it")
		return
	}
	room := brim - c.b.House.HeadspaceMin.Float()
	sum := fmt.Sprintf("%.0f ml", v.Filled)
	parts := fmt.Sprintf("espresso %.0f + milk %.0f + air %.0f + other %.0f", v.Espresso, v.Milk, v.Air, v.Other)
	if s.AboveRim == 0 && v.Filled > room {
		c.fail("parts", sum, fmt.Sprintf("overfills the vessel by %.0f ml (%s)", math.Ceil(v.Filled-room), parts),
			fmt.Sprintf("at most %.0f ml in %s: brim %.0f less headspace %s", room, vessel.Name, brim, c.b.House.HeadspaceMin),
			"pour less, or use a larger vessel")
		return
	}
	if s.AboveRim > 0 {
		// A dome half as high again runs over; one half as high does not show.
		most, errCap := p.Cap(math.Min(above*1.5, p.Height()))
		if errCap != nil {
			most = dome * 1.5
		}
		switch {
		case v.Filled > brim+most:
			c.fail("parts", sum, fmt.Sprintf("overfills the vessel and the froth above its rim (%s)", parts),
				fmt.Sprintf("about %.0f ml: brim %.0f and %.0f above it", brim+dome, brim, dome), "pour less")
			return
		case v.Filled < brim+dome/2:
			c.fail("above_rim", FormatQuantity(s.AboveRim, Millimetre), fmt.Sprintf("is not reached: the drink comes to %.0f ml (%s)", v.Filled, parts),
				fmt.Sprintf("about %.0f ml: brim %.0f and %.0f above it", brim+dome, brim, dome), "pour or aerate more")
			return
		}
	}
	c.froth(s, p, v)
}

// froth proves that each stated depth is what the stated air gives in this
// vessel at this fill, and otherwise says which air would.
func (c *checker) froth(s *Serving, p cup.Profile, v Volumes) {
	for i := range s.Checks {
		k := &s.Checks[i]
		if k.Measure != "froth_depth" || s.Milk == "" || k.Target < k.Low || k.Target > k.High {
			continue
		}
		m := MeasureByCode(k.Measure)
		depth, err := milk.FrothDepth(p, v.Filled, v.Froth)
		got, ok := FromFloat(depth)
		if err == nil && ok && (k.Low == NoLow || got >= k.Low-m.Resolution/2) && (k.High == NoHigh || got <= k.High+m.Resolution/2) {
			continue
		}
		mend := "change the target, the milk or the vessel"
		if share, ok := c.airFor(s, p, v, k.Target.Float()); ok {
			mend = fmt.Sprintf("aerate to %.0f %% of the hot milk, or change the target", share*100)
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
func (c *checker) airFor(s *Serving, p cup.Profile, v Volumes, depth float64) (float64, bool) {
	if v.Milk <= 0 {
		return 0, false
	}
	gas := c.b.House.FrothGasShare.Float()
	room := p.Brim() - c.b.House.HeadspaceMin.Float()
	if dome, err := p.Cap(s.AboveRim.Float()); err == nil && s.AboveRim > 0 {
		room = p.Brim() + dome
	}
	still := v.Filled - v.Air
	at := func(share float64) (float64, bool) {
		air := v.Milk * share
		if still+air > room {
			return math.Inf(1), true
		}
		d, err := milk.FrothDepth(p, still+air, air/gas)
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

// strengthAcrossSizes compares coffee's share of the fill with that of the
// smallest size, and names the shots that would mend a size out of the band.
func (c *checker) strengthAcrossSizes(d *Drink) {
	band := c.b.House.StrengthBand.Float() / 100
	if band <= 0 {
		return
	}
	type filled struct {
		s            *Serving
		coffee, fill float64
	}
	var all []filled
	for i := range d.Servings {
		s := &d.Servings[i]
		if v, err := c.b.Volumes(s); err == nil && v.Espresso > 0 && v.Filled > 0 {
			all = append(all, filled{s, v.Espresso, v.Filled})
		}
	}
	if len(all) < 2 {
		return
	}
	smallest := all[0]
	for _, f := range all {
		if f.fill < smallest.fill {
			smallest = f
		}
	}
	want := smallest.coffee / smallest.fill
	for _, f := range all {
		got := f.coffee / f.fill
		if math.Abs(got/want-1) <= band {
			continue
		}
		single := f.coffee / float64(f.s.Shots)
		mend := "change the fill"
		if shots := int(math.Round(want * f.fill / single)); shots != f.s.Shots && shots > 0 {
			mend = fmt.Sprintf("%d shots would mend it", shots)
		}
		c.place = "servings[" + f.s.ID + "]"
		c.add(Caution, "shots", fmt.Sprint(f.s.Shots), fmt.Sprintf("makes coffee %.1f %% of the cup; the smallest size, %s, has %.1f %%", got*100, smallest.s.Size, want*100),
			fmt.Sprintf("within %s %% of that", c.b.House.StrengthBand), mend)
	}
	c.place = ""
}

// amountsAgree holds a check on a volume, mass or count against the parts.
func (c *checker) amountsAgree(s *Serving) {
	kinds := map[string]struct {
		unit  Unit
		kinds []string
	}{
		"water_volume": {Millilitre, []string{"water"}},
		"milk_volume":  {Millilitre, []string{"milk", "plant_milk"}},
		"ice":          {Gram, []string{"ice"}},
		"scoop":        {Gram, []string{"ice_cream"}},
		"syrup_pumps":  {Count, []string{"syrup", "sauce"}},
	}
	for i := range s.Checks {
		k := &s.Checks[i]
		want, ok := kinds[k.ID] // a second check of a measure is on another part
		if !ok || k.ID != k.Measure {
			continue
		}
		var total Milli
		found := false
		for _, p := range s.Parts {
			in, ok := c.b.IngredientByID(p.Ingredient)
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

// pullNote tells ratio and flow of the house pull, which are derived, never typed.
func (c *checker) pullNote() {
	s := Serving{Checks: c.b.House.Pull.Checks}
	ratio, err := espresso.Ratio(s.target("dose"), s.target("yield"))
	if err != nil {
		c.add(Caution, "pull", "", "has no dose and yield, so neither ratio nor strength can be known", "", "add checks on dose and yield")
		return
	}
	fault := fmt.Sprintf("gives a ratio of 1 to %.2f", ratio)
	if flow, err := espresso.Flow(s.target("yield"), s.target("shot_time")); err == nil {
		fault += fmt.Sprintf(" at %.2f g/s", flow)
	}
	c.add(Note, "pull", "", fault, "", "")
}
