package drink

import (
	"math"
	"slices"

	"samecup.example/samecup/internal/espresso"
)

// filterCaffeine is caffeine in filter coffee, mg/mL, where the ingredient
// states none: 188 mg in 265 mL, derived from a content given from memory.
const filterCaffeine = 188.0 / 265.0

// caffeineSpread is how far a stated content may be off, either way. Assumed.
const caffeineSpread = 0.25

// Energy of espresso, per g: 5 kcal in 100 g. From memory.
const (
	espressoKcal = 0.05
	espressoKJ   = 0.21
)

// caffeine adds the shots' and the ingredients' estimates.
func (d *Deriver) caffeine(s *Serving, f *Facts) {
	if dose := d.dose(s); dose > 0 {
		if r, err := espresso.Caffeine(dose); err == nil {
			f.CaffeineMg = Range{r.Low, r.Mid, r.High}
		}
	}
	for _, p := range s.Parts {
		in := d.ingredients[p.Ingredient]
		var mg float64
		switch {
		case in.Caffeine.Per != "":
			mg = amountIn(p, in, in.Caffeine.Per) * in.Caffeine.Amount.Float() / 100
		case in.Kind == "coffee":
			mg = partML(p, in) * filterCaffeine
		}
		f.CaffeineMg.Low += mg * (1 - caffeineSpread)
		f.CaffeineMg.Mid += mg
		f.CaffeineMg.High += mg * (1 + caffeineSpread)
	}
	f.OverSingleDose = f.CaffeineMg.Mid > espresso.CaffeineSingleDoseMG
	f.OverDay = f.CaffeineMg.Mid > espresso.CaffeineDailyMG
}

// dose is the dry coffee behind the serving's shots, g.
func (d *Deriver) dose(s *Serving) float64 {
	if s.Shots <= 0 || d.b.House.Pull.SinglesPerPull <= 0 {
		return 0
	}
	return s.target("dose") * float64(s.Shots) / float64(d.b.House.Pull.SinglesPerPull)
}

// amountIn is a part in mL or g, whichever a figure is stated for.
func amountIn(p Part, in *Ingredient, per Unit) float64 {
	if per == Gram {
		return partGrams(p, in)
	}
	return partML(p, in)
}

// unlisted calls yield for what goes into the serving without being a part:
// garnish and what is steeped or added by weight, with the mass that a check
// states, g, or 0 where none does.
func (d *Deriver) unlisted(s *Serving, yield func(in *Ingredient, grams float64) bool) {
	var seen [8]string
	done := seen[:0]
	visit := func(id string, grams float64) bool {
		in, ok := d.ingredients[id]
		if !ok || id == s.Milk || slices.Contains(done, id) ||
			slices.ContainsFunc(s.Parts, func(p Part) bool { return p.Ingredient == id }) {
			return true
		}
		done = append(done, id)
		return yield(in, grams)
	}
	for i := range s.Steps {
		step := &s.Steps[i]
		grams := 0.0
		switch step.Act {
		case "garnish":
			grams = s.target("garnish")
		case "add", "steep":
			grams = s.target("powder")
		}
		if step.Ingredient != "" && !visit(step.Ingredient, grams) {
			return
		}
	}
	for _, id := range s.Garnish {
		if !visit(id, s.target("garnish")) {
			return
		}
	}
}

// energy sums kcal and kJ, each by itself. What is steeped and strained (kind
// tea) leaves some 1 kcal in the cup (from memory) and counts as none.
func (d *Deriver) energy(s *Serving, f *Facts) {
	espressoG := d.b.coffeeGrams(s)
	kcal, kj, known := espressoG*espressoKcal, espressoG*espressoKJ, true
	add := func(in *Ingredient, amount float64) {
		switch {
		case in.Energy.Per != "":
			kcal += amount * in.Energy.Kcal.Float() / 100
			kj += amount * in.Energy.KJ.Float() / 100
		case in.Kind != "water" && in.Kind != "ice" && in.Kind != "tea":
			known = false
		}
	}
	for _, p := range s.Parts {
		in := d.ingredients[p.Ingredient]
		add(in, amountIn(p, in, in.Energy.Per))
	}
	d.unlisted(s, func(in *Ingredient, grams float64) bool {
		if in.Kind != "tea" {
			add(in, amountIn(Part{Amount: milliOf(grams), Unit: Gram}, in, in.Energy.Per))
		}
		return known
	})
	if f.EnergyKnown = known; known {
		f.EnergyKcal, f.EnergyKJ = kcal, kj
	}
}

// cost sums what is priced. Tap water and ice without a price cost nothing.
func (d *Deriver) cost(s *Serving, f *Facts) {
	f.Currency = d.b.House.Currency
	if f.Currency == "" {
		return
	}
	sum, known := 0.0, true
	add := func(in *Ingredient, p Part) {
		switch {
		case in.Price.Per != "":
			sum += amountIn(p, in, in.Price.Per) * in.Price.Amount.Float() / 1000
		case in.Kind != "water" && in.Kind != "ice":
			known = false
		}
	}
	if dose := d.dose(s); s.Shots > 0 {
		known = dose > 0 && d.b.House.Pull.Price.Per == Gram
		sum += dose * d.b.House.Pull.Price.Amount.Float() / 1000
	}
	for _, p := range s.Parts {
		add(d.ingredients[p.Ingredient], p)
	}
	d.unlisted(s, func(in *Ingredient, grams float64) bool {
		if grams > 0 || in.Price.Per == "" {
			add(in, Part{Amount: milliOf(grams), Unit: Gram})
		}
		return known
	})
	if milli := math.Round(sum * 1000); known && milli >= 0 && milli <= float64(MaxMilli) {
		f.CostMilli, f.CostKnown = int64(milli), true
	}
}

func milliOf(v float64) Milli {
	m, _ := FromFloat(v)
	return m
}
