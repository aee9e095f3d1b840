package launch

import (
	"context"
	"slices"
	"sync"
	"time"

	"samecup.example/samecup/services/authority"
)

// What each site makes of a day, and how many of a thousand builds deviate
// where the book is good and where it is not. Made up.
const (
	buildsPerDay             = 1000
	usualPerMille, badPerMil = 20, 60
)

// tally is the authority's RateSource: it counts what the sites would have
// made, had this been a week and not seconds.
type tally struct {
	mu       sync.Mutex
	bad      []string
	from, to time.Time
}

// madeUp is a watch by the chain's tally.
func madeUp(_ context.Context, c *chain, _ *authority.Service) (authority.RateSource, error) {
	return c.tally, nil
}

// spoil makes more builds deviate at these sites from a moment on.
func (t *tally) spoil(from time.Time, sites ...string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.bad, t.from, t.to = sites, from, time.Time{}
}

// mend ends that.
func (t *tally) mend(at time.Time) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.to = at
}

// Rates implements authority.RateSource.
func (t *tally) Rates(_ context.Context, sites []string, since, until time.Time) (builds, deviations, safety uint64, err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, site := range sites {
		n := made(until.Sub(since))
		bad := uint64(0)
		if slices.Contains(t.bad, site) {
			bad = made(overlap(since, until, t.from, t.to))
		}
		builds += n
		deviations += ((n-bad)*usualPerMille + bad*badPerMil) / 1000
	}
	return builds, deviations, 0, nil
}

func made(d time.Duration) uint64 {
	return uint64(max(0, d) * buildsPerDay / (24 * time.Hour)) //nolint:gosec // at most a month's builds
}

// overlap of two spans; one without an end goes on.
func overlap(since, until, from, to time.Time) time.Duration {
	if from.After(since) {
		since = from
	}
	if !to.IsZero() && to.Before(until) {
		until = to
	}
	return max(0, until.Sub(since))
}
