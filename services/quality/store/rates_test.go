package store_test

import (
	"fmt"
	"path/filepath"
	"slices"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

// TestCountBuildsAgreesWithTheBuildsOneByOne draws logs with late verdicts,
// corrections and moved calendars, and spans that cut hours and days anywhere.
func TestCountBuildsAgreesWithTheBuildsOneByOne(t *testing.T) {
	base := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		s := openIn(t, filepath.Join(base, fmt.Sprint(n)))
		defer s.Close()
		events, counted := drawEvents(rt)
		for _, e := range events {
			apply(t, s, e)
		}
		rollAll(t, s, 4)
		start := time.Date(2026, 9, 20, 0, 0, 0, 0, time.UTC)
		for range 8 {
			since := start.Add(time.Duration(rapid.IntRange(-48, 80*24*4).Draw(rt, "since, in quarter hours")) * 15 * time.Minute)
			until := since.Add(time.Duration(rapid.OneOf(rapid.IntRange(0, 9), rapid.IntRange(0, 80*24*4)).Draw(rt, "length")) * 15 * time.Minute)
			// A millisecond decides.
			since = since.Add(time.Duration(rapid.IntRange(-1, 1).Draw(rt, "since, ms")) * time.Millisecond)
			until = until.Add(time.Duration(rapid.IntRange(-1, 1).Draw(rt, "until, ms")) * time.Millisecond)
			asked := sites[:rapid.IntRange(0, len(sites)).Draw(rt, "sites")]
			var want rollup.Group
			for _, b := range counted {
				if slices.Contains(asked, b.Site) && !b.Started.Before(since) && b.Started.Before(until) {
					want.AddBuild(b.Grade, b.Disputed, b.Verdict, b.Record)
				}
			}
			got, err := s.CountBuilds(t.Context(), asked, since, until)
			if err != nil {
				t.Fatal(err)
			}
			if d := gocmp.Diff(want.Counts, got); d != "" {
				rt.Fatalf("%q from %s to %s (-want +got)\n%s", asked, since, until, d)
			}
		}
	})
}

func TestCountBuildsOfOneHour(t *testing.T) {
	s := openRollups(t, t.TempDir())
	insert(t, s, newBuild(0), newBuild(20), newBuild(40), newBuild(60))
	// Not in the roll-ups yet: not counted.
	got, err := s.CountBuilds(t.Context(), []string{"tannery-row"}, noon, noon.Add(time.Hour))
	if err != nil || got.Builds != 0 {
		t.Fatalf("before they are rolled up: %+v, %v", got, err)
	}
	rollAll(t, s, 10)
	for _, c := range []struct {
		since, until time.Duration
		sites        []string
		want         int64
	}{
		{0, time.Hour, []string{"tannery-row"}, 3},
		{0, time.Hour + 1, []string{"tannery-row"}, 3}, // a nanosecond is below the millisecond
		{0, time.Hour + time.Millisecond, []string{"tannery-row"}, 4},
		{time.Minute, 40 * time.Minute, []string{"tannery-row"}, 1},
		{time.Minute, 41 * time.Minute, []string{"tannery-row", "nowhere"}, 2},
		{-time.Hour, 100 * time.Hour, []string{"tannery-row"}, 4},
		{0, time.Hour, []string{"nowhere"}, 0},
		{0, time.Hour, nil, 0},
		{time.Hour, 0, []string{"tannery-row"}, 0},
	} {
		got, err := s.CountBuilds(t.Context(), c.sites, noon.Add(c.since), noon.Add(c.until))
		if err != nil || got.Builds != c.want || got.InSpec != c.want {
			t.Errorf("%q from %s to %s: %+v, %v; want %d", c.sites, c.since, c.until, got, err, c.want)
		}
	}
}

var _ store.Rollups = (*store.SQL)(nil)
