package bar

import (
	"slices"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/stationtest"
)

// everyShot asks to measure one shot in each of eight parts of the shift.
const everyShot = `{"shifts":[{"start":"06:00","end":"14:00"}],
 "plan":{"id":"test-1","expire_min":10,"grace_min":5,"dial_in_min":8,"most_min":30,
  "adapt":{"quiet_to_normal":3,"quiet_to_relax":10,"missed_most":0.2},
  "windows":[{"id":"mid","anchor":"start","from_min":0,"to_min":480,"parts":8,"prompts":1,"builds":1,
   "want":"shot","checks":["shot_time"],"seconds_each":13,"may_tighten":true}]}}`

// sampled opens a bar that follows a plan file.
func sampled(t *testing.T) *rigged {
	t.Helper()
	return setUpWith(t, func(r *rigged) { r.must(KeepRoster(r.Dir, []byte(everyShot))) })
}

// untilPrompt lets time pass until the plan asks.
func (r *rigged) untilPrompt() *sampling.Prompt {
	r.t.Helper()
	for range 8 * 60 {
		if p := r.state().Prompt; p != nil {
			return p
		}
		r.Clock.Add(time.Minute)
		r.tick()
	}
	r.t.Fatal("no prompt in a shift")
	return nil
}

func TestThePlanChoosesAtTheBegin(t *testing.T) {
	r := sampled(t)
	p := r.untilPrompt()
	if p.Words == "" || p.Left != 1 {
		t.Fatalf("%+v", p)
	}
	o := r.begin("latte/mug")
	if !o.Sampled || o.Take == nil || !slices.Contains(o.Take.Checks, "shot_time") || !strings.HasPrefix(o.Take.Words, "measure this one: ") {
		t.Fatalf("%+v", o.Take)
	}
	// What the serving wants measured on a sampled build is asked for too.
	if !slices.Contains(o.Take.Checks, "milk_temp") {
		t.Errorf("%+v", o.Take)
	}
	r.restart()
	for i := range o.Serving.Checks {
		r.enter(o.ID, o.Serving.Checks[i].ID, 1, o.Serving.Checks[i].Target)
	}
	r.finish(o.ID)
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if n := len(d.Checks); n == 0 || d.Checks[n-1].Missed || d.Checks[n-1].Measured[0] != o.ID {
		t.Fatalf("%+v", d.Checks)
	}
	if !r.log()[0].GetBuild().GetSampled() {
		t.Error("not logged as sampled")
	}
	if s := d.Plan.Sights; len(s) != 1 || s[0].Moments != 8 || s[0].Chance < 0.56 || s[0].Chance > 0.58 {
		t.Errorf("%+v", d.Plan)
	}
	if o = r.begin("latte/mug"); o.Sampled {
		t.Error("the next one too was chosen")
	}
}

func TestWhatIsNotMeasuredIsMissed(t *testing.T) {
	r := sampled(t)
	r.untilPrompt()
	o := r.begin("latte/mug")
	r.refused(r.bar.SkipMeasuring(t.Context(), o.ID, strings.Repeat("x", 500)), "too_long")
	r.must(r.bar.SkipMeasuring(t.Context(), o.ID, "a long queue"))
	if s := r.state(); !s.Open.Sampled || s.Open.Skipped != "a long queue" {
		t.Fatalf("%+v", s.Open)
	}
	r.finish(o.ID)
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	i := slices.IndexFunc(d.Checks, func(c sampling.Outcome) bool { return c.Reason == sampling.Ignored })
	if i < 0 || d.Checks[i].Note != "a long queue" {
		t.Fatalf("%+v", d.Checks)
	}
	// The centre is told with the next build.
	o = r.begin("latte/mug")
	if o.Take == nil {
		r.refused(r.bar.SkipMeasuring(t.Context(), o.ID, ""), "not_taken")
	}
	r.finish(o.ID)
	log := r.log()
	if events := log[1].GetBuild().GetEvents(); len(events) == 0 || events[0].GetKind() != "missed" || !strings.Contains(events[len(events)-1].GetDetail(), "not measured") {
		t.Fatalf("%v", events)
	}
	if events, err := r.bar.db.events(t.Context()); err != nil || len(events) != 0 {
		t.Errorf("events are told twice: %v %v", events, err)
	}
}

func TestPromptsExpireAndTheShiftEnds(t *testing.T) {
	r := sampled(t)
	for range 5 * 60 {
		r.Clock.Add(time.Minute)
		r.tick()
	}
	r.restart()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	missed := 0
	for _, c := range d.Checks {
		if !c.Missed {
			t.Errorf("%+v", c)
		}
		missed++
	}
	if missed != 8 {
		t.Errorf("%d prompts were missed, want all 8: %+v", missed, d.Checks)
	}
	if s := r.state(); s.Prompt != nil {
		t.Errorf("a prompt after the shift: %+v", s.Prompt)
	}
	if r.bar.sampler.shift != nil {
		t.Error("the shift goes on past its end")
	}
}

func TestANewReleaseTightens(t *testing.T) {
	r := sampled(t)
	before, err := jsonOf(r.bar.sampler.shift)
	r.must(err)
	r.Clock.Add(time.Second)
	r.Give(2, bookWithCaution(t))
	r.tick()
	after, err := jsonOf(r.bar.sampler.shift)
	r.must(err)
	if strings.Contains(before, "tightened\":[") || !strings.Contains(after, "release 2 came into force") {
		t.Errorf("%s then %s", before, after)
	}
}

// A release that comes in the night has the next shift looked at more closely.
func TestAReleaseBetweenShiftsTightensTheNext(t *testing.T) {
	r := sampled(t)
	r.Clock.Add(5 * time.Hour)
	r.tick()
	if r.bar.sampler.shift != nil {
		t.Fatal("a shift at 15:00")
	}
	r.Give(2, bookWithCaution(t))
	r.tick()
	r.restart()
	r.Clock.Add(16 * time.Hour)
	r.tick()
	state, err := jsonOf(r.bar.sampler.shift)
	r.must(err)
	if !strings.Contains(state, "before the shift") {
		t.Error(state)
	}
}

func TestThePlanOfTheBookIsFollowedFromTheNextShift(t *testing.T) {
	r := setUp(t)
	r.tick()
	if got := r.bar.sampler.roster.Plan.ID; got != sampling.DefaultRoster().Plan.ID {
		t.Fatalf("a book without a plan has %q followed", got)
	}
	book := stationtest.Book(t)
	book.Sampling = []byte(everyShot)
	r.Give(2, book)
	r.tick()
	if got := r.bar.sampler.roster.Plan.ID; got != sampling.DefaultRoster().Plan.ID {
		t.Errorf("%q is followed within the shift", got)
	}
	r.Clock.Add(9 * time.Hour)
	r.tick()
	if got := r.bar.sampler.roster.Plan.ID; got != "test-1" {
		t.Errorf("%q is followed in the next shift", got)
	}
	book.Sampling = []byte("plan: [")
	r.Give(3, book)
	r.Clock.Add(24 * time.Hour)
	r.tick()
	if got := r.bar.sampler.roster.Plan.ID; got != "test-1" {
		t.Errorf("%q is followed after a plan that cannot be read", got)
	}
}
