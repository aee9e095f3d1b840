package verdict

import (
	"errors"
	"fmt"
	"time"

	"samecup.example/samecup/internal/drink"
)

// How far a build's start may lie from the time it was logged. Choices of
// ours: the first allows for a tablet's clock, the second for a station that
// was offline for long.
const (
	FutureMost = 5 * time.Minute
	PastMost   = 400 * 24 * time.Hour
)

// Set holds the checkers of all servings of a book. It is immutable and safe
// for concurrent use.
type Set struct{ checkers map[string]*Checker }

// CompileBook compiles every serving of a book.
func CompileBook(servings []drink.Serving) (*Set, error) {
	s := &Set{checkers: make(map[string]*Checker, len(servings))}
	var errs []error
	for i := range servings {
		c, err := Compile(&servings[i])
		if err != nil {
			errs = append(errs, err)
			continue
		}
		if s.checkers[c.serving] != nil {
			errs = append(errs, fmt.Errorf("serving %q: id stands twice; give each serving its own id", c.serving))
			continue
		}
		s.checkers[c.serving] = c
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return s, nil
}

// Len is how many servings the set can judge.
func (s *Set) Len() int { return len(s.checkers) }

// Checker finds a serving's checker; nil when the set has none.
func (s *Set) Checker(serving string) *Checker { return s.checkers[serving] }

// Judge compares a build with the serving that it names and its start with
// now, and leaves the outcome in v, whose memory is reused. Pass the time at
// which the build was logged, not the time of judging, so that the verdict is
// the same whenever it is computed again.
func (s *Set) Judge(b *drink.Build, now time.Time, v *Verdict) {
	v.reset()
	switch ahead := b.StartedAt.Sub(now); {
	case ahead > FutureMost:
		v.Findings = append(v.Findings, Finding{Kind: TimeImpossible, Criticality: drink.Quality, Expected: RuleFuture,
			High: seconds(FutureMost), Actual: seconds(ahead), By: seconds(ahead - FutureMost)})
	case ahead < -PastMost:
		v.Findings = append(v.Findings, Finding{Kind: TimeImpossible, Criticality: drink.Quality, Expected: RuleAncient,
			Low: seconds(-PastMost), High: drink.NoHigh, Actual: seconds(ahead), By: seconds(-PastMost - ahead)})
	}
	if c := s.checkers[b.Serving]; c != nil {
		c.judge(b, v)
	} else {
		// Nothing of it can be told, its allergens least of all.
		v.Findings = append(v.Findings, Finding{Kind: ServingUnknown, Criticality: drink.Safety, Expected: "a serving of the book", Got: b.Serving})
		judgeSpan(b, v)
	}
	v.settle()
}
