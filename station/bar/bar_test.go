package bar

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/stationtest"
)

// rigged is a bar on a real station, with a clock that stands.
type rigged struct {
	*stationtest.Rig
	t   testing.TB
	bar *Bar
}

// setUp opens a bar with release 1 of the small book in force.
func setUp(t testing.TB) *rigged {
	t.Helper()
	return setUpWith(t, func(*rigged) {})
}

// setUpWith is setUp with something done to the directory first.
func setUpWith(t testing.TB, before func(*rigged)) *rigged {
	t.Helper()
	r := &rigged{Rig: stationtest.New(t), t: t}
	before(r)
	r.Give(1, stationtest.Book(t))
	r.openBar()
	t.Cleanup(func() { r.must(r.bar.Close()) })
	return r
}

func (r *rigged) openBar() {
	r.t.Helper()
	b, err := New(r.t.Context(), Config{Agent: r.Agent, Dir: r.Dir, Now: r.Clock.Now, still: true})
	r.must(err)
	r.bar = b
}

// restart ends agent and bar and takes both up again.
func (r *rigged) restart() {
	r.t.Helper()
	r.must(r.bar.Close())
	r.Restart()
	r.openBar()
}

// crash ends both as a kill would: what was not on disk is gone.
func (r *rigged) crash() {
	r.t.Helper()
	closeOld := r.Crash()
	r.must(r.bar.Close())
	closeOld()
	r.openBar()
}

func (r *rigged) tick() { r.bar.tick(r.t.Context()) }

func (r *rigged) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *rigged) begin(serving string) *Open {
	r.t.Helper()
	o, err := r.bar.Begin(r.t.Context(), serving)
	r.must(err)
	return o
}

func (r *rigged) finish(build string) *Logged {
	r.t.Helper()
	l, err := r.bar.Finish(r.t.Context(), build)
	r.must(err)
	return l
}

func (r *rigged) state() State {
	r.t.Helper()
	s, err := r.bar.State(r.t.Context())
	r.must(err)
	return s
}

func (r *rigged) enter(build, check string, n int, v drink.Milli) {
	r.t.Helper()
	r.must(r.bar.Enter(r.t.Context(), build, check, n, v, "keypad"))
}

func (r *rigged) log() []*pb.BuildRecord {
	r.t.Helper()
	list, err := r.Agent.LoggedAfter(r.t.Context(), 0, 10_000)
	r.must(err)
	return list
}

// refused checks that an error is a refusal with a text.
func (r *rigged) refused(err error, text string) {
	r.t.Helper()
	var f *Refusal
	if !errors.As(err, &f) || f.Text != text {
		r.t.Fatalf("%v, want the refusal %s", err, text)
	}
	if want := fmt.Sprintf("%d", len(f.Args)); f.English == "" {
		r.t.Errorf("refusal %s with %s values says nothing", text, want)
	}
}

// measured logs a drink whose one or two pulls took a time; all else is right.
func (r *rigged) measured(serving string, took drink.Milli) *Logged {
	r.t.Helper()
	o := r.begin(serving)
	for i := range o.Serving.Checks {
		k := &o.Serving.Checks[i]
		for n := 1; n <= max(k.Occurrences, 1); n++ {
			v := k.Target
			if k.Measure == "shot_time" {
				v = took
			}
			r.enter(o.ID, k.ID, n, v)
		}
	}
	r.Clock.Add(40 * time.Second)
	return r.finish(o.ID)
}

func TestABuildIsLoggedAsItWasShown(t *testing.T) {
	r := setUp(t)
	r.must(r.bar.SetPerson(t.Context(), "b-17"))
	o := r.begin("latte/mug")
	if o.Release != 1 || o.Serving.Vessel != "big-mug" || o.By != "b-17" || o.Take != nil && len(o.Take.Checks) == 0 {
		t.Fatalf("%+v", o)
	}
	if _, err := r.bar.Begin(t.Context(), "latte/mug"); err == nil {
		t.Fatal("began a second build")
	}
	r.must(r.bar.StartTimer(t.Context(), o.ID))
	r.Clock.Add(22 * time.Second)
	if _, err := r.bar.Finish(t.Context(), o.ID); err == nil {
		t.Fatal("finished with the timer running")
	}
	r.must(r.bar.StopTimer(t.Context(), o.ID))
	r.enter(o.ID, "yield", 1, 40_000)
	r.must(r.bar.Step(t.Context(), o.ID, "pull", true))
	s := r.state()
	if len(s.Open.Readings) != 2 || s.Open.Readings[0].Check != "yield" {
		t.Fatalf("%+v", s.Open.Readings)
	}
	v := s.Open.Readings[1]
	if v.Judged == nil || v.Judged.Kind != verdict.BelowTolerance || v.Spoken.English != "4 s fast: grind finer" || v.Value != 22_000 {
		t.Fatalf("%+v %+v", v, v.Spoken)
	}
	r.Clock.Add(30 * time.Second)
	l := r.finish(o.ID)
	if l.Sequence != 1 || l.Name != "Latte, mug, Whole milk" || l.Verdict.Grade == verdict.InSpec || !slices.Contains(l.Words, "4 s fast: grind finer") {
		t.Fatalf("%+v", l)
	}
	again := r.finish(o.ID)
	if again.Sequence != 1 || len(r.log()) != 1 {
		t.Fatalf("logged again: %+v", again)
	}
	b := r.log()[0].GetBuild()
	if b.GetBy() != "b-17" || b.GetHow() != "keypad" || len(b.GetSteps()) != len(o.Serving.Steps) || b.GetFinishedTime().AsTime().Sub(b.GetStartedTime().AsTime()) != 52*time.Second {
		t.Fatalf("%v", b)
	}
	for _, f := range l.Verdict.Findings {
		if f.Kind == verdict.StepMissing || f.Kind == verdict.StepOutOfOrder || f.Kind == verdict.TimeImpossible {
			t.Errorf("a step that nobody touched counts: %s", f)
		}
	}
	if s := r.state(); s.Open != nil || s.Last == nil || s.Last.ID != o.ID {
		t.Fatalf("%+v", s)
	}
}

func TestStepsLeftOutAreNotLogged(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.must(r.bar.Step(t.Context(), o.ID, "wipe", false))
	l := r.finish(o.ID)
	if l.Verdict.Grade != verdict.Unsafe || !l.Findings[0].DoNotServe || l.Findings[0].Step != "wipe" {
		t.Fatalf("%+v", l.Findings)
	}
}

func TestWhatIsUsedInPlaceIsLogged(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.refused(r.bar.Use(t.Context(), o.ID, Used{Vessel: "bucket"}), "no_vessel")
	r.refused(r.bar.Use(t.Context(), o.ID, Used{Milk: "chocolate-sauce"}), "no_milk")
	r.refused(r.bar.Use(t.Context(), o.ID, Used{Without: []string{"cinnamon-sugar"}}), "no_garnish")
	r.must(r.bar.Use(t.Context(), o.ID, Used{Vessel: "glass", Shots: 3}))
	r.must(r.bar.Use(t.Context(), o.ID, Used{Vessel: "glass"}))
	l := r.finish(o.ID)
	b := r.log()[0].GetBuild()
	if b.GetVessel() != "glass" || b.GetShots() != 2 {
		t.Errorf("%v", b)
	}
	found := false
	for _, f := range l.Verdict.Findings {
		found = found || f.Kind == verdict.WrongVessel
	}
	if !found {
		t.Errorf("the wrong vessel was not found: %v", l.Words)
	}
}

func TestValuesThatCannotBeAreRefused(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	ctx := t.Context()
	for _, c := range []struct {
		check string
		n     int
		v     drink.Milli
		how   string
		text  string
	}{
		{"shot_time", 1, 36_000_000, "keypad", "impossible"},
		{"shot_time", 1, -1, "keypad", "impossible"},
		{"shot_time", 2, 29_000, "keypad", "no_check"},
		{"shot_time", 0, 29_000, "keypad", "no_check"},
		{"tea", 1, 29_000, "keypad", "no_check"},
		{"shot_time", 1, 29_000, "guess", "bad_how"},
	} {
		r.refused(r.bar.Enter(ctx, o.ID, c.check, c.n, c.v, c.how), c.text)
	}
	r.refused(r.bar.Enter(ctx, "another", "shot_time", 1, 29_000, "keypad"), "not_open")
	r.refused(r.bar.StopTimer(ctx, o.ID), "timer_stands")
	r.refused(r.bar.Step(ctx, o.ID, "dance", true), "no_step")
	r.must(r.bar.StartTimer(ctx, o.ID))
	r.refused(r.bar.StartTimer(ctx, o.ID), "timer_runs")
	r.Clock.Add(300 * time.Millisecond)
	r.must(r.bar.StopTimer(ctx, o.ID))
	if s := r.state(); len(s.Open.Readings) != 0 || len(s.Open.Notes) != 1 {
		t.Errorf("a timer of 0.3 s became %+v", s.Open.Readings)
	}
	r.enter(o.ID, "shot_time", 1, 29_000)
	r.refused(r.bar.StartTimer(ctx, o.ID), "no_pull")
	r.must(r.bar.Clear(ctx, o.ID, "shot_time", 1))
	r.must(r.bar.Abandon(ctx, o.ID, "spilt"))
	if len(r.log()) != 0 {
		t.Error("an abandoned build was logged")
	}
	r.refused(r.bar.Abandon(ctx, o.ID, ""), "not_open")
}

func TestATapIsThereAfterARestart(t *testing.T) {
	r := setUp(t)
	r.must(r.bar.SetPerson(t.Context(), "b-17"))
	o := r.begin("latte/mug")
	r.enter(o.ID, "yield", 1, 41_000)
	r.must(r.bar.StartTimer(t.Context(), o.ID))
	r.Clock.Add(10 * time.Second)
	r.restart()
	r.Clock.Add(19 * time.Second)
	s := r.state()
	if s.Person != "b-17" || s.Open == nil || s.Open.ID != o.ID || s.Open.Timer.IsZero() || s.Open.Pull != 1 || len(s.Open.Readings) != 1 {
		t.Fatalf("%+v", s.Open)
	}
	r.must(r.bar.StopTimer(t.Context(), o.ID))
	l := r.finish(o.ID)
	r.restart()
	if again := r.finish(o.ID); again.Sequence != l.Sequence || len(again.Verdict.Findings) != len(l.Verdict.Findings) {
		t.Fatalf("%+v, first %+v", again, l)
	}
	if got := r.log()[0].GetBuild().GetReadings(); len(got) != 2 || got[1].GetValueMilli() != 29_000 {
		t.Fatalf("%v", got)
	}
}

// A crash between the agent's log and the bar's database leaves the build open
// there and logged here; the log is what counts.
func TestWhatWasLoggedIsNotOpenAfterACrash(t *testing.T) {
	r := setUp(t)
	o := r.begin("espresso/" + sizeOf(t, r, "espresso"))
	rec, err := r.bar.toLog(t.Context())
	r.must(err)
	if _, err := r.Agent.LogBuild(t.Context(), &pb.LogBuildRequest{Build: rec}); err != nil {
		t.Fatal(err)
	}
	r.restart()
	if s := r.state(); s.Open != nil || s.Last == nil || s.Last.ID != o.ID {
		t.Fatalf("%+v", s)
	}
	if l := r.finish(o.ID); l.Sequence != 1 || len(r.log()) != 1 {
		t.Fatalf("%+v", l)
	}
}

func sizeOf(t testing.TB, r *rigged, id string) string {
	t.Helper()
	choices, err := r.bar.Choices(t.Context())
	r.must(err)
	for _, c := range choices {
		if c.Drink == id {
			return c.Size
		}
	}
	t.Fatalf("no %s in the book", id)
	return ""
}

func TestAReleaseInMidBuild(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.enter(o.ID, "shot_time", 1, 24_000)
	book := stationtest.Book(t)
	for i := range book.Drinks {
		for j := range book.Drinks[i].Servings {
			for k := range book.Drinks[i].Servings[j].Checks {
				if c := &book.Drinks[i].Servings[j].Checks[k]; c.Measure == "shot_time" {
					c.Low, c.Target = 22_000, 25_000
				}
			}
		}
	}
	r.Clock.Add(time.Second)
	watch := r.bar.Watch()
	r.Give(2, book)
	r.tick()
	select {
	case <-watch:
	default:
		t.Error("nobody was told of the release")
	}
	s := r.state()
	if s.Open.Release != 1 || s.Open.Newer != 2 || s.Open.Readings[0].Judged == nil || s.Release != 2 {
		t.Fatalf("%+v", s.Open)
	}
	if s.News == nil || s.News.Edition != 2 || len(s.News.Changes) == 0 || len(s.News.Servings) == 0 {
		t.Fatalf("%+v", s.News)
	}
	r.restart()
	l := r.finish(o.ID)
	if l.Release != 1 || l.Verdict.Grade == verdict.InSpec {
		t.Errorf("%+v", l)
	}
	if l = r.measured("latte/mug", 24_000); l.Release != 2 || l.Verdict.Grade != verdict.InSpec {
		t.Errorf("%v %+v", l.Words, l)
	}
	r.refused(r.bar.AcknowledgeNews(t.Context(), 2), "who")
	r.must(r.bar.SetPerson(t.Context(), "b-17"))
	r.refused(r.bar.AcknowledgeNews(t.Context(), 1), "no_news")
	r.must(r.bar.AcknowledgeNews(t.Context(), 2))
	if r.state().News != nil {
		t.Error("still news")
	}
	r.restart()
	if r.state().News != nil {
		t.Error("news again after a restart")
	}
}

func TestTheFirstReleaseIsNoNews(t *testing.T) {
	r := setUp(t)
	if s := r.state(); s.News != nil {
		t.Errorf("%+v", s.News)
	}
}

func TestUndoIsACorrection(t *testing.T) {
	r := setUp(t)
	first := r.measured("latte/mug", 42_000)
	if first.Verdict.Grade == verdict.InSpec {
		t.Fatal("42 s is in spec")
	}
	r.Clock.Add(50 * time.Second)
	o, err := r.bar.Undo(t.Context(), first.ID)
	r.must(err)
	if o.Corrects != first.ID || o.ID == first.ID || len(o.Readings) != len(o.Serving.Checks) {
		t.Fatalf("%+v", o)
	}
	r.enter(o.ID, "shot_time", 1, 29_000)
	r.restart()
	second := r.finish(o.ID)
	if second.Verdict.Grade != verdict.InSpec || second.Corrects != first.ID {
		t.Fatalf("%v %+v", second.Words, second)
	}
	log := r.log()
	if len(log) != 2 || log[0].GetBuild().GetReadings()[0].GetValueMilli() != log[1].GetBuild().GetReadings()[0].GetValueMilli() {
		t.Fatalf("%v", log)
	}
	a, b := log[0].GetBuild(), log[1].GetBuild()
	if !a.GetStartedTime().AsTime().Equal(b.GetStartedTime().AsTime()) || !a.GetFinishedTime().AsTime().Equal(b.GetFinishedTime().AsTime()) || len(a.GetSteps()) != len(b.GetSteps()) {
		t.Errorf("the correction is of another cup: %v, %v", a, b)
	}
	_, err = r.bar.Undo(t.Context(), first.ID)
	r.refused(err, "corrected")
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if d.Builds != 1 || d.OffSpec != 0 || len(d.Mended) != 1 {
		t.Errorf("%+v", d)
	}
	// The correction may itself be wrong.
	o, err = r.bar.Undo(t.Context(), second.ID)
	r.must(err)
	r.must(r.bar.Abandon(t.Context(), o.ID, ""))
	r.Clock.Add(2 * time.Minute)
	_, err = r.bar.Undo(t.Context(), second.ID)
	r.refused(err, "too_late")
	if s := r.state(); s.Last != nil {
		t.Error("a build of two minutes ago can still be undone")
	}
}

func TestWhatIsStoppedIsNotBegun(t *testing.T) {
	r := setUp(t)
	o := r.begin("latte/mug")
	r.Stop(&pb.Stop{Id: "S-1", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "latte", Reason: "undeclared nut", Scopes: []string{"chain"}, Instruction: "set it aside"})
	r.tick()
	s := r.state()
	if s.Open.Stopped == "" || len(s.Stops) != 1 || s.Stops[0].Words != "latte is stopped: undeclared nut; set it aside" || len(s.Stops[0].Servings) != 2 || s.Stops[0].Acknowledged {
		t.Fatalf("%+v", s.Stops)
	}
	l := r.finish(o.ID)
	if l.Verdict.Grade != verdict.Unsafe || l.Words[0] != "Do not serve: drink latte is stopped: undeclared nut" {
		t.Errorf("%v", l.Words)
	}
	_, err := r.bar.Begin(t.Context(), "latte/mug")
	r.refused(err, "stopped")
	c, err := r.bar.Card(t.Context(), "latte/mug")
	r.must(err)
	if c.Stopped == "" {
		t.Error("the card does not say that it is stopped")
	}
	choices, err := r.bar.Choices(t.Context())
	r.must(err)
	for _, c := range choices {
		if (c.Drink == "latte") != (c.Stopped != "") {
			t.Errorf("%+v", c)
		}
	}
	r.refused(r.bar.AcknowledgeStop(t.Context(), "S-1"), "who")
	r.must(r.bar.SetPerson(t.Context(), "b-17"))
	r.refused(r.bar.AcknowledgeStop(t.Context(), "S-2"), "not_acknowledged")
	r.must(r.bar.AcknowledgeStop(t.Context(), "S-1"))
	if s := r.state(); !s.Stops[0].Acknowledged {
		t.Error("not acknowledged")
	}
}

func TestTheMostMadeComeFirst(t *testing.T) {
	r := setUp(t)
	for range 3 {
		r.measured("latte/mug", 29_000)
	}
	r.measured("latte/glass", 29_000)
	choices, err := r.bar.Choices(t.Context())
	r.must(err)
	if choices[0].ID != "latte/mug" || choices[0].Made != 3 || choices[1].ID != "latte/glass" || choices[1].Made != 1 {
		t.Errorf("%+v", choices[:2])
	}
}

func TestWithoutAReleaseNothingBegins(t *testing.T) {
	r := &rigged{Rig: stationtest.New(t), t: t}
	r.openBar()
	t.Cleanup(func() { r.must(r.bar.Close()) })
	_, err := r.bar.Begin(t.Context(), "latte/mug")
	r.refused(err, "no_release")
	if _, err = r.bar.Choices(t.Context()); err == nil {
		t.Error("choices without a book")
	}
	r.refused(r.bar.TurnGrinder(t.Context(), 5_000), "no_release")
	if s := r.state(); s.Open != nil || s.News != nil {
		t.Errorf("%+v", s)
	}
}

func TestPeopleAreForgotten(t *testing.T) {
	r := setUp(t)
	ctx := t.Context()
	r.must(r.bar.SetPerson(ctx, "  b-17 "))
	r.must(r.bar.SetPerson(ctx, "Robin"))
	list, err := r.bar.People(ctx)
	r.must(err)
	if len(list) != 2 || r.state().Person != "Robin" {
		t.Fatalf("%+v", list)
	}
	r.refused(r.bar.SetPerson(ctx, "a name that goes on and on and on"), "name_long")
	r.must(r.bar.Forget(ctx, "b-17"))
	// Whoever forgot to leave is gone the next day, and the name after its time.
	r.Clock.Add(24 * time.Hour)
	r.tick()
	if s := r.state(); s.Person != "" {
		t.Errorf("%s is still there the next day", s.Person)
	}
	r.Clock.Add(DefaultKeepNames)
	r.tick()
	if list, err = r.bar.People(ctx); err != nil || len(list) != 0 {
		t.Errorf("%+v %v", list, err)
	}
	r.must(r.bar.SetPerson(ctx, "Kim"))
	r.must(r.bar.Forget(ctx, "Kim"))
	if r.state().Person != "" {
		t.Error("forgotten and still there")
	}
}
