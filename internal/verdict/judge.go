package verdict

import (
	"math/bits"
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// StampGrain is how far a step may lie past the build's end before its time is
// impossible, since logs may carry start and finish in whole seconds.
const StampGrain = time.Second

// The rules behind TimeImpossible, as they stand in Finding.Expected.
const (
	RuleFinish    = "finish not before start"
	RuleBackwards = "step times that do not run backwards"
	RuleSpan      = "steps between start and finish"
	RuleFuture    = "a start not in the future"
	RuleAncient   = "a start of the last 400 days"
)

// Judge compares a build with the serving and leaves the outcome in v, whose
// memory is reused. It does not look at the build's serving or at the clock:
// see [Set.Judge].
func (c *Checker) Judge(b *drink.Build, v *Verdict) {
	v.reset()
	c.judge(b, v)
	v.settle()
}

func (c *Checker) judge(b *drink.Build, v *Verdict) {
	judgeSpan(b, v)
	if b.Vessel != c.vessel {
		v.Findings = append(v.Findings, Finding{Kind: WrongVessel, Criticality: drink.Quality, Expected: c.vessel, Got: b.Vessel})
	}
	if b.Shots != c.shots {
		actual, target := count(b.Shots), count(c.shots)
		v.Findings = append(v.Findings, Finding{Kind: WrongShots, Criticality: drink.Quality,
			Low: target, Target: target, High: target, Actual: actual, By: max(actual-target, target-actual)})
	}
	if b.Milk != c.milk || len(b.Substitutions) > 0 {
		c.judgeIngredients(b, v)
	}
	if len(c.garnish) > 0 || len(b.Garnish) > 0 {
		c.judgeGarnish(b, v)
	}
	c.judgeSteps(b, v)
	c.judgeReadings(b, v)
}

// count turns a count into thousandths without overflow.
func count(n int) drink.Milli {
	const most = int(drink.MaxMilli / 1000)
	return drink.Milli(min(max(n, -most), most)) * 1000
}

// judgeIngredients holds the milk used against the one specified, or against
// what the log says replaced it. A replacement that is not allowed is found as
// such and once only.
func (c *Checker) judgeIngredients(b *drink.Build, v *Verdict) {
	expected, accepted := c.milk, b.Milk == c.milk
	replaced := false
	for _, s := range b.Substitutions {
		if !slices.Contains(c.mayReplace, s) {
			v.Findings = append(v.Findings, Finding{Kind: SubstitutionNotAllowed, Criticality: drink.Safety, Expected: s.From, Got: s.To})
		}
		if c.milk == "" || s.From != c.milk {
			continue
		}
		if !replaced {
			// The guest was promised the replacement, so the specified milk
			// is now the wrong one.
			replaced, expected, accepted = true, s.To, false
		}
		accepted = accepted || b.Milk == s.To
	}
	if !accepted {
		v.Findings = append(v.Findings, Finding{Kind: WrongMilk, Criticality: drink.Safety, Expected: expected, Got: b.Milk})
	}
}

func (c *Checker) judgeGarnish(b *drink.Build, v *Verdict) {
	for _, g := range c.garnish {
		if !slices.Contains(b.Garnish, g) && !replacedBy(b, g) {
			v.Findings = append(v.Findings, Finding{Kind: GarnishMissing, Criticality: drink.Appearance, Expected: g})
		}
	}
	for _, g := range b.Garnish {
		if !slices.Contains(c.garnish, g) && !c.replaces(b, g) {
			v.Findings = append(v.Findings, Finding{Kind: GarnishUnexpected, Criticality: drink.Safety, Got: g})
		}
	}
}

// replacedBy reports whether something logged as a replacement of garnish g is
// on top.
func replacedBy(b *drink.Build, g string) bool {
	for _, s := range b.Substitutions {
		if s.From == g && slices.Contains(b.Garnish, s.To) {
			return true
		}
	}
	return false
}

// replaces reports whether g is logged as a replacement of a garnish.
func (c *Checker) replaces(b *drink.Build, g string) bool {
	for _, s := range b.Substitutions {
		if s.To == g && slices.Contains(c.garnish, s.From) {
			return true
		}
	}
	return false
}

// judgeSpan finds times within the build that cannot be true, the first of
// each sort.
func judgeSpan(b *drink.Build, v *Verdict) {
	span := b.FinishedAt.Sub(b.StartedAt)
	if span < 0 {
		v.Findings = append(v.Findings, Finding{Kind: TimeImpossible, Criticality: drink.Quality, Expected: RuleFinish,
			Actual: seconds(span), By: -seconds(span)})
		span = 0
	}
	var last time.Duration
	backwards, beyond := false, false
	for i := range b.Steps {
		at := b.Steps[i].At
		if at < last && !backwards {
			backwards = true
			v.Findings = append(v.Findings, Finding{Kind: TimeImpossible, Criticality: drink.Quality, Expected: RuleBackwards,
				Step: b.Steps[i].Step, Low: seconds(last), High: drink.NoHigh, Actual: seconds(at), By: seconds(last) - seconds(at)})
		}
		if at > span && at-span > StampGrain && !beyond {
			beyond = true
			v.Findings = append(v.Findings, Finding{Kind: TimeImpossible, Criticality: drink.Quality, Expected: RuleSpan,
				Step: b.Steps[i].Step, High: seconds(span), Actual: seconds(at), By: seconds(at - span)})
		}
		last = max(last, at)
	}
}

// seconds is d in thousandths of a second, cut off.
func seconds(d time.Duration) drink.Milli { return drink.Milli(d.Milliseconds()) }

func (c *Checker) judgeSteps(b *drink.Build, v *Verdict) {
	var seen, early uint64
	predicted := 0
	for i := range b.Steps {
		id := b.Steps[i].Step
		k := predicted
		if k >= len(c.steps) || c.steps[k].id != id {
			var known bool
			if k, known = c.stepOf[id]; !known {
				v.Findings = append(v.Findings, Finding{Kind: StepUnknown, Criticality: drink.Quality, Step: id})
				continue
			}
		}
		predicted = k + 1
		bit := uint64(1) << k
		if seen&bit != 0 {
			c.repeated(k, v)
			continue
		}
		if c.steps[k].after&^seen != 0 {
			early |= bit
		}
		seen |= bit
	}
	missing := c.required &^ seen
	for m := missing; m != 0; m &= m - 1 {
		s := &c.steps[bits.TrailingZeros64(m)]
		v.Findings = append(v.Findings, Finding{Kind: StepMissing, Criticality: s.criticality, Step: s.id, Expected: s.id})
	}
	if early != 0 {
		c.judgeOrder(b, seen, v)
	}
}

// repeated counts a step logged again. Doing a safety step twice is no hazard,
// so a repeat weighs quality at most.
func (c *Checker) repeated(k int, v *Verdict) {
	s := &c.steps[k]
	for i := range v.Findings {
		if f := &v.Findings[i]; f.Kind == StepRepeated && f.Step == s.id {
			f.Actual += 1000
			f.By += 1000
			return
		}
	}
	v.Findings = append(v.Findings, Finding{Kind: StepRepeated, Criticality: min(s.criticality, drink.Quality), Step: s.id,
		Low: 1000, Target: 1000, High: 1000, Actual: 2000, By: 1000})
}

// judgeOrder finds the steps of the log that came before one that they must
// follow. A step that is not in the log hands on what it must itself follow, so
// that leaving one out does not hide that its neighbours were swapped.
func (c *Checker) judgeOrder(b *drink.Build, seen uint64, v *Verdict) {
	var before uint64
	for i := range b.Steps {
		k, known := c.stepOf[b.Steps[i].Step]
		if !known || before&(1<<k) != 0 {
			continue
		}
		before |= 1 << k
		if late := c.mustPrecede(k, seen) &^ before; late != 0 {
			s := &c.steps[k]
			v.Findings = append(v.Findings, Finding{Kind: StepOutOfOrder, Criticality: s.criticality, Step: s.id,
				Expected: c.steps[bits.TrailingZeros64(late)].id})
		}
	}
}

// mustPrecede marks the logged steps that come directly before step k.
func (c *Checker) mustPrecede(k int, seen uint64) uint64 {
	before := c.steps[k].after
	for absent := before &^ seen; absent != 0; {
		i := bits.TrailingZeros64(absent)
		absent &^= 1 << i
		absent |= c.steps[i].after &^ seen &^ before
		before |= c.steps[i].after
	}
	return before & seen
}

func (c *Checker) judgeReadings(b *drink.Build, v *Verdict) {
	var seen uint64
	predicted := 0
	for i := range b.Readings {
		r := &b.Readings[i]
		k := predicted
		if k >= len(c.slots) || c.slots[k].occurrence != r.Occurrence || c.slots[k].check != r.Check {
			var known bool
			if k, known = c.slotOf[r.Check]; !known {
				v.Findings = append(v.Findings, Finding{Kind: UnknownReading, Criticality: drink.Quality,
					Check: r.Check, Occurrence: r.Occurrence, Actual: r.Value, Got: string(r.Unit)})
				continue
			}
			if s := &c.slots[k]; r.Occurrence < 1 || r.Occurrence > s.of {
				f := s.finding(UnknownReading, r)
				f.Criticality, f.Expected = s.blind, "an occurrence that the serving has"
				v.Findings = append(v.Findings, f)
				continue
			}
			k += r.Occurrence - 1
		}
		predicted = k + 1
		s := &c.slots[k]
		if seen&(1<<k) != 0 {
			s.duplicate(v)
		}
		seen |= 1 << k
		// Duplicates are judged too: which of them is true is not known.
		if r.Value < s.low || r.Value > s.high || r.Unit != s.unit || r.Value < s.least || r.Value > s.most || r.Resolution > s.resolution {
			s.judge(r, v)
		}
	}
	need := c.always
	if b.Sampled {
		need = c.sampled
	}
	for m := need &^ seen; m != 0; m &= m - 1 {
		s := &c.slots[bits.TrailingZeros64(m)]
		v.Findings = append(v.Findings, Finding{Kind: MissingReading, Criticality: s.blind, Measure: s.measure,
			Check: s.check, Occurrence: s.occurrence, Low: s.low, Target: s.target, High: s.high})
	}
}

// judge finds what is wrong with a reading that is not plainly right.
func (s *slot) judge(r *drink.Reading, v *Verdict) {
	var f Finding
	switch {
	case r.Unit != s.unit:
		f = s.finding(WrongUnit, r)
		f.Criticality, f.Expected, f.Got = s.blind, string(s.unit), string(r.Unit)
	case r.Value < s.least:
		f = s.finding(ImpossibleValue, r)
		f.Criticality, f.Low, f.High, f.By = s.blind, s.least, s.most, apart(s.least, r.Value)
	case r.Value > s.most:
		f = s.finding(ImpossibleValue, r)
		f.Criticality, f.Low, f.High, f.By = s.blind, s.least, s.most, apart(r.Value, s.most)
	case r.Value > s.hardHigh:
		f = s.finding(AboveTolerance, r).hard(s)
		f.By = r.Value - s.hardHigh
	default:
		s.judgeTolerance(r, v)
		return
	}
	v.Findings = append(v.Findings, f)
}

// judgeTolerance judges a value not above the hard maximum. It may be beyond
// the tolerance, and besides not surely below the hard maximum.
func (s *slot) judgeTolerance(r *drink.Reading, v *Verdict) {
	beyond := true
	switch {
	case r.Value < s.low:
		f := s.finding(BelowTolerance, r)
		f.By = s.low - r.Value
		v.Findings = append(v.Findings, f)
	case r.Value > s.high:
		f := s.finding(AboveTolerance, r)
		f.By = r.Value - s.high
		v.Findings = append(v.Findings, f)
	default:
		beyond = false
	}
	if r.Resolution <= s.resolution {
		return
	}
	var f Finding
	switch {
	case beyond && s.criticality == drink.Safety:
		return // unsafe, whatever the true value
	case s.nearHardHigh(r):
		f = s.finding(Unconfirmed, r).hard(s)
	case s.criticality == drink.Safety && s.nearLimit(r):
		f = s.finding(Unconfirmed, r)
	default:
		return
	}
	f.By = r.Resolution
	v.Findings = append(v.Findings, f)
}

// nearLimit reports whether a limit lies within half an instrument step of
// the value, so that the true value may lie beyond it.
func (s *slot) nearLimit(r *drink.Reading) bool {
	// Distances are whole, so the floor of an odd step's half serves as well.
	half := r.Resolution / 2
	return s.low != drink.NoLow && r.Value-s.low <= half || s.high != drink.NoHigh && s.high-r.Value <= half
}

// nearHardHigh is nearLimit for the hard maximum of a value not above it.
func (s *slot) nearHardHigh(r *drink.Reading) bool {
	return s.hardHigh != drink.NoHigh && s.hardHigh-r.Value <= r.Resolution/2
}

// hard turns a finding into one on the hard maximum, which has no other side.
func (f Finding) hard(s *slot) Finding {
	f.Criticality, f.Low, f.High = drink.Safety, drink.NoLow, s.hardHigh
	return f
}

// apart is high-low, cut off where it would overflow.
func apart(high, low drink.Milli) drink.Milli {
	if d := high - low; d >= 0 {
		return d
	}
	return drink.NoHigh
}

func (s *slot) finding(k Kind, r *drink.Reading) Finding {
	return Finding{Kind: k, Criticality: s.criticality, Measure: s.measure, Check: s.check, Occurrence: r.Occurrence,
		Low: s.low, Target: s.target, High: s.high, Actual: r.Value}
}

// duplicate counts one more reading for the slot; one finding stands for all.
func (s *slot) duplicate(v *Verdict) {
	for i := range v.Findings {
		if f := &v.Findings[i]; f.Kind == DuplicateReading && f.Check == s.check && f.Occurrence == s.occurrence {
			f.Actual += 1000
			f.By += 1000
			return
		}
	}
	v.Findings = append(v.Findings, Finding{Kind: DuplicateReading, Criticality: s.blind, Measure: s.measure,
		Check: s.check, Occurrence: s.occurrence, Low: 1000, Target: 1000, High: 1000, Actual: 2000, By: 1000})
}
