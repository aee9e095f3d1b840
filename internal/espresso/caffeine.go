package espresso

import (
	"errors"
	"fmt"
)

// Published figures on caffeine, mg: European Food Safety Authority, Scientific
// Opinion on the safety of caffeine, EFSA Journal 4102 (2015), read in its
// abstract. They are shown beside an estimate; they are not advice.
const (
	CaffeineSingleDoseMG              = 200 // in one sitting, healthy adults
	CaffeineDailyMG                   = 400 // a day, healthy adults who are not pregnant
	CaffeineDailyPregnantMG           = 200 // a day, in pregnancy
	CaffeineLactatingMG               = 200 // single dose, when breast-feeding
	CaffeineChildDailyMGPerKG         = 3   // a day a kg, children and adolescents: a basis only
	CaffeineEspresso60MLMG            = 80  // EFSA's illustrative espresso of 60 mL, from news summaries
	CaffeineFilter200MLMG             = 90  // EFSA's illustrative filter coffee of 200 mL, from news summaries
	caffeineDecafDoubleLow            = 2   // from memory
	caffeineDecafDoubleHigh           = 15  // from memory
	mgPerGPercent                     = 10  // mg of caffeine in 1 g of coffee, for each % of content
	caffeineMostContent       float64 = 5   // %, above any coffee species
)

// Range is an estimate with the bounds that it may lie in.
type Range struct{ Low, Mid, High float64 }

// Arabica is the caffeine content of arabica, % of the dose. From memory.
func Arabica() Range { return Range{0.9, 1.2, 1.5} }

// Robusta is the caffeine content of robusta, % of the dose. From memory.
func Robusta() Range { return Range{1.7, 2.2, 2.7} }

// EspressoRecovery is the share of the caffeine that espresso extracts.
// Assumed, no source.
func EspressoRecovery() Range { return Range{0.6, 0.75, 0.9} }

// FilterRecovery is the share of the caffeine that a filter brew extracts, 0.9.
// Assumed, no source; the bounds are wide for the same reason.
func FilterRecovery() Range { return Range{0.8, 0.9, 1} }

// Decaf is the caffeine, mg, of a decaffeinated double: not zero. From memory.
func Decaf() Range {
	return Range{caffeineDecafDoubleLow, (caffeineDecafDoubleLow + caffeineDecafDoubleHigh) / 2.0, caffeineDecafDoubleHigh}
}

// Blend is the caffeine content, %, of a blend with robustaShare (0 to 1) of
// robusta: contents add by mass.
func Blend(robustaShare float64) (Range, error) {
	if err := within("robusta share", "", robustaShare, 0, 1); err != nil {
		return Range{}, err
	}
	a, r, s := Arabica(), Robusta(), robustaShare
	return Range{a.Low*(1-s) + r.Low*s, a.Mid*(1-s) + r.Mid*s, a.High*(1-s) + r.High*s}, nil
}

// Caffeine estimates the caffeine, mg, of doseG grams of arabica brewed as
// espresso: 1.2 % (0.9 to 1.5) of the dose, of which 0.75 (0.6 to 0.9) is
// extracted. From memory and assumed; show it as a range, never as a figure.
func Caffeine(doseG float64) (Range, error) {
	return CaffeineOf(doseG, Arabica(), EspressoRecovery())
}

// CaffeineOf estimates the caffeine, mg, of doseG grams of coffee of a content,
// %, when a share of it is recovered: dose × content × recovery, end by end.
// The dose decides, not the millilitres.
func CaffeineOf(doseG float64, contentPercent, recovery Range) (Range, error) {
	err := errors.Join(dose(doseG),
		contentPercent.valid("caffeine content", "%", caffeineMostContent),
		recovery.valid("recovery", "", 1))
	if err != nil {
		return Range{}, err
	}
	mg := doseG * mgPerGPercent
	return Range{
		Low:  mg * contentPercent.Low * recovery.Low,
		Mid:  mg * contentPercent.Mid * recovery.Mid,
		High: mg * contentPercent.High * recovery.High,
	}, nil
}

func (r Range) valid(field, unit string, most float64) error {
	if !(r.Low >= 0 && r.Low <= r.Mid && r.Mid <= r.High && r.High <= most) {
		return fmt.Errorf("%s %g, %g, %s: %w; it must rise from 0 or more to %s at most", field, r.Low, r.Mid, quantity(r.High, unit), ErrInput, quantity(most, unit))
	}
	return nil
}

// Likelihood is what a range says about a limit.
type Likelihood uint8

// A range is unlikely over a limit when even its high bound is not, likely when
// its middle is, possible between.
const (
	Unlikely Likelihood = iota
	Possible
	Likely
)

// String is the likelihood in a word.
func (l Likelihood) String() string {
	switch l {
	case Unlikely:
		return "unlikely"
	case Possible:
		return "possible"
	case Likely:
		return "likely"
	}
	return fmt.Sprintf("likelihood %d", uint8(l))
}

// Over is how likely the estimate lies above a limit of the same unit, such as
// CaffeineSingleDoseMG.
func (r Range) Over(limit float64) Likelihood {
	switch {
	case r.Mid > limit:
		return Likely
	case r.High > limit:
		return Possible
	}
	return Unlikely
}
