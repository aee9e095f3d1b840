package quality

import (
	"context"
	"errors"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/services/quality/store"
)

// kept is all that the watch saved, without the version, and the signals.
func kept(t *testing.T, db *store.SQL) (store.CaseState, []store.SignalRow) {
	t.Helper()
	st, err := db.LoadCasework(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	st.Version = 0
	signals, err := db.Signals(t.Context(), store.SignalQuery{Limit: 10_000})
	if err != nil {
		t.Fatal(err)
	}
	return *st, signals
}

// settleTwo gives release 2 and judges the builds that waited for it.
func settleTwo(t *testing.T, db *store.SQL) {
	t.Helper()
	set, err := verdict.CompileBook([]drink.Serving{latte()})
	if err != nil {
		t.Fatal(err)
	}
	waiting, err := db.Awaiting(t.Context(), 2, 0, 1000)
	if err != nil || len(waiting) == 0 {
		t.Fatalf("%d builds wait: %v", len(waiting), err)
	}
	if err := db.Write(t.Context(), func(tx store.Tx) error {
		if _, err := tx.InsertRelease(store.Release{Number: 2, Scope: "chain", Digest: []byte{2}, Envelope: bookRelease(t, 2, latte()), Received: caseDay0}); err != nil {
			return err
		}
		var j judge
		for i := range waiting {
			by := &rules{book: &rulebook{set: set, servings: map[string]*drink.Serving{}}}
			if done, err := j.stored(&waiting[i], func(*store.Build) *rules { return by }); err != nil || !done {
				return errors.Join(err, errors.New("it was not judged"))
			}
			if was, err := tx.Settle(&waiting[i]); err != nil || !was {
				return errors.Join(err, errors.New("it did not wait"))
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
}

// failing is a store whose saves fail once a number of them has succeeded.
type failing struct {
	*store.SQL
	left int
}

var errKilled = errors.New("killed")

func (f *failing) SaveCasework(ctx context.Context, c *store.CaseChange) (int64, error) {
	if f.left--; f.left < 0 {
		return 0, errKilled
	}
	return f.SQL.SaveCasework(ctx, c)
}

func TestACrashRepeatsNothingAndLosesNothing(t *testing.T) {
	whole := filled(t, filepath.Join(t.TempDir(), "whole.db"))
	if err := worker(whole, 1<<30).run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	settleTwo(t, whole)
	if err := worker(whole, 1<<30).run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	want, wantSignals := kept(t, whole)
	if len(want.Cases) == 0 || len(wantSignals) == 0 {
		t.Fatalf("%d cases, %d signals; the test needs some", len(want.Cases), len(wantSignals))
	}

	path := filepath.Join(t.TempDir(), "killed.db")
	db := filled(t, path)
	crashes := 0
	for settled := false; ; {
		// Each life saves once and dies at the second save, with what it had in
		// memory.
		f := &failing{SQL: db, left: 1}
		w := worker(db, 130)
		w.db, w.shelf = f, newShelf(f)
		err := w.run(t.Context(), true)
		if errors.Is(err, errKilled) {
			crashes++
			continue
		}
		if err != nil {
			t.Fatal(err)
		}
		if settled {
			break
		}
		settled = true
		settleTwo(t, db)
	}
	if crashes < 3 {
		t.Errorf("%d crashes; the test needs more", crashes)
	}
	got, gotSignals := kept(t, db)
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("the state differs after crashes:\n%.2000s", d)
	}
	if d := cmp.Diff(wantSignals, gotSignals); d != "" {
		t.Errorf("the signals differ after crashes:\n%.2000s", d)
	}
}

func TestABuildJudgedWhileTheCursorPassesIsTakenOnce(t *testing.T) {
	db := filled(t, filepath.Join(t.TempDir(), "q.db"))
	w := worker(db, 1<<30)
	if err := w.run(t.Context(), false); err != nil {
		t.Fatal(err)
	}
	if len(w.unjudged) == 0 {
		t.Fatal("no build waits; the test needs some")
	}
	n := len(w.unjudged)
	// The verdicts come after the builds were read and before the cursor moves.
	settleTwo(t, db)
	if err := w.save(t.Context()); err != nil {
		t.Fatal(err)
	}
	waiting, err := db.JudgedLater(t.Context(), 1000)
	if err != nil || len(waiting) != n {
		t.Fatalf("%d builds judged later, %v; want %d", len(waiting), err, n)
	}
	if err := w.run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	if waiting, err = db.JudgedLater(t.Context(), 1000); err != nil || len(waiting) != 0 {
		t.Errorf("%d builds are still listed: %v", len(waiting), err)
	}
	before, _ := kept(t, db)
	if err := w.run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	if after, _ := kept(t, db); !cmp.Equal(before, after) {
		t.Error("a run without new builds changed something")
	}
}

func TestSavingWritesOnlyWhatChanged(t *testing.T) {
	db := filled(t, filepath.Join(t.TempDir(), "q.db"))
	w := worker(db, 1<<30)
	if err := w.run(t.Context(), true); err != nil {
		t.Fatal(err)
	}
	c, _, err := w.change()
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Parts)+len(c.Cases)+len(c.Forgotten) != 0 {
		t.Errorf("nothing came, yet %d parts and %d cases would be written", len(c.Parts), len(c.Cases))
	}
	// An act by somebody makes what was done on an older state void.
	c.Version--
	if _, err := db.SaveCasework(t.Context(), c); !errors.Is(err, store.ErrStale) {
		t.Errorf("saving on an older state: %v", err)
	}
}
