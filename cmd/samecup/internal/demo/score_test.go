package demo

import (
	"context"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sim"
)

func TestTheScoreSeesWhatIsMissedAndMadeUp(t *testing.T) {
	truths := []sim.Truth{
		{BuildID: "bad-1", Fault: "shot_fast", Deviates: true},
		{BuildID: "bad-2", Fault: "shot_slow", Deviates: true},
		{BuildID: "good"},
		{BuildID: "earlier", Fault: "shot_slow", Deviates: true},
		{BuildID: "never-logged", Fault: "shot_slow", Deviates: true},
	}
	logged := []string{"bad-1", "bad-2", "good"}
	old := map[string]int{"earlier": 1}
	for name, c := range map[string]struct {
		listed map[string]int
		want   Result
	}{
		"all is well":                 {map[string]int{"earlier": 1, "bad-1": 1, "bad-2": 1}, Result{DeviationsTrue: 2, DeviationsReported: 2}},
		"one is missed":               {map[string]int{"earlier": 1, "bad-1": 1}, Result{DeviationsTrue: 2, DeviationsReported: 1, Missed: 1}},
		"a sound build is reported":   {map[string]int{"bad-1": 1, "bad-2": 1, "good": 1}, Result{DeviationsTrue: 2, DeviationsReported: 3, False: 1}},
		"one is listed twice":         {map[string]int{"bad-1": 2, "bad-2": 1}, Result{DeviationsTrue: 2, DeviationsReported: 3, Duplicated: 1}},
		"a build that never was made": {map[string]int{"bad-1": 1, "bad-2": 1, "ghost": 1}, Result{DeviationsTrue: 2, DeviationsReported: 3, False: 1}},
	} {
		var got Result
		compare(truths, logged, c.listed, old, &got)
		if d := cmp.Diff(c.want, got, cmpopts.IgnoreFields(Result{}, "Troubles")); d != "" {
			t.Errorf("%s:\n%s", name, d)
		}
		if sound := got.Missed+got.False+got.Duplicated == 0; sound != (len(got.Troubles) == 0) || sound != got.Proven() {
			t.Errorf("%s: proven %t with troubles %v", name, got.Proven(), got.Troubles)
		}
	}
}

func TestOneBuildTooFewOrTooManyIsNoProof(t *testing.T) {
	whole := Result{BuildsMade: 3, BuildsLogged: 3, BuildsCounted: 3}
	if !whole.Proven() {
		t.Error("a whole shift is not proven")
	}
	for name, change := range map[string]func(*Result){
		"not logged":    func(r *Result) { r.BuildsLogged-- },
		"not counted":   func(r *Result) { r.BuildsCounted-- },
		"counted twice": func(r *Result) { r.BuildsCounted++ },
		"lost":          func(r *Result) { r.Lost++ },
		"trouble":       func(r *Result) { r.trouble("chain broken") },
	} {
		r := whole
		if change(&r); r.Proven() {
			t.Errorf("%s passes for a proof", name)
		}
	}
}

// The second release must part builds that were right by the first: else it
// would not matter which one a station judges by.
func TestTheEditChangesWhatIsRight(t *testing.T) {
	limits := func(files map[string][]byte, err error) map[string]drink.Check {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		book, problems := drink.LoadAndCheckFiles(files)
		if problems.HasErrors() {
			t.Fatal(problems)
		}
		out := make(map[string]drink.Check)
		for _, s := range book.Servings() {
			for _, c := range s.Checks {
				if c.Measure == "shot_time" {
					out[s.ID] = c
				}
			}
		}
		return out
	}
	first, second := limits(firstBook()), limits(edited(secondEdit))
	if len(first) == 0 {
		t.Fatal("no serving checks the shot time")
	}
	for id, a := range first {
		if b := second[id]; b.Low <= a.Low || b.High <= a.High || b.Low > a.High {
			t.Errorf("%s: %s to %s, then %s to %s; want limits that shift and overlap", id, a.Low, a.High, b.Low, b.High)
		}
	}
}

func TestALevelWakesThoseWhoWait(t *testing.T) {
	l := newLevel()
	got := make(chan error, 1)
	go func() { got <- l.wait(t.Context(), 3) }()
	l.raise(2)
	l.raise(1)
	l.add(1)
	if err := <-got; err != nil || l.get() != 3 {
		t.Errorf("wait: %v at %d", err, l.get())
	}
	ctx, cancel := context.WithTimeoutCause(t.Context(), time.Millisecond, errors.New("time is up"))
	defer cancel()
	if err := l.wait(ctx, 4); err == nil || err.Error() != "time is up" {
		t.Errorf("wait for what never comes: %v", err)
	}
}

func TestRunsAreCounted(t *testing.T) {
	dir := t.TempDir()
	for want := range uint64(3) {
		if got, err := nextRun(dir); err != nil || got != want+1 {
			t.Errorf("run %d, %v; want %d", got, err, want+1)
		}
	}
	if _, err := nextRun(""); err == nil {
		t.Error("an empty directory name is taken")
	}
}
