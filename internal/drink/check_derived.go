package drink

import (
	"fmt"
	"math"
	"strings"

	"samecup.example/samecup/internal/espresso"
)

// derived points out what a serving's computed facts say, and tells the facts.
func (c *checker) derived(s *Serving, f *Facts, scalds bool) {
	if f.OverSingleDose {
		fault := fmt.Sprintf("gives some %.0f mg of caffeine (%.0f to %.0f)", f.CaffeineMg.Mid, f.CaffeineMg.Low, f.CaffeineMg.High)
		if f.OverDay {
			fault += ", more than a day's"
		}
		c.add(Caution, "shots", fmt.Sprint(s.Shots), fault, fmt.Sprintf("%d mg is the single dose and %d mg the day's intake of no concern for an adult",
			espresso.CaffeineSingleDoseMG, espresso.CaffeineDailyMG), "show it on the menu")
	}
	mend := "warn the guest and let it cool"
	if s.steams() {
		mend = "end the milk cooler, or " + mend
	}
	if limit := hotDrink.Float(); !scalds && f.HandoverKnown && f.HandoverC.High > limit {
		c.add(Caution, "", fmt.Sprintf("%.1f °C", f.HandoverC.High), "scalds: that is the handover temperature in a warm cup", fmt.Sprintf("at most %.0f °C", limit),
			mend)
	}
	c.massAgrees(s, f)
	if c.others < maxCheckProblems {
		c.add(Note, "", "", c.summary(s, f), "", "")
	}
}

// massAgrees holds a check on the whole cup's mass against the sum of parts.
func (c *checker) massAgrees(s *Serving, f *Facts) {
	for i := range s.Checks {
		k := &s.Checks[i]
		mass, ok := FromFloat(f.MassGrams)
		if k.Measure != "cup_mass" || !ok || f.MassGrams <= 0 || (k.Low == NoLow || mass >= k.Low) && (k.High == NoHigh || mass <= k.High) {
			continue
		}
		c.fail("checks."+k.ID, FormatQuantity(k.Target, Gram), fmt.Sprintf("is not what this build weighs: its parts and %.0f g of condensed steam come to %.0f g", f.SteamWaterGrams, f.MassGrams),
			rangeText(k, MeasureByCode(k.Measure)), fmt.Sprintf("set the target to %.0f g, or correct the parts; air weighs nothing", f.MassGrams))
	}
}

// summary is a serving's computed facts on one line.
func (c *checker) summary(s *Serving, f *Facts) string {
	var w strings.Builder
	fmt.Fprintf(&w, "comes to %.0f ml and %.0f g", f.FillML, f.MassGrams)
	if f.HeadspaceML > 0 {
		fmt.Fprintf(&w, ", %.0f ml (%.1f mm) below the brim", f.HeadspaceML, f.RimGapMM)
	}
	if f.StrengthPercent > 0 {
		fmt.Fprintf(&w, "; strength %.2f %%", f.StrengthPercent)
	}
	if f.FrothDepthMM > 0 {
		fmt.Fprintf(&w, "; froth %.0f mm from %s %% air at the jug", f.FrothDepthMM, (s.Air * 100).String())
	}
	if f.SteamWaterGrams > 0 {
		fmt.Fprintf(&w, "; steam adds %.0f g of water", f.SteamWaterGrams)
	}
	if f.HandoverKnown {
		fmt.Fprintf(&w, "; handed over at %s °C", spread(f.HandoverC))
	}
	if f.CaffeineMg.High > 0 {
		fmt.Fprintf(&w, "; caffeine %s mg", spread(f.CaffeineMg))
	}
	if f.EnergyKnown {
		fmt.Fprintf(&w, "; some %.0f kcal (%.0f kJ)", f.EnergyKcal, f.EnergyKJ)
	}
	if f.CostKnown {
		fmt.Fprintf(&w, "; costs %d.%02d %s", (f.CostMilli+5)/1000, (f.CostMilli+5)%1000/10, f.Currency)
	}
	return w.String()
}

// spread words a range in whole numbers.
func spread(r Range) string {
	low, high := fmt.Sprintf("%.0f", r.Low), fmt.Sprintf("%.0f", r.High)
	if low == high {
		return low
	}
	return low + " to " + high
}

// milkRules checks what steaming can and cannot do.
func (c *checker) milkRules(s *Serving) {
	steams, checked := s.steams(), false
	for i := range s.Checks {
		k := &s.Checks[i]
		if k.Measure != "milk_temp" || s.Milk == "" {
			continue
		}
		checked = true
		switch {
		case steams && k.Target.Float() <= coldMilkC:
			c.fail("checks."+k.ID, FormatQuantity(k.Target, Celsius), fmt.Sprintf("is no end temperature: milk goes into the jug at %.0f °C and steam only warms it", coldMilkC),
				fmt.Sprintf("above %.0f °C and at most %s", coldMilkC, FormatQuantity(c.b.House.MilkMax, Celsius)), "state the end temperature, such as 60 °C")
		case !steams && k.Target > hotDrink/2:
			c.fail("checks."+k.ID, FormatQuantity(k.Target, Celsius), "is hot milk, but no step steams it", "", "add a steam step, or remove the check")
		}
	}
	if steams && !checked && s.Milk != "" {
		c.add(Caution, "checks.milk_temp", "", "is not checked, so nothing stops scalding milk", "", `add "milk_temp: {target: 60 °C, within: 3 °C}"`)
	}
	if s.Air > 0 && !steams {
		c.fail("air", s.Air.String(), "is stated, but no step steams the milk", "", "add a steam step, or remove the air")
	}
}

// strengthAcrossSizes compares the coffee solids over beverage mass of a
// drink's sizes with that of the smallest, and names the whole shots that
// would mend a size out of the band.
func (c *checker) strengthAcrossSizes(d *Drink) {
	band := c.b.House.StrengthBand.Float() / 100
	if band <= 0 || len(d.Servings) < 2 {
		return
	}
	type size struct {
		s                      *Serving
		strength, mass, coffee float64
	}
	var all []size
	smallest := -1
	for i := range d.Servings {
		s := &d.Servings[i]
		f := c.strengths[i]
		if s.Shots == 0 || f.StrengthPercent <= 0 {
			continue
		}
		all = append(all, size{s, f.StrengthPercent, f.MassGrams, f.CoffeeGrams})
		if smallest < 0 || f.MassGrams < all[smallest].mass {
			smallest = len(all) - 1
		}
	}
	if len(all) < 2 {
		return
	}
	want := all[smallest]
	for _, got := range all {
		if math.Abs(got.strength/want.strength-1) <= band {
			continue
		}
		// Shots change the mass as well as the coffee in it.
		share, single := want.coffee/want.mass, got.coffee/float64(got.s.Shots)
		mend := "change the fill"
		if share < 1 {
			exact := share * (got.mass - got.coffee) / (1 - share) / single
			shots := max(1, int(math.Round(exact)))
			after := float64(shots) * single / (got.mass - got.coffee + float64(shots)*single) / share
			if shots != got.s.Shots && math.Abs(after-1) < math.Abs(got.strength/want.strength-1) {
				mend = fmt.Sprintf("%d shots would mend it", shots)
				if math.Abs(after-1) > band {
					mend = fmt.Sprintf("%d shots come nearest, %+.0f %%; change the fill too", shots, (after-1)*100)
				}
			}
		}
		c.place = "servings[" + got.s.ID + "]"
		c.add(Caution, "shots", fmt.Sprint(got.s.Shots), fmt.Sprintf("makes coffee solids %.2f %% of the drink; the smallest size, %s, has %.2f %%", got.strength, want.s.Size, want.strength),
			fmt.Sprintf("within %s %% of that", c.b.House.StrengthBand), mend)
	}
	c.place = ""
}

// pullRules tells ratio, flow and extraction of the house pull, which are
// derived, never typed, and points out what no barista means.
func (c *checker) pullRules() {
	p := &c.b.House.Pull
	s := Serving{Checks: p.Checks}
	if p.Price.Amount < 0 || p.Price.Amount > mostPrice || p.Price.Per != "" && p.Price.Per != Gram {
		c.fail("pull.price", p.Price.Amount.String(), "is out of range", "0 to 10,000 a kilogram", "correct it")
	} else if p.Price.Per != "" && c.b.House.Currency == "" {
		c.fail("pull.price", p.Price.Amount.String(), "is a price, but the house states no currency", "", `add "currency: GBP"`)
	}
	dose, yield, tds := s.target("dose"), s.target("yield"), s.target("tds")
	ratio, err := espresso.Ratio(dose, yield)
	if err != nil {
		c.add(Caution, "pull", "", "has no dose and yield, so neither ratio nor strength can be known", "", "add checks on dose and yield")
		return
	}
	fault := fmt.Sprintf("gives a ratio of 1 to %.2f", ratio)
	if flow, err := espresso.Flow(yield, s.target("shot_time")); err == nil {
		fault += fmt.Sprintf(" at %.2f g/s", flow)
	}
	if tds > 0 {
		// Error of one cup: 0.15 points, 0.4 g and 0.1 g (from memory).
		e, err := espresso.MeasuredExtraction(espresso.Measured{Value: tds, SD: 0.15}, espresso.Measured{Value: yield, SD: 0.4}, espresso.Measured{Value: dose, SD: 0.1})
		switch {
		case err != nil:
			c.fail("pull.checks.tds", fmt.Sprintf("%g %%", tds), "does not go with dose and yield: "+err.Error(), "", "check dose, yield and tds")
		case e.Percent < 16 || e.Percent > 24:
			c.add(Caution, "pull.checks.tds", fmt.Sprintf("%g %%", tds), fmt.Sprintf("means an extraction of %.1f ± %.1f %%", e.Percent, e.SDPercent), "16 to 24 %, 18 to 22 % as a rule", "check dose, yield and tds")
		default:
			fault += fmt.Sprintf(", an extraction of %.1f ± %.1f %%", e.Percent, e.SDPercent)
		}
	}
	c.add(Note, "pull", "", fault, "", "")
	// Common practice, no source: ristretto from 1 to 1, lungo to 1 to 4; a
	// basket takes its nominal grams give or take three.
	if ratio < 1 || ratio > 4 {
		c.add(Caution, "pull", fmt.Sprintf("1 to %.2f", ratio), "is an unusual ratio for espresso", "1 to 1 up to 1 to 4", "check dose and yield: the ratio is of masses")
	}
	if basket := p.Basket.Float(); math.Abs(dose-basket) > 3 {
		c.add(Caution, "pull", fmt.Sprintf("%g g", dose), fmt.Sprintf("is a dose that does not suit the %g g basket", basket), fmt.Sprintf("%g to %g g", basket-3, basket+3), "correct the dose, or name the basket in use")
	}
}
