package drink

import (
	"fmt"
	"math"
	"slices"

	"samecup.example/samecup/internal/espresso"
)

// liquid solves the part that takes up the room: the air for the froth's depth
// first, then the milk, or the water where there is none.
func (f *fitter) liquid(kinds []string) error {
	rest, err := f.restML(kinds)
	if err != nil {
		return err
	}
	room := f.fill - rest
	if !(room > 0) {
		return fmt.Errorf("coffee and other parts come to %.0f ml of a fill of %.0f ml; use a larger vessel", rest, f.fill)
	}
	frothed := f.old.steams() && f.was.Air > 0
	if frothed {
		f.air(room)
	}
	// Volume is a straight line in the factor, so trial at one gives the rest.
	was := f.amounts(kinds)
	f.scale(kinds, was, 1)
	v, err := f.b.Volumes(&f.now)
	if err != nil {
		return err
	}
	factor := room / (v.Filled - rest)
	if !(factor > 0) || math.IsInf(factor, 0) {
		return fmt.Errorf("%.0f ml of room cannot be filled from parts of %.0f ml", room, v.Filled-rest)
	}
	f.scale(kinds, was, factor)
	return f.trim(kinds)
}

// restML is the volume, mL, of all but the kinds that are solved.
func (f *fitter) restML(kinds []string) (float64, error) {
	bare := cloneServing(&f.now)
	bare.Parts = slices.DeleteFunc(bare.Parts, func(p Part) bool {
		in, ok := f.b.IngredientByID(p.Ingredient)
		return ok && slices.Contains(kinds, in.Kind)
	})
	v, err := f.b.Volumes(&bare)
	return v.Filled, err
}

// air finds the air that stands as deep as before, mm, by bisection: at a given
// fill the depth of a layer rises with its volume whatever the vessel's shape.
func (f *fitter) air(room float64) {
	gas := f.b.House.FrothGasShare.Float()
	lo, hi := 0.0, room*mostAir/(1+mostAir)
	depth := func(airML float64) (float64, bool) {
		d, err := frothDepth(f.to, f.fill, airML/gas)
		return d, err == nil
	}
	most := hi
	for range 80 {
		mid := lo + (hi-lo)/2
		// Too little froth to reach the rim and too much for the cup both fail;
		// only more air mends the first.
		switch d, ok := depth(mid); {
		case ok && d < f.wasDepth, !ok && f.fill-mid/gas > f.to.Brim():
			lo = mid
		default:
			hi = mid
		}
	}
	airML := lo + (hi-lo)/2
	d, ok := depth(airML)
	if !ok || math.Abs(d-f.wasDepth) > 0.05 {
		f.cannot("froth depth: %.1f mm would take more than the %.0f ml of air that this milk can hold here, so the air stays at %s %%",
			f.wasDepth, most, (f.now.Air * 100).String())
		return
	}
	share := airML / (room - airML)
	// Whole percents, as a book writes them, unless that is what it had.
	if air := Milli(math.Round(share*100)) * 10; math.Abs(share-f.old.Air.Float()) > 0.0005 {
		f.now.Air = air
	}
	f.holds("froth depth: %.1f mm, at %s %% air", f.wasDepth, (f.now.Air * 100).String())
}

func (f *fitter) amounts(kinds []string) []Milli {
	out := make([]Milli, len(f.old.Parts))
	for i, p := range f.old.Parts {
		if in, ok := f.b.IngredientByID(p.Ingredient); ok && slices.Contains(kinds, in.Kind) {
			out[i] = p.Amount
		}
	}
	return out
}

// scale sets the solved parts to whole base units, at least one.
func (f *fitter) scale(kinds []string, was []Milli, factor float64) {
	for i := range f.now.Parts {
		if was[i] == 0 || math.Abs(factor-1) < 1e-9 {
			continue
		}
		f.now.Parts[i].Amount = max(1, Milli(math.Round(was[i].Float()*factor))) * 1000
	}
}

// trim takes whole millilitres off where rounding passed the room there is.
func (f *fitter) trim(kinds []string) error {
	if f.fill > f.to.Brim() {
		return nil // the rule on headspace exempts froth above the rim
	}
	room := f.to.Brim() - f.b.House.HeadspaceMin.Float()
	for range 8 {
		v, err := f.b.Volumes(&f.now)
		if err != nil || v.Filled <= room+1e-9 {
			return err
		}
		for i := range f.now.Parts {
			in, ok := f.b.IngredientByID(f.now.Parts[i].Ingredient)
			if ok && slices.Contains(kinds, in.Kind) && f.now.Parts[i].Amount > 1000 {
				f.now.Parts[i].Amount -= 1000
				break
			}
		}
	}
	return nil
}

// checks moves the targets that follow the amounts, each with its tolerance.
func (f *fitter) checks() {
	sum := func(s *Serving, kinds ...string) Milli {
		var total Milli
		for _, p := range s.Parts {
			if in, ok := f.b.IngredientByID(p.Ingredient); ok && slices.Contains(kinds, in.Kind) {
				total += p.Amount
			}
		}
		return total
	}
	for i := range f.now.Checks {
		k := &f.now.Checks[i]
		m := MeasureByCode(k.Measure)
		if m == nil {
			continue
		}
		if m.PerPull && k.Occurrences == max(1, f.b.Pulls(&f.old)) {
			k.Occurrences = max(1, f.b.Pulls(&f.now))
		}
		var by Milli
		switch k.ID { // a second check of a measure is on another part
		case "milk_volume":
			by = sum(&f.now, "milk", "plant_milk") - sum(&f.old, "milk", "plant_milk")
		case "water_volume":
			by = sum(&f.now, "water") - sum(&f.old, "water")
		case "ice":
			by = sum(&f.now, "ice") - sum(&f.old, "ice")
		case "scoop":
			by = sum(&f.now, "ice_cream") - sum(&f.old, "ice_cream")
		case "syrup_pumps":
			by = sum(&f.now, "syrup", "sauce") - sum(&f.old, "syrup", "sauce")
		case "cup_mass":
			was, errOld := f.b.Facts(&f.old)
			is, errNew := f.b.Facts(&f.now)
			if errOld == nil && errNew == nil {
				by = Milli(math.Round(is.MassGrams-was.MassGrams)) * 1000
			}
		}
		shiftCheck(k, by)
	}
}

func shiftCheck(k *Check, by Milli) {
	k.Target += by
	if k.Low != NoLow {
		k.Low += by
	}
	if k.High != NoHigh {
		k.High += by
	}
	if k.HasHardHigh() {
		k.HardHigh += by
	}
}

// finish derives the facts of both and lets the book's own check judge the
// serving in its place.
func (f *fitter) finish() error {
	var err error
	if f.p.OldFacts, err = f.b.Facts(&f.old); err != nil {
		return err
	}
	if f.p.NewFacts, err = f.b.Facts(&f.now); err != nil {
		return err
	}
	f.p.Old, f.p.New = f.old, f.now
	if f.p.NewFacts.OverSingleDose && !f.p.OldFacts.OverSingleDose {
		f.cannot("caffeine: some %.0f mg passes a single dose of %.0f mg, which this serving did not; show it on the menu", f.p.NewFacts.CaffeineMg.Mid, float64(espresso.CaffeineSingleDoseMG))
	}
	trial := *f.b
	trial.Drinks = []Drink{{ID: f.now.Drink, Name: f.now.DrinkName, Servings: []Serving{f.now}}}
	before := *f.b
	before.Drinks = []Drink{{ID: f.old.Drink, Name: f.old.DrinkName, Servings: []Serving{f.old}}}
	stood := CheckBook(&before).At(Error)
	for _, problem := range CheckBook(&trial).At(Error) {
		if slices.ContainsFunc(stood, func(p Problem) bool { return p.Field == problem.Field && p.Fault == problem.Fault }) {
			continue // the proposal did not bring it
		}
		problem.File = ""
		f.cannot("the book's check: %s", problem)
	}
	return nil
}
