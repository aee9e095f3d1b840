package sim

import (
	"slices"

	"samecup.example/samecup/internal/drink"
)

// Fault is one thing that a simulated barista, or their tablet, gets wrong.
type Fault string

// The faults. Each is a departure that a judge must find whatever else holds.
const (
	NoFault             Fault = ""
	ShotFast            Fault = "shot_fast"
	ShotSlow            Fault = "shot_slow"
	DoseOff             Fault = "dose_off"
	YieldOff            Fault = "yield_off"
	FrothThin           Fault = "froth_thin"
	FrothThick          Fault = "froth_thick"
	MilkTooHot          Fault = "milk_too_hot"
	WrongOrder          Fault = "wrong_order"
	StepLeftOut         Fault = "step_left_out"
	WrongVessel         Fault = "wrong_vessel"
	WrongMilk           Fault = "wrong_milk"
	WrongShots          Fault = "wrong_shots"
	GarnishMissing      Fault = "garnish_missing"
	GarnishUnexpected   Fault = "garnish_unexpected"
	SubstitutionRefused Fault = "substitution_not_allowed"
	ReadingMissing      Fault = "reading_missing"
	ValueImpossible     Fault = "value_impossible"
	ReadingTwice        Fault = "reading_twice"
	FutureTime          Fault = "future_time"
)

// Faults lists every fault that can be injected.
var Faults = []Fault{
	ShotFast, ShotSlow, DoseOff, YieldOff, FrothThin, FrothThick, MilkTooHot,
	WrongOrder, StepLeftOut, WrongVessel, WrongMilk, WrongShots,
	GarnishMissing, GarnishUnexpected, SubstitutionRefused,
	ReadingMissing, ValueImpossible, ReadingTwice, FutureTime,
}

// side of a tolerance on which a value falls out.
type side int

const (
	either side = iota
	below
	above
)

// outOf names the measure and the side of the faults that are a value out of
// tolerance.
var outOf = map[Fault]struct {
	measure string
	side    side
}{
	ShotFast: {"shot_time", below}, ShotSlow: {"shot_time", above},
	DoseOff: {"dose", either}, YieldOff: {"yield", either},
	FrothThin: {"froth_depth", below}, FrothThick: {"froth_depth", above},
	MilkTooHot: {"milk_temp", above},
}

// offers tells whether a serving has a place for a fault.
func (b *Bar) offers(s *drink.Serving, f Fault) bool {
	if o, ok := outOf[f]; ok {
		return len(openChecks(s, o.measure, o.side)) > 0
	}
	switch f {
	case WrongOrder:
		return len(orderedPairs(s)) > 0
	case StepLeftOut:
		return slices.ContainsFunc(s.Steps, func(st drink.Step) bool { return !st.Optional })
	case WrongMilk:
		return s.Milk != ""
	case GarnishMissing:
		return len(s.Garnish) > 0
	case SubstitutionRefused:
		return len(s.Parts) > 0
	case ReadingMissing:
		return slices.ContainsFunc(s.Checks, needed)
	case ValueImpossible, ReadingTwice:
		return len(s.Checks) > 0
	case WrongVessel, WrongShots, GarnishUnexpected, FutureTime:
		return true
	}
	return false
}

func needed(c drink.Check) bool { return c.Need == drink.WhenSampled || c.Need == drink.Always }

// inject puts one fault into a sound build; false when there is no place.
func (b *Bar) inject(s *drink.Serving, build *drink.Build, f Fault) bool {
	if !b.offers(s, f) {
		return false
	}
	if o, ok := outOf[f]; ok {
		checks := openChecks(s, o.measure, o.side)
		b.throwOut(build, checks[b.rng.IntN(len(checks))], o.side)
		return true
	}
	switch f {
	case WrongOrder:
		return b.swapSteps(s, build)
	case StepLeftOut:
		b.dropStep(s, build)
	case WrongVessel:
		build.Vessel = b.other(b.stock.vessels, "jam-jar", func(v string) bool { return v == s.Vessel })
	case WrongMilk:
		build.Milk = b.other(b.stock.milks, "goat", func(m string) bool { return m == s.Milk || mayReplace(s, s.Milk, m) })
	case WrongShots:
		if build.Shots++; s.Shots > 0 && b.rng.IntN(2) == 0 {
			build.Shots = s.Shots - 1
		}
	case GarnishMissing:
		i := b.rng.IntN(len(build.Garnish))
		build.Garnish = slices.Delete(build.Garnish, i, i+1)
	case GarnishUnexpected:
		build.Garnish = append(build.Garnish, b.other(b.stock.garnishes, "crushed-hazelnut", func(g string) bool {
			return slices.Contains(s.Garnish, g)
		}))
	case SubstitutionRefused:
		b.substitute(s, build)
	case ReadingMissing:
		b.loseReading(s, build)
	case ValueImpossible:
		b.slip(s, build)
	case ReadingTwice:
		b.repeatReading(s, build)
	case FutureTime:
		// The times are moved once they are set.
	}
	return true
}

func mayReplace(s *drink.Serving, from, to string) bool {
	return slices.Contains(s.MayReplace, drink.Substitution{From: from, To: to})
}

// substitute logs a replacement that the spec does not allow.
func (b *Bar) substitute(s *drink.Serving, build *drink.Build) {
	from := s.Parts[b.rng.IntN(len(s.Parts))].Ingredient
	to := b.other(b.stock.ingredients, "carob-powder", func(i string) bool { return i == from || mayReplace(s, from, i) })
	build.Substitutions = append(build.Substitutions, drink.Substitution{From: from, To: to})
	if from == s.Milk {
		build.Milk = to
	}
}
