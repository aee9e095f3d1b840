package store_test

import (
	"database/sql"
	"path/filepath"
	"testing"
	"time"

	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

// An earlier version put a build into the day in which its hour of UTC begins. In
// Kolkata, half past five ahead of UTC, that is the day before until half past
// midnight. Such days are computed anew once.
func TestDaysThatWereCutAtTheHourAreMended(t *testing.T) {
	dir := t.TempDir()
	s := openRollups(t, dir)
	early, late := newBuild(1), newBuild(2)
	early.Started = time.Date(2026, 11, 1, 18, 40, 0, 0, time.UTC) // ten past midnight of November 2
	late.Started = time.Date(2026, 11, 1, 18, 20, 0, 0, time.UTC)
	insert(t, s, early, late)
	if err := s.SetCalendar(t.Context(), early.Site, "Asia/Kolkata", 0); err != nil {
		t.Fatal(err)
	}
	rollAll(t, s, 10)
	onDay := func(s *store.SQL, day string, want int64) {
		t.Helper()
		at, err := time.Parse(time.DateOnly, day)
		if err != nil {
			t.Fatal(err)
		}
		n := rollup.DayNumber(at)
		got, err := s.QueryRollups(t.Context(), store.RollupQuery{RollupFilter: store.RollupFilter{FirstDay: n, LastDay: n}})
		if err != nil || want > 0 && (len(got) != 1 || got[0].Builds != want) || want == 0 && len(got) > 0 {
			t.Errorf("%s: %+v, %v; want %d builds", day, got, err, want)
		}
	}
	onDay(s, "2026-11-01", 1)
	onDay(s, "2026-11-02", 1)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	db, err := sql.Open("sqlite", filepath.Join(dir, "quality.db"))
	if err != nil {
		t.Fatal(err)
	}
	// As that version left it: both on November 1.
	for _, change := range []string{
		`DELETE FROM rollup_counts WHERE level = 2 AND period = (SELECT max(period) FROM rollup_counts WHERE level = 2)`,
		`DELETE FROM rollup_details WHERE level = 2 AND period = (SELECT max(period) FROM rollup_details WHERE level = 2)`,
		`UPDATE rollup_counts SET builds = 2, in_spec = 2 WHERE level = 2`, `UPDATE rollup_sites SET cut_at_hour = 1`} {
		if _, err := db.ExecContext(t.Context(), change); err != nil {
			t.Fatal(err)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	s = openRollups(t, dir)
	onDay(s, "2026-11-02", 0)
	if err := s.VerifyRollups(t.Context(), nil); err != nil {
		t.Fatal(err)
	}
	onDay(s, "2026-11-01", 1)
	onDay(s, "2026-11-02", 1)
}
