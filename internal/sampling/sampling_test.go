package sampling

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

var secret = []byte("a secret of the site, 32 bytes..")

func shiftOn(day int) Shift {
	start := time.Date(2026, 11, 1, 7, 0, 0, 0, time.UTC).AddDate(0, 0, day)
	return Shift{Site: "tannery-row", Station: "bar-1", Day: start.Format(time.DateOnly), No: 1,
		Start: start, End: start.Add(8 * time.Hour), Lunch: start.Add(6 * time.Hour), Baristas: []string{"b-1", "b-2"}}
}

func begin(t testing.TB, l Level) *Scheduler {
	t.Helper()
	c, err := New(DefaultPlan(), shiftOn(1), l, secret)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestDefaultPlanIsTheTradesAndFitsItsLabour(t *testing.T) {
	p := DefaultPlan()
	if err := p.Check(); err != nil {
		t.Fatal(err)
	}
	s := shiftOn(1)
	count := map[string]int{}
	builds := map[string]int{}
	draws, err := Draw(&p, &s, Normal, nil, secret)
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range draws {
		count[d.Window]++
		builds[d.Window] += p.Windows[d.window].Builds
	}
	// The plan of a shift of eight hours: common practice, no source.
	if diff := cmp.Diff(map[string]int{"open": 3, "mid": 10, "after_lunch": 3, "milk": 4, "froth": 1, "taste": 1}, builds); diff != "" {
		t.Errorf("builds by window (-want +got):\n%s", diff)
	}
	if count["mid"] != 5 {
		t.Errorf("%d points in mid-shift, want 5", count["mid"])
	}
	if least, most := p.Labour(Normal)+8*time.Minute, p.Labour(Tightened)+8*time.Minute; least < 12*time.Minute || most > 20*time.Minute {
		t.Errorf("labour with dial-in %v to %v", least, most)
	}
	if !(p.Labour(Relaxed) < p.Labour(Normal) && p.Labour(Normal) < p.Labour(Tightened) && p.Labour(Tightened) <= 12*time.Minute) {
		t.Errorf("labour %v, %v, %v", p.Labour(Relaxed), p.Labour(Normal), p.Labour(Tightened))
	}
}

// Source: arithmetic, 1 - 0.9^5 = 41 %.
func TestWhatFiveChecksSee(t *testing.T) {
	p := DefaultPlan()
	p.Windows = p.Windows[1:2] // five moments
	p.Windows = append(p.Windows, Window{ID: "cups", Anchor: FromStart, FromMin: 0, ToMin: 60, Parts: 3, Prompts: 1, Builds: 1, Want: Milk, Checks: []string{Taste}})
	got, err := p.Sights(Normal, 0.1)
	if err != nil || len(got) != 1 || got[0].Want != Shots || got[0].Moments != 5 || got[0].Needed != 22 {
		t.Fatalf("%+v, %v", got, err)
	}
	if want := 1 - math.Pow(0.9, 5); math.Abs(got[0].Chance-want) > 1e-12 { // independent draws: arithmetic
		t.Errorf("a chance of %v, want %v", got[0].Chance, want)
	}
	if _, err := p.Sights(Normal, 1); err == nil {
		t.Error("a fault in all drinks was taken")
	}
}

func TestPlanSurvivesItsJSONForm(t *testing.T) {
	p := DefaultPlan()
	raw, err := json.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	back, err := ParsePlan(raw)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(p, back); diff != "" {
		t.Error(diff)
	}
	for change, want := range map[string]string{
		`"parts":5>"parts":0`:              "windows[mid].parts is 0, allowed: 1 to 48",
		`"froth_depth">"frothiness"`:       `checks[0] is "frothiness"`,
		`"most_min":12>"most_min":5`:       "most_min, 5 minutes",
		`"id":"mid">"id":"open"`:           "a word not used before",
		`"want":"glass">"want":"glasses"`:  "shot, milk, glass, any",
		`"expire_min":10>"expires_min":10`: "unknown field",
	} {
		old, now, _ := strings.Cut(change, ">")
		if _, err := ParsePlan([]byte(strings.Replace(string(raw), old, now, 1))); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: want %q, got %v", change, want, err)
		}
	}
}

// Chi-square against the even distribution, 20 classes, 19 degrees of freedom:
// the 0.1 % point is 43.82 (common table). Seeded, so it cannot flicker.
func TestTimesAreEvenInTheirWindow(t *testing.T) {
	p := DefaultPlan()
	classes := map[string]*[20]int{}
	const days = 4000
	var lag, n float64
	for day := range days {
		s := shiftOn(day)
		draws, err := Draw(&p, &s, Normal, nil, secret)
		if err != nil {
			t.Fatal(err)
		}
		before := map[string]float64{}
		for _, d := range draws {
			u := float64(d.Due.Sub(d.From)) / float64(d.To.Sub(d.From))
			if u < 0 || u >= 1 {
				t.Fatalf("%s at %v lies outside %v to %v", d.ID, d.Due, d.From, d.To)
			}
			key := d.ID[strings.LastIndex(d.ID, "/")+1:]
			if classes[key] == nil {
				classes[key] = new([20]int)
			}
			classes[key][int(u*20)]++
			// Within a window the parts follow one another.
			if b, ok := before[d.Window]; ok {
				lag += (u - 0.5) * (b - 0.5)
				n++
			}
			before[d.Window] = u
		}
	}
	if len(classes) != 13 {
		t.Errorf("%d prompts a shift, want 13", len(classes))
	}
	for key, c := range classes {
		var chi float64
		for _, got := range c {
			d := float64(got) - days/20.0
			chi += d * d / (days / 20.0)
		}
		if chi > 43.82 {
			t.Errorf("%s: chi-square %.1f on 19 degrees of freedom", key, chi)
		}
	}
	// A time tells nothing of the next: correlation within 4 standard errors.
	if r := lag / n * 12; math.Abs(r) > 4/math.Sqrt(n) {
		t.Errorf("correlation with the time before: %.4f of %.0f", r, n)
	}
}

// Each field reaches the hash, with its length: moving a letter from one field to
// the next, or anything else, draws other times.
func TestNothingButTheSecretTellsTheTimes(t *testing.T) {
	seen := map[uint64]string{}
	for name, v := range map[string]uint64{
		"base":          keyed(secret, []string{"ab", "c"}, 1, 2),
		"moved letter":  keyed(secret, []string{"a", "bc"}, 1, 2),
		"joined":        keyed(secret, []string{"abc"}, 1, 2),
		"numbers":       keyed(secret, []string{"ab", "c"}, 2, 1),
		"fewer numbers": keyed(secret, []string{"ab", "c"}, 1),
		"other secret":  keyed([]byte("another secret of a site, 32 b.."), []string{"ab", "c"}, 1, 2),
	} {
		if other, ok := seen[v]; ok {
			t.Errorf("%s and %s draw the same", name, other)
		}
		seen[v] = name
	}
	p, s := DefaultPlan(), shiftOn(1)
	base, err := Draw(&p, &s, Normal, nil, secret)
	if err != nil {
		t.Fatal(err)
	}
	again, err := Draw(&p, &s, Normal, nil, secret)
	if err != nil || !cmp.Equal(base, again, cmp.AllowUnexported(Planned{})) {
		t.Errorf("the audit draws other times (%v)", err)
	}
	for name, change := range map[string]func(*Plan, *Shift){
		"site":    func(_ *Plan, s *Shift) { s.Site = "oyster-steps" },
		"station": func(_ *Plan, s *Shift) { s.Station = "bar-2" },
		"day":     func(_ *Plan, s *Shift) { s.Day = "2026-12-24" },
		"shift":   func(_ *Plan, s *Shift) { s.No = 2 },
		"plan":    func(p *Plan, _ *Shift) { p.ID = "default-2" },
	} {
		p, s := DefaultPlan(), shiftOn(1)
		change(&p, &s)
		other, err := Draw(&p, &s, Normal, nil, secret)
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range base {
			for _, b := range other {
				if a.Window == b.Window && a.Due.Equal(b.Due) {
					t.Errorf("another %s draws %s at the same time", name, a.ID)
				}
			}
		}
	}
	if _, err := Draw(&p, &s, Normal, nil, secret[:8]); err == nil {
		t.Error("a short secret was taken")
	}
}

func TestStateTellsNothingOfWhatIsToCome(t *testing.T) {
	c := begin(t, Normal)
	now := c.Shift().Start.Add(3 * time.Hour)
	c.Next(now)
	raw, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	if strings.Contains(string(raw), string(secret)) {
		t.Error("the secret stands in the state")
	}
	for _, d := range c.draws {
		if d.Due.After(now) && strings.Contains(string(raw), d.Due.Format(time.RFC3339Nano)) {
			t.Errorf("%s stands in the state before its time", d.ID)
		}
	}
}

// day plays a shift: builds at the given chances, measured or not, and after each
// call maybe a restart from the written state. It returns the outcomes kept.
type world struct {
	t        *rapid.T
	c        *Scheduler
	restarts bool
	kept     map[string]Outcome
	lost     bool // the outcomes were given out, but keeping them failed
}

func (w *world) step() {
	if w.restarts && rapid.IntRange(0, 3).Draw(w.t, "restart") == 0 {
		raw, err := json.Marshal(w.c)
		if err != nil {
			w.t.Fatal(err)
		}
		if w.c, err = Restore(raw, secret); err != nil {
			w.t.Fatal(err)
		}
	}
	for _, o := range w.c.Outcomes() {
		if before, ok := w.kept[o.Prompt]; ok {
			if !cmp.Equal(before, o) {
				w.t.Fatalf("%s was decided twice: %+v, then %+v", o.Prompt, before, o)
			}
			if !w.lost {
				w.t.Fatalf("%s was given out after it was delivered", o.Prompt)
			}
		}
		w.kept[o.Prompt] = o
		if !w.lost {
			w.c.Delivered(o.Prompt)
		}
	}
}

func TestEveryPromptEndsExactlyOnceAcrossRestarts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		level := rapid.SampledFrom([]Level{Relaxed, Normal, Tightened}).Draw(t, "level")
		c, err := New(DefaultPlan(), shiftOn(rapid.IntRange(0, 300).Draw(t, "day")), level, secret)
		if err != nil {
			t.Fatal(err)
		}
		w := &world{t: t, c: c, restarts: true, kept: map[string]Outcome{}, lost: rapid.Bool().Draw(t, "keeping fails")}
		s := c.Shift()
		n := 0
		for now := s.Start.Add(-5 * time.Minute); now.Before(s.End.Add(20 * time.Minute)); {
			now = now.Add(time.Duration(rapid.IntRange(1, 40).Draw(t, "gap")) * time.Minute)
			at := now
			if rapid.IntRange(0, 9).Draw(t, "clock") == 0 {
				at = at.Add(-24 * time.Hour) // set back a day
			}
			switch rapid.IntRange(0, 9).Draw(t, "what") {
			case 0:
				w.c.Next(at)
			case 1:
				if err := w.c.Tighten(at, "drift"); err != nil {
					t.Fatal(err)
				}
			default:
				n++
				b := Started{Build: fmt.Sprint("build-", n), Shots: rapid.IntRange(0, 2).Draw(t, "shots"), Steamed: rapid.Bool().Draw(t, "milk"),
					Plant: rapid.Bool().Draw(t, "plant"), Glass: rapid.Bool().Draw(t, "glass"), By: rapid.SampledFrom([]string{"", "b-1", "b-2", "b-3"}).Draw(t, "by"), At: at}
				take, err := w.c.Offer(b)
				if err != nil {
					t.Fatal(err)
				}
				w.step()
				same, err := w.c.Offer(b)
				if err != nil || !cmp.Equal(take, same) {
					t.Fatalf("offered again: %+v, then %+v (%v)", take, same, err)
				}
				if take == nil {
					continue
				}
				for _, of := range []struct {
					asked bool
					skip  func(string, string, time.Time) error
					done  func(string, time.Time) error
				}{{len(take.Checks) > 0, w.c.Skipped, w.c.Measured}, {take.Taste, w.c.NotTasted, w.c.Tasted}} {
					if !of.asked {
						continue
					}
					var err error
					switch rapid.IntRange(0, 3).Draw(t, "done") {
					case 0:
						err = of.skip(b.Build, "queue", at)
					case 1:
					default:
						err = of.done(b.Build, at.Add(time.Minute))
					}
					if err != nil {
						t.Fatal(err)
					}
				}
			}
			w.step()
		}
		w.c.Close(s.End.Add(time.Hour))
		w.step()
		draws, err := Draw(&w.c.s.Plan, &w.c.s.Shift, w.c.s.Level, w.c.s.Tightened, secret)
		if err != nil {
			t.Fatal(err)
		}
		if len(draws) != len(w.kept) {
			t.Fatalf("%d prompts were drawn and %d ended", len(draws), len(w.kept))
		}
		for _, d := range draws {
			o, ok := w.kept[d.ID]
			if !ok {
				t.Fatalf("%s was lost", d.ID)
			}
			if o.Missed != (len(o.Measured) < o.Wanted) || o.Missed != (o.Reason != "") {
				t.Fatalf("outcome %+v does not agree with itself", o)
			}
		}
		if sum := w.c.Summary(); sum.Prompts != len(draws) {
			t.Fatalf("summary %+v of %d prompts", sum, len(draws))
		}
	})
}

// firstOf moves to the moment the first prompt of a window is due.
func firstOf(t *testing.T, c *Scheduler, window string) time.Time {
	t.Helper()
	for _, d := range c.draws {
		if d.Window == window {
			return d.Due
		}
	}
	t.Fatalf("no prompt of %s", window)
	return time.Time{}
}

func outcomeOf(t *testing.T, c *Scheduler, window string) Outcome {
	t.Helper()
	for _, o := range c.Outcomes() {
		if o.Window == window {
			return o
		}
	}
	t.Fatalf("no outcome of %s in %+v", window, c.Outcomes())
	return Outcome{}
}

func TestMissedSaysWhy(t *testing.T) {
	shot := func(i int, at time.Time) Started {
		return Started{Build: fmt.Sprint("b", i), Shots: 2, By: "b-1", At: at}
	}
	for name, tc := range map[string]struct {
		do     func(t *testing.T, c *Scheduler, due time.Time)
		reason Reason
		missed bool
		words  string
	}{
		"measured": {func(t *testing.T, c *Scheduler, due time.Time) {
			for i := range 3 {
				take, err := c.Offer(shot(i, due.Add(time.Duration(i)*time.Minute)))
				if err != nil || take == nil || !slices.Contains(take.Checks, "shot_time") {
					t.Fatalf("%+v, %v", take, err)
				}
				if err := c.Measured(take.Build, due.Add(time.Duration(i)*time.Minute)); err != nil {
					t.Fatal(err)
				}
			}
		}, "", false, "open.1.1: measured"},
		"none sold": {func(t *testing.T, c *Scheduler, due time.Time) {
			c.Next(due)
			c.Next(due.Add(10 * time.Minute))
		}, NoneSold, true, "0 of 3 measured: no such drink was made in time"},
		"too few sold": {func(t *testing.T, c *Scheduler, due time.Time) {
			if _, err := c.Offer(shot(1, due)); err != nil {
				t.Fatal(err)
			}
			if err := c.Measured("b1", due); err != nil {
				t.Fatal(err)
			}
			c.Next(due.Add(10 * time.Minute))
		}, NoneSold, true, "1 of 3 measured"},
		"ignored": {func(t *testing.T, c *Scheduler, due time.Time) {
			if _, err := c.Offer(shot(1, due)); err != nil {
				t.Fatal(err)
			}
			c.Next(due.Add(10 * time.Minute))
			if err := c.Measured("b1", due.Add(11*time.Minute)); err == nil {
				t.Error("a reading after the end was taken")
			}
		}, Ignored, true, "made and not measured"},
		"station off": {func(t *testing.T, c *Scheduler, due time.Time) { c.Next(due.Add(time.Hour)) }, NotRunning, true, "the station was off"},
		"shift ended": {func(t *testing.T, c *Scheduler, due time.Time) { c.Close(due.Add(time.Minute)) }, ShiftEnded, true, "the shift ended"},
	} {
		t.Run(name, func(t *testing.T) {
			c := begin(t, Normal)
			due := firstOf(t, c, "open")
			if p, ok := c.Next(due.Add(-time.Second)); ok {
				t.Fatalf("told before its time: %+v", p)
			}
			if name != "station off" {
				if p, ok := c.Next(due); !ok || p.Left != 3 || !strings.Contains(p.Words, "measure the next 3, each a shot: dose, yield, shot time") {
					t.Fatalf("prompt %+v", p)
				}
			}
			tc.do(t, c, due)
			o := outcomeOf(t, c, "open")
			if o.Reason != tc.reason || o.Missed != tc.missed || !strings.Contains(o.Words(), tc.words) {
				t.Errorf("%+v, %q", o, o.Words())
			}
		})
	}
}

// A latte every other minute by b-1 with dairy, a few by b-2 and one in four with
// oat: the four milk prompts must meet both people and the plant milk.
func TestMilkPromptsMeetEachBaristaAndThePlantMilk(t *testing.T) {
	short := 0
	for day := range 200 {
		c, err := New(DefaultPlan(), shiftOn(day), Normal, secret)
		if err != nil {
			t.Fatal(err)
		}
		met, plant := map[string]bool{}, false
		s := c.Shift()
		for i := range 240 {
			b := Started{Build: fmt.Sprint(i), Shots: 2, Steamed: true, By: "b-1", At: s.Start.Add(time.Duration(2*i) * time.Minute)}
			if i%5 == 3 {
				b.By = "b-2"
			}
			b.Plant = i%4 == 1
			take, err := c.Offer(b)
			if err != nil {
				t.Fatal(err)
			}
			if take != nil && strings.Contains(strings.Join(take.Prompts, " "), "/milk.") {
				met[b.By], plant = true, plant || b.Plant
			}
		}
		if !met["b-1"] || !met["b-2"] || !plant {
			short++
		}
	}
	if short > 6 { // with prompts at the very end there may be no time to choose
		t.Errorf("on %d days of 200 somebody or the oat drink was not met", short)
	}
}

func TestForeignStateIsRefused(t *testing.T) {
	c := begin(t, Normal)
	c.Next(c.Shift().End)
	raw, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(raw, secret); err != nil {
		t.Error(err)
	}
	if _, err := Restore(raw, []byte("another secret of a site, 32 b..")); err == nil {
		t.Error("a state of another secret was taken")
	}
	twice := c.s
	twice.Prompts = append(slices.Clone(twice.Prompts), twice.Prompts[0])
	raw, err = json.Marshal(twice)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(raw, secret); err == nil {
		t.Error("a state with one prompt twice was taken")
	}
}
