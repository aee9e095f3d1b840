package season

import (
	"math"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// How the second release and the overlay change the book; invented.
const (
	cooler      = 2_000 // thousandths of a degree off the end temperature of dairy
	cocoa       = "cocoa"
	cocoaOnTop  = "mocha" // the second release puts cocoa on it
	massWithin  = 0.043   // of the target: 12 g on a medium latte
	pumpWithin  = 1       // mL a stroke
	garnishStep = "garnish"
)

// variant compiles the serving as one variant of the book has it. No reading is
// needed: what was not measured is told by events, not by findings.
func (r *recipe) variant(book *drink.Serving, variant int) (spec, error) {
	s := *book
	s.Garnish, s.Steps, s.Checks = slices.Clone(s.Garnish), slices.Clone(s.Steps), slices.Clone(s.Checks)
	if variant&1 == 1 {
		r.secondRelease(&s)
	}
	if variant&overlaid != 0 {
		s.Garnish = slices.DeleteFunc(s.Garnish, func(g string) bool { return g == cocoa })
		s.Steps = slices.DeleteFunc(s.Steps, func(st drink.Step) bool { return st.Act == garnishStep && st.Ingredient == cocoa })
		repairOrder(s.Steps)
	}
	r.addChecks(&s)
	for i := range s.Checks {
		s.Checks[i].Need = drink.Optional
	}
	checker, err := verdict.Compile(&s)
	if err != nil {
		return spec{}, err
	}
	out := spec{checker: checker}
	if len(s.Garnish) > 0 {
		out.garnish = s.Garnish
	}
	for i := range s.Steps {
		out.steps = append(out.steps, drink.StepLog{Step: s.Steps[i].ID, At: time.Duration(i) * 8 * time.Second})
	}
	out.finish = time.Duration(len(s.Steps)+1) * 8 * time.Second
	for measure, to := range map[string]*limit{"dose": &out.dose, "yield": &out.yield, "shot_time": &out.time, "milk_temp": &out.temp,
		"cup_mass": &out.mass, "froth_depth": &out.depth, sauceCheck: &out.sauce} {
		i := slices.IndexFunc(s.Checks, func(k drink.Check) bool { return k.ID == measure })
		if i < 0 {
			continue
		}
		k := &s.Checks[i]
		m := drink.MeasureByCode(k.Measure)
		*to = limit{ok: true, id: k.ID, measure: k.Measure, unit: m.Unit, target: k.Target.Float(), low: k.Low.Float(), high: k.High.Float()}
		if k.Low == drink.NoLow {
			to.low = math.Inf(-1)
		}
		if k.High == drink.NoHigh {
			to.high = math.Inf(1)
		}
	}
	return out, nil
}

// secondRelease steams dairy cooler and puts cocoa on the mocha.
func (r *recipe) secondRelease(s *drink.Serving) {
	if r.milk == wholeMilk {
		for i := range s.Checks {
			if k := &s.Checks[i]; k.Measure == "milk_temp" {
				k.Target, k.Low, k.High = k.Target-cooler, k.Low-cooler, k.High-cooler
			}
		}
	}
	if r.drink == cocoaOnTop {
		s.Garnish = append(s.Garnish, cocoa)
		last := s.Steps[len(s.Steps)-1].ID
		s.Steps = append(s.Steps, drink.Step{ID: garnishStep, Act: garnishStep, Ingredient: cocoa, After: []string{last}, Criticality: drink.Appearance})
	}
}

// repairOrder drops what must come after a step that is gone.
func repairOrder(steps []drink.Step) {
	for i := range steps {
		kept := slices.Clone(steps[i].After)
		kept = slices.DeleteFunc(kept, func(id string) bool {
			return !slices.ContainsFunc(steps, func(o drink.Step) bool { return o.ID == id })
		})
		steps[i].After = kept
	}
}

// sauceCheck is the weighed sauce of a drink with pumps.
const sauceCheck = "sauce_mass"

// addChecks adds what the sampling plan weighs and the book does not ask for.
func (r *recipe) addChecks(s *drink.Serving) {
	milli := func(v float64) drink.Milli { return drink.Milli(math.Round(v)) * 1000 }
	add := func(id, measure string, target, within drink.Milli) {
		s.Checks = append(s.Checks, drink.Check{ID: id, Measure: measure, Target: target, Low: target - within, High: target + within,
			HardHigh: drink.NoHigh, Criticality: drink.Quality, Occurrences: 1, Resolution: 1000})
	}
	if r.hot && !slices.ContainsFunc(s.Checks, func(k drink.Check) bool { return k.ID == "cup_mass" }) {
		mass := r.nominalMass()
		add("cup_mass", "cup_mass", milli(mass), milli(math.Max(3, mass*massWithin)))
	}
	if r.pumped != "" {
		grams := r.sauceML * r.sauceGPerML
		add(sauceCheck, "powder", milli(grams), milli(3*pumpWithin*r.sauceGPerML))
	}
}
