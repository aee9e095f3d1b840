package verdict

import (
	"slices"
	"time"

	"samecup.example/samecup/internal/drink"
)

// ExemplarStart is when the build of [Exemplar] begins.
var ExemplarStart = time.Date(2026, 11, 2, 8, 15, 0, 0, time.UTC)

// exemplarPace is the time between two steps of an exemplar.
const exemplarPace = 5 * time.Second

// Exemplar is a sampled build of a serving made to the letter: every check
// read at its target, every step in order, every garnish on. Tests and the
// simulator start from it; it shares no memory with the serving.
func Exemplar(s *drink.Serving) drink.Build {
	b := drink.Build{
		ID: "00000000-0000-4000-8000-000000000001", Serving: s.ID, Release: 1,
		Site: "tannery-row", Station: "bar-1",
		StartedAt: ExemplarStart,
		Vessel:    s.Vessel, Milk: s.Milk, Shots: s.Shots,
		Garnish: slices.Clone(s.Garnish), Sampled: true,
		By: "b-17", How: "keypad",
	}
	order, err := buildOrder(s.Steps)
	if err != nil {
		// Such a serving does not compile; its written order serves as well.
		order = make([]int, len(s.Steps))
		for i := range order {
			order[i] = i
		}
	}
	for i, k := range order {
		b.Steps = append(b.Steps, drink.StepLog{Step: s.Steps[k].ID, At: time.Duration(i) * exemplarPace})
	}
	b.FinishedAt = b.StartedAt.Add(time.Duration(len(b.Steps)) * exemplarPace)
	for i := range s.Checks {
		c := &s.Checks[i]
		m := drink.MeasureByCode(c.Measure)
		if m == nil {
			continue
		}
		for n := 1; n <= c.Occurrences; n++ {
			b.Readings = append(b.Readings, drink.Reading{Check: c.ID, Occurrence: n, Value: c.Target, Unit: m.Unit,
				Resolution: c.Resolution, Instrument: "bar-1", MeasuredAt: b.FinishedAt, EnteredAt: b.FinishedAt})
		}
	}
	return b
}
