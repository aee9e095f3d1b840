package bar

import (
	"database/sql"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// everyCup asks to taste one cup in each of eight parts of the shift.
var everyCup = strings.NewReplacer(`"checks":["shot_time"]`, `"checks":["taste"]`, `"want":"shot"`, `"want":"any"`, `"id":"mid"`, `"id":"taste"`).Replace(everyShot)

// tasting opens a bar with a plan that asks for tastings, with two people known, and
// has "heron" make the cup that it asks for.
func tasting(t *testing.T) (*rigged, *Logged) {
	t.Helper()
	r := setUpWith(t, func(r *rigged) { r.must(KeepRoster(r.Dir, []byte(everyCup))) })
	r.must(r.bar.SetPerson(t.Context(), "otter"))
	r.must(r.bar.SetPerson(t.Context(), "heron"))
	if p := r.untilPrompt(); p.Words != "taste the next drink" {
		t.Fatalf("%+v", p)
	}
	o := r.begin("latte/mug")
	if !o.Taste || o.Take != nil || o.Sampled {
		t.Fatalf("%+v", o)
	}
	if s := r.state(); s.Tasting != nil {
		t.Error("a cup that is not made yet waits to be tasted")
	}
	return r, r.toTheLetter(o)
}

// toTheLetter logs a build with all its values on target.
func (r *rigged) toTheLetter(o *Open) *Logged {
	r.t.Helper()
	for i := range o.Serving.Checks {
		for n := 1; n <= max(o.Serving.Checks[i].Occurrences, 1); n++ {
			r.enter(o.ID, o.Serving.Checks[i].ID, n, o.Serving.Checks[i].Target)
		}
	}
	return r.finish(o.ID)
}

// sent are the events that the next build takes along.
func (r *rigged) sent(kind string) []*pb.BarEvent {
	r.t.Helper()
	l := r.finish(r.begin("americano/cup").ID)
	log := r.log()
	i := slices.IndexFunc(log, func(b *pb.BuildRecord) bool { return b.GetBuild().GetId() == l.ID })
	return slices.DeleteFunc(log[i].GetBuild().GetEvents(), func(e *pb.BarEvent) bool { return e.GetKind() != kind })
}

func TestACupIsTastedBlindAndToldToTheCentre(t *testing.T) {
	r, l := tasting(t)
	w := r.state().Tasting
	if w == nil || w.Build != l.ID || w.By != "heron" || w.Seen || w.Serving == nil || !w.Until.After(r.Clock.Now()) {
		t.Fatalf("%+v", w)
	}
	for text, bad := range map[string]Taste{
		"bad_score":  {Build: l.ID, Taster: "otter"},
		"bad_word":   {Build: l.ID, Taster: "otter", Score: 3, Words: []string{"nice"}},
		"many_words": {Build: l.ID, Taster: "otter", Score: 3, Words: []string{"sour", "thin", "flat", "stale"}},
		"who_tastes": {Build: l.ID, Score: 3},
		"no_taster":  {Build: l.ID, Taster: "badger", Score: 3},
		"taste_over": {Build: "another", Taster: "otter", Score: 3},
	} {
		_, err := r.bar.Taste(t.Context(), bad)
		r.refused(err, text)
	}
	r.restart()
	said, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 4, Words: []string{"thin", "sour"}})
	r.must(err)
	if !said.Blind || said.Entry != 1 || !slices.Equal(said.Words, []string{"sour", "thin"}) {
		t.Fatalf("%+v", said)
	}
	// Tapped twice it is said once.
	again, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 4, Words: []string{"sour", "thin"}})
	r.must(err)
	if again.Entry != 1 {
		t.Errorf("%+v", again)
	}
	r.crash()
	r.tick()
	s := r.state()
	if s.Tasting != nil || s.Tasted == nil || s.Tasted.Score != 4 {
		t.Fatalf("%+v, %+v", s.Tasting, s.Tasted)
	}
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if n := len(d.Checks); n == 0 || d.Checks[n-1].Missed || !d.Checks[n-1].Taste || len(d.Tastings) != 1 {
		t.Errorf("%+v, %+v", d.Checks, d.Tastings)
	}
	events := r.sent("tasted")
	if len(events) != 1 || events[0].GetBy() != "otter" {
		t.Fatalf("%v", events)
	}
	told, err := sampling.ParseTasting(events[0].GetDetail())
	want := sampling.Tasting{Prompt: sampling.PromptOf(d.Checks[len(d.Checks)-1].Prompt), Build: l.ID, Score: 4, Words: []string{"sour", "thin"}, Blind: true, Entry: 1}
	if diff := cmp.Diff(want, told); diff != "" || err != nil {
		t.Errorf("%v %s", err, diff)
	}
}

func TestATastingIsPutRightWithinAMinute(t *testing.T) {
	r, l := tasting(t)
	_, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 2})
	r.must(err)
	r.Clock.Add(30 * time.Second)
	w, err := r.bar.ToTaste(t.Context(), l.ID)
	r.must(err)
	if w.Said == nil || w.Said.Score != 2 {
		t.Fatalf("%+v", w)
	}
	said, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 5})
	r.must(err)
	// The verdict was shown in between.
	if said.Entry != 2 || said.Blind {
		t.Errorf("%+v", said)
	}
	r.restart()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if len(d.Tastings) != 1 || d.Tastings[0].Score != 5 {
		t.Errorf("%+v", d.Tastings)
	}
	var kept int
	r.must(r.bar.db.db.Read.QueryRowContext(t.Context(), `SELECT count(*) FROM tastings`).Scan(&kept))
	if kept != 2 {
		t.Errorf("%d entries are kept, want the first too", kept)
	}
	r.Clock.Add(61 * time.Second)
	_, err = r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 1})
	r.refused(err, "taste_late")
	if s := r.state(); s.Tasted != nil {
		t.Errorf("%+v", s.Tasted)
	}
	if events := r.sent("tasted"); len(events) != 2 || !strings.Contains(events[1].GetDetail(), "score=5 of=5 entry=2") {
		t.Errorf("%v", events)
	}
}

func TestWhatIsNotBlind(t *testing.T) {
	for name, tc := range map[string]struct {
		before func(*rigged, *Logged)
		taster string
	}{
		"the maker tastes":      {func(*rigged, *Logged) {}, "heron"},
		"the verdict was shown": {func(r *rigged, l *Logged) { r.must(r.bar.ShowVerdict(t.Context(), l.ID)); r.restart() }, "otter"},
		"the log was corrected": {func(r *rigged, l *Logged) {
			o, err := r.bar.Undo(t.Context(), l.ID)
			r.must(err)
			r.finish(o.ID)
		}, "otter"},
	} {
		t.Run(name, func(t *testing.T) {
			r, l := tasting(t)
			tc.before(r, l)
			if w := r.state().Tasting; w == nil || w.Seen == (tc.taster == "heron") {
				t.Fatalf("%+v", w)
			}
			said, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: tc.taster, Score: 3})
			r.must(err)
			if said.Blind {
				t.Errorf("%+v", said)
			}
		})
	}
}

func TestATastingThatIsNotDoneIsMissed(t *testing.T) {
	for name, tc := range map[string]struct {
		do   func(*rigged, *Logged)
		note string
	}{
		"skipped": {func(r *rigged, l *Logged) {
			r.must(r.bar.SkipTasting(t.Context(), l.ID, "handed over"))
			_, err := r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 3})
			r.refused(err, "taste_over")
			r.refused(r.bar.SkipTasting(t.Context(), l.ID, "again"), "taste_over")
		}, "handed over"},
		"expired": {func(r *rigged, _ *Logged) { r.Clock.Add(6 * time.Minute) }, ""},
		"stopped": {func(r *rigged, _ *Logged) {
			r.Stop(&pb.Stop{Id: "stop-7", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "latte", Reason: "undeclared nut", Scopes: []string{"chain"}})
			if w := r.state().Tasting; w != nil {
				t.Errorf("a stopped drink is to be tasted: %+v", w)
			}
		}, "the drink was stopped"},
		"corrected to what is not safe": {func(r *rigged, l *Logged) {
			o, err := r.bar.Undo(t.Context(), l.ID)
			r.must(err)
			r.enter(o.ID, "milk_temp", 1, 80_000)
			r.finish(o.ID)
			_, err = r.bar.Taste(t.Context(), Taste{Build: l.ID, Taster: "otter", Score: 3})
			r.refused(err, "taste_over")
		}, "not safe to taste"},
	} {
		t.Run(name, func(t *testing.T) {
			r, l := tasting(t)
			tc.do(r, l)
			r.restart()
			r.tick()
			d, err := r.bar.Day(t.Context(), "")
			r.must(err)
			i := slices.IndexFunc(d.Checks, func(o sampling.Outcome) bool { return o.Reason == sampling.Ignored })
			if i < 0 || d.Checks[i].Note != tc.note || !d.Checks[i].Taste || len(d.Tastings) != 0 {
				t.Fatalf("%+v", d.Checks)
			}
			if r.state().Tasting != nil {
				t.Error("it still waits")
			}
			events := r.sent("missed")
			if n := len(events); n == 0 || !strings.Contains(events[n-1].GetDetail(), "not tasted") || !strings.Contains(events[n-1].GetDetail(), tc.note) {
				t.Errorf("%v", events)
			}
		})
	}
}

func TestACupThatIsAbandonedIsNotTasted(t *testing.T) {
	r := setUpWith(t, func(r *rigged) { r.must(KeepRoster(r.Dir, []byte(everyCup))) })
	r.untilPrompt()
	o := r.begin("latte/mug")
	r.must(r.bar.Abandon(t.Context(), o.ID, "spilt"))
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if n := len(d.Checks); n == 0 || d.Checks[n-1].Note != "abandoned: spilt" {
		t.Errorf("%+v", d.Checks)
	}
}

func TestWhatWasMeasuredIsToldToTheCentre(t *testing.T) {
	r := sampled(t)
	r.untilPrompt()
	due := r.bar.sampler.prompt(r.Clock.Now()).Due
	o := r.begin("latte/mug")
	r.Clock.Add(90 * time.Second)
	r.toTheLetter(o)
	r.tick()
	events := r.sent("measured")
	if len(events) != 1 {
		t.Fatalf("%v", events)
	}
	done, err := sampling.ParseDone(events[0].GetDetail())
	r.must(err)
	if late := r.Clock.Now().Sub(due).Truncate(time.Second); done.Window != "mid" || done.Late != late || !strings.HasPrefix(done.Prompt, "2026-11-02/1/mid.") {
		t.Errorf("%+v, late by %s", done, late)
	}
}

// When no more can wait, what was measured goes first, then what was tasted: never
// what was missed or set before these.
func TestWhatIsDroppedFirstWhenTheEventsAreFull(t *testing.T) {
	r := setUp(t)
	r.must(r.bar.db.change(t.Context(), func(x tx) error { return x.exec(`DELETE FROM events`) })) // of the shift so far
	add := func(kind string, n int) {
		t.Helper()
		r.must(r.bar.db.change(t.Context(), func(x tx) error {
			for i := range n {
				if err := x.event(&pb.BarEvent{Kind: kind, Time: timestamppb.New(r.Clock.Now()), Detail: fmt.Sprint(kind, i)}); err != nil {
					return err
				}
			}
			return nil
		}))
	}
	counts := func() map[string]int {
		t.Helper()
		out := map[string]int{}
		_, err := query(t.Context(), r.bar.db.db.Read, func(rows *sql.Rows) (struct{}, error) {
			var spare, n int
			err := rows.Scan(&spare, &n)
			out[[]string{"kept", "tasted", "measured"}[spare]] = n
			return struct{}{}, err
		}, `SELECT spare, count(*) FROM events GROUP BY spare`)
		r.must(err)
		return out
	}
	add("measured", 300)
	add("tasted", 300)
	add("missed", 300)
	add("adjusted", 300)
	if diff := cmp.Diff(map[string]int{"measured": 100, "tasted": 300, "kept": 600}, counts()); diff != "" {
		t.Error(diff)
	}
	// A build takes along what cannot be spared, as it happened.
	o := r.begin("latte/mug")
	rec, err := r.bar.toLog(t.Context())
	r.must(err)
	if n := len(rec.GetEvents()); n != maxEvents || rec.GetEvents()[0].GetDetail() != "missed0" || rec.GetEvents()[63].GetDetail() != "missed63" {
		t.Errorf("%d events, first %v", n, rec.GetEvents()[0])
	}
	r.finish(o.ID)
	if diff := cmp.Diff(map[string]int{"measured": 100, "tasted": 300, "kept": 536}, counts()); diff != "" {
		t.Error(diff)
	}
	add("missed", 264)
	if diff := cmp.Diff(map[string]int{"tasted": 200, "kept": 800}, counts()); diff != "" {
		t.Error(diff)
	}
	add("adjusted", 300)
	add("measured", 1)
	if diff := cmp.Diff(map[string]int{"kept": 1000}, counts()); diff != "" {
		t.Error(diff)
	}
}

// What came between is not taken for what a build took along.
func TestOnlyWhatWasTakenAlongIsForgotten(t *testing.T) {
	r := setUp(t)
	r.must(r.bar.TurnGrinder(t.Context(), 6_500))
	o := r.begin("latte/mug")
	rec, err := r.bar.toLog(t.Context())
	r.must(err)
	r.Clock.Add(time.Second)
	r.must(r.bar.TurnGrinder(t.Context(), 6_700))
	_, err = r.Agent.LogBuild(t.Context(), &pb.LogBuildRequest{Build: rec})
	r.must(err)
	r.tick()
	if r.state().Open != nil {
		t.Fatalf("%s is still open", o.ID)
	}
	left, err := r.bar.db.events(t.Context())
	r.must(err)
	if len(left) != 1 || left[0].GetDetail() != drink.Milli(6_700).String() {
		t.Errorf("%v", left)
	}
}
