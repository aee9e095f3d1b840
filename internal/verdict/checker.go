package verdict

import (
	"errors"
	"fmt"
	"slices"

	"samecup.example/samecup/internal/drink"
)

// Checker is a serving made ready for judging. It is immutable and safe for
// concurrent use.
type Checker struct {
	serving, vessel, milk string
	shots                 int
	garnish               []string
	mayReplace            []drink.Substitution

	slots []slot
	// slotOf finds a check's first slot.
	slotOf map[string]int
	// always and sampled mark the slots that a log must fill: in every build,
	// and in a sampled one.
	always, sampled uint64

	steps    []step
	stepOf   map[string]int
	required uint64
}

// slot is one expected reading: a check and an occurrence.
type slot struct {
	check string
	// occurrence counts from 1, of is how many the check has.
	occurrence, of int
	unit           drink.Unit
	low, high      drink.Milli
	least, most    drink.Milli
	resolution     drink.Milli
	target         drink.Milli
	criticality    drink.Criticality
	measure        string
	// hardHigh is drink.NoHigh where there is none.
	hardHigh drink.Milli
	// blind is the criticality of a reading that tells nothing: safety where
	// there is a hard maximum that may have been passed.
	blind drink.Criticality
}

type step struct {
	id string
	// after marks the steps that must come before.
	after       uint64
	criticality drink.Criticality
}

// Compile makes a serving ready for judging. The errors name every field that
// cannot be judged by; a serving of a checked book has none.
func Compile(s *drink.Serving) (*Checker, error) {
	if s == nil {
		return nil, errors.New("serving: nil is not allowed; give a serving")
	}
	c := &Checker{
		serving: s.ID, vessel: s.Vessel, milk: s.Milk, shots: s.Shots,
		garnish:    slices.Clone(s.Garnish),
		mayReplace: slices.Clone(s.MayReplace),
		slotOf:     make(map[string]int, len(s.Checks)),
		stepOf:     make(map[string]int, len(s.Steps)),
	}
	if err := errors.Join(c.compileChecks(s.Checks), c.compileSteps(s.Steps)); err != nil {
		return nil, fmt.Errorf("serving %q: %w", s.ID, err)
	}
	return c, nil
}

// Serving is the ID of the serving that the checker was compiled from.
func (c *Checker) Serving() string { return c.serving }

func (c *Checker) compileChecks(checks []drink.Check) error {
	var errs []error
	for i := range checks {
		k := &checks[i]
		m := drink.MeasureByCode(k.Measure)
		if err := soundCheck(k, m); err != nil {
			errs = append(errs, err)
			continue
		}
		if _, twice := c.slotOf[k.ID]; twice {
			errs = append(errs, fmt.Errorf("check %q: id stands twice; give each check its own id", k.ID))
			continue
		}
		if len(c.slots)+k.Occurrences > drink.MaxChecks {
			errs = append(errs, fmt.Errorf("check %q: more than %d readings in all; check fewer measures", k.ID, drink.MaxChecks))
			break
		}
		hardHigh, blind := drink.NoHigh, k.Criticality
		if k.HasHardHigh() {
			hardHigh, blind = k.HardHigh, drink.Safety
		}
		c.slotOf[k.ID] = len(c.slots)
		for n := 1; n <= k.Occurrences; n++ {
			bit := uint64(1) << len(c.slots)
			switch k.Need {
			case drink.Always:
				c.always |= bit
				c.sampled |= bit
			case drink.WhenSampled:
				c.sampled |= bit
			}
			c.slots = append(c.slots, slot{
				check: k.ID, occurrence: n, of: k.Occurrences,
				measure: m.Code, unit: m.Unit, least: m.Least, most: m.Most,
				low: k.Low, high: k.High, target: k.Target,
				resolution: k.Resolution, criticality: k.Criticality,
				hardHigh: hardHigh, blind: blind,
			})
		}
	}
	return errors.Join(errs...)
}

func soundCheck(k *drink.Check, m *drink.Measure) error {
	switch {
	case k.ID == "":
		return fmt.Errorf("check on %q: id is empty; give it one", k.Measure)
	case m == nil:
		return fmt.Errorf("check %q: measure %q is not known; use a code of the table of measures", k.ID, k.Measure)
	case k.Occurrences < 1 || k.Occurrences > drink.MaxChecks:
		return fmt.Errorf("check %q: occurrences %d; allowed are 1 to %d", k.ID, k.Occurrences, drink.MaxChecks)
	case k.Low > k.High:
		return fmt.Errorf("check %q: low %s lies above high %s; swap them", k.ID, k.Low, k.High)
	case k.Target < k.Low || k.Target > k.High:
		return fmt.Errorf("check %q: target %s lies outside its own tolerance; widen it or move the target", k.ID, k.Target)
	case k.HasHardHigh() && k.HardHigh < k.High:
		return fmt.Errorf("check %q: hard maximum %s lies below the high limit; lower the high limit or raise it", k.ID, k.HardHigh)
	case k.Criticality < drink.Appearance || k.Criticality > drink.Safety:
		return fmt.Errorf("check %q: criticality %d; allowed are appearance, quality, safety", k.ID, k.Criticality)
	case k.Need < drink.Optional || k.Need > drink.Always:
		return fmt.Errorf("check %q: need %d; allowed are optional, when sampled, always", k.ID, k.Need)
	}
	return nil
}

func (c *Checker) compileSteps(steps []drink.Step) error {
	if len(steps) > drink.MaxSteps {
		return fmt.Errorf("steps: %d of them; at most %d are allowed", len(steps), drink.MaxSteps)
	}
	var errs []error
	for i := range steps {
		s := &steps[i]
		if _, twice := c.stepOf[s.ID]; twice || s.ID == "" {
			errs = append(errs, fmt.Errorf("step %q: id is empty or stands twice; give each step its own id", s.ID))
		}
		if s.Criticality < drink.Appearance || s.Criticality > drink.Safety {
			errs = append(errs, fmt.Errorf("step %q: criticality %d; allowed are appearance, quality, safety", s.ID, s.Criticality))
		}
		c.stepOf[s.ID] = i
		if !s.Optional {
			c.required |= 1 << i
		}
		c.steps = append(c.steps, step{id: s.ID, criticality: s.Criticality})
	}
	for i := range steps {
		for _, before := range steps[i].After {
			j, known := c.stepOf[before]
			if !known {
				errs = append(errs, fmt.Errorf("step %q: after %q is not a step of this serving; name one", steps[i].ID, before))
				continue
			}
			c.steps[i].after |= 1 << j
		}
	}
	if len(errs) == 0 {
		if _, err := buildOrder(steps); err != nil {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// buildOrder lists the steps' indices so that each comes after what it must
// follow, keeping to the written order where it may.
func buildOrder(steps []drink.Step) ([]int, error) {
	order := make([]int, 0, len(steps))
	done := make(map[string]bool, len(steps))
	for len(order) < len(steps) {
		i := slices.IndexFunc(steps, func(s drink.Step) bool {
			return !done[s.ID] && !slices.ContainsFunc(s.After, func(id string) bool { return !done[id] })
		})
		if i < 0 {
			return nil, errors.New("steps: the after lists go round in a circle; no order satisfies them")
		}
		done[steps[i].ID] = true
		order = append(order, i)
	}
	return order, nil
}
