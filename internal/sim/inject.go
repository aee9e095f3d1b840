package sim

import (
	"slices"

	"samecup.example/samecup/internal/drink"
)

// openChecks lists the checks on a measure that can be broken on a side with
// a value that is still possible.
func openChecks(s *drink.Serving, measure string, on side) []*drink.Check {
	var out []*drink.Check
	for i := range s.Checks {
		c := &s.Checks[i]
		if c.Measure != measure {
			continue
		}
		if on != above && canFall(c) || on != below && canRise(c) {
			out = append(out, c)
		}
	}
	return out
}

func canFall(c *drink.Check) bool {
	m := drink.MeasureByCode(c.Measure)
	return m != nil && c.Low != drink.NoLow && nextBelow(c) >= m.Least
}

func canRise(c *drink.Check) bool {
	m := drink.MeasureByCode(c.Measure)
	return m != nil && c.High != drink.NoHigh && nextAbove(c) <= m.Most
}

// nextBelow and nextAbove are the first values on the instrument's grid beyond
// a check's limits.
func nextBelow(c *drink.Check) drink.Milli { return ceilTo(c.Low, stepOf(c)) - stepOf(c) }
func nextAbove(c *drink.Check) drink.Milli { return floorTo(c.High, stepOf(c)) + stepOf(c) }

// throwOut puts one reading of a check beyond its limit, by one step of the
// instrument or a few more: the smallest breach must be found too.
func (b *Bar) throwOut(build *drink.Build, c *drink.Check, on side) {
	m := drink.MeasureByCode(c.Measure)
	if on == either {
		on = above
		if canFall(c) && (!canRise(c) || b.rng.IntN(2) == 0) {
			on = below
		}
	}
	more := drink.Milli(b.rng.IntN(5)) * stepOf(c)
	v := min(nextAbove(c)+more, m.Most)
	if on == below {
		v = max(nextBelow(c)-more, m.Least)
	}
	b.readingOf(build, c).Value = v
}

// readingOf picks one reading of a check, measuring it if nobody had.
func (b *Bar) readingOf(build *drink.Build, c *drink.Check) *drink.Reading {
	var at []int
	for i := range build.Readings {
		if build.Readings[i].Check == c.ID {
			at = append(at, i)
		}
	}
	if len(at) == 0 {
		at = append(at, len(build.Readings))
		build.Readings = append(build.Readings, b.readings(c, b.baristas[0])...)
	}
	return &build.Readings[at[b.rng.IntN(len(at))]]
}

// anyCheck picks a check of the serving.
func (b *Bar) anyCheck(s *drink.Serving) *drink.Check { return &s.Checks[b.rng.IntN(len(s.Checks))] }

// slip enters a value that no bar can produce, such as a decimal point lost.
func (b *Bar) slip(s *drink.Serving, build *drink.Build) {
	c := b.anyCheck(s)
	m := drink.MeasureByCode(c.Measure)
	v := m.Most + stepOf(c)*drink.Milli(1+b.rng.IntN(50))
	if b.rng.IntN(2) == 0 {
		v = m.Least - stepOf(c)*drink.Milli(1+b.rng.IntN(3))
	}
	b.readingOf(build, c).Value = v
}

// repeatReading enters a second reading of the same check and occurrence, as
// somebody does who measures again until the value suits.
func (b *Bar) repeatReading(s *drink.Serving, build *drink.Build) {
	c := b.anyCheck(s)
	again := *b.readingOf(build, c)
	again.Value = b.soundValue(c, b.baristas[0])
	build.Readings = append(build.Readings, again)
}

// loseReading leaves out one reading that a sampled build must have.
func (b *Bar) loseReading(s *drink.Serving, build *drink.Build) {
	var at []int
	for i := range s.Checks {
		if c := &s.Checks[i]; needed(*c) {
			for k := range build.Readings {
				if build.Readings[k].Check == c.ID {
					at = append(at, k)
				}
			}
		}
	}
	i := at[b.rng.IntN(len(at))]
	build.Readings = slices.Delete(build.Readings, i, i+1)
}

// orderedPairs lists the pairs of required steps of which the first must come
// before the second.
func orderedPairs(s *drink.Serving) [][2]string {
	required := make(map[string]bool, len(s.Steps))
	for i := range s.Steps {
		required[s.Steps[i].ID] = !s.Steps[i].Optional
	}
	var pairs [][2]string
	for i := range s.Steps {
		for _, first := range s.Steps[i].After {
			if required[first] && required[s.Steps[i].ID] {
				pairs = append(pairs, [2]string{first, s.Steps[i].ID})
			}
		}
	}
	return pairs
}

// swapSteps does two steps the wrong way round. The times of the log stay where
// they are, so that they still run forwards.
func (b *Bar) swapSteps(s *drink.Serving, build *drink.Build) bool {
	pairs := orderedPairs(s)
	pair := pairs[b.rng.IntN(len(pairs))]
	i := slices.IndexFunc(build.Steps, func(l drink.StepLog) bool { return l.Step == pair[0] })
	j := slices.IndexFunc(build.Steps, func(l drink.StepLog) bool { return l.Step == pair[1] })
	if i < 0 || j < 0 {
		return false
	}
	build.Steps[i].Step, build.Steps[j].Step = pair[1], pair[0]
	return true
}

// dropStep leaves a required step out of the log.
func (b *Bar) dropStep(s *drink.Serving, build *drink.Build) {
	var ids []string
	for i := range s.Steps {
		if !s.Steps[i].Optional {
			ids = append(ids, s.Steps[i].ID)
		}
	}
	gone := ids[b.rng.IntN(len(ids))]
	build.Steps = slices.DeleteFunc(build.Steps, func(l drink.StepLog) bool { return l.Step == gone })
}
