package quality

import (
	"path/filepath"
	"testing"

	"samecup.example/samecup/services/quality/store"
)

// wantWaiting checks what the lists say of builds that the watch has not read.
func wantWaiting(t *testing.T, db *store.SQL, when string, want int64) {
	t.Helper()
	if got, err := db.WaitingBuilds(t.Context()); err != nil || got != want {
		t.Errorf("%s: %d builds wait for the watch, %v; want %d", when, got, err, want)
	}
}

func TestNoBuildWaitsOnceTheWatchHasSavedAll(t *testing.T) {
	empty, err := store.OpenSQLite(t.Context(), filepath.Join(t.TempDir(), "empty.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = empty.Close() }()
	wantWaiting(t, empty, "nothing logged", 0)

	db := filled(t, filepath.Join(t.TempDir(), "q.db"))
	stored, err := db.BuildsAfter(t.Context(), 0, 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	all := int64(len(stored))
	wantWaiting(t, db, "nothing read", all)
	w := worker(db, 1<<30)
	if err := w.run(t.Context(), false); err != nil {
		t.Fatal(err)
	}
	passed := int64(len(w.unjudged))
	wantWaiting(t, db, "read and not saved", all)
	if err := w.save(t.Context()); err != nil {
		t.Fatal(err)
	}
	wantWaiting(t, db, "read and saved, some awaiting their release", 0)
	settleTwo(t, db)
	wantWaiting(t, db, "judged later", passed)
	if err := w.run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	wantWaiting(t, db, "read again and saved", 0)
}
