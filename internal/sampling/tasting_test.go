package sampling

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestATastingIsCheckedAndSurvivesItsDetail(t *testing.T) {
	good := Tasting{Prompt: "2026-11-02/1/taste.1.1", Build: "0193a1b2-0000-7000-8000-000000000001", Score: 4, Words: []string{"sour", "thin"}, Blind: true, Entry: 1}
	for name, tc := range map[string]struct {
		change func(*Tasting)
		detail string
		fault  string
	}{
		"as it is": {func(*Tasting) {}, "score=4 of=5 words=sour,thin blind=yes prompt=2026-11-02/1/taste.1.1 build=0193a1b2-0000-7000-8000-000000000001", ""},
		"bare":     {func(t *Tasting) { t.Words, t.Blind = nil, false }, "score=4 of=5 prompt=2026-11-02/1/taste.1.1 build=0193a1b2-0000-7000-8000-000000000001", ""},
		"a second entry": {func(t *Tasting) { t.Entry, t.Blind = 2, false },
			"score=4 of=5 words=sour,thin entry=2 prompt=2026-11-02/1/taste.1.1 build=0193a1b2-0000-7000-8000-000000000001", ""},
		"no score":     {func(t *Tasting) { t.Score = 0 }, "", "score is 0, allowed: 1 to 5"},
		"off scale":    {func(t *Tasting) { t.Score = 6 }, "", "score is 6"},
		"foreign word": {func(t *Tasting) { t.Words = []string{"nice"} }, "", `words is "nice"`},
		"word twice":   {func(t *Tasting) { t.Words = []string{"sour", "sour"} }, "", `words is "sour"`},
		"many words":   {func(t *Tasting) { t.Words = TasteWords[:4] }, "", "at most 3"},
		"no entry":     {func(t *Tasting) { t.Entry = 0 }, "", "entry is 0"},
	} {
		t.Run(name, func(t *testing.T) {
			said := good
			tc.change(&said)
			if tc.fault != "" {
				if err := said.Check(); err == nil || !strings.Contains(err.Error(), tc.fault) {
					t.Errorf("%v, want it to say %q", err, tc.fault)
				}
				return
			}
			if got := said.Detail(); got != tc.detail {
				t.Errorf("%q, want %q", got, tc.detail)
			}
			again, err := ParseTasting(said.Detail())
			if diff := cmp.Diff(said, again); diff != "" || err != nil {
				t.Errorf("%v %s", err, diff)
			}
		})
	}
}

// An event's detail holds at most 200 bytes, whatever the plan calls its windows.
func TestTheLongestDetailsFitAnEvent(t *testing.T) {
	window := strings.Repeat("w", 64)
	prompt := strings.Repeat("s", 64) + "/" + strings.Repeat("b", 64) + "/2026-11-02/24/" + window + ".48.13"
	said := Tasting{Prompt: PromptOf(prompt), Build: strings.Repeat("0", 36), Score: 5, Words: []string{"balanced", "bitter", "harsh"}, Blind: true, Entry: 1}
	due := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	done := Outcome{Prompt: prompt, Window: window, Due: due, At: due.Add(24 * time.Hour)}
	for _, detail := range []string{said.Detail(), done.Detail()} {
		if len(detail) > 200 {
			t.Errorf("%d bytes: %s", len(detail), detail)
		}
	}
}

func TestWhatWasDoneSurvivesItsDetail(t *testing.T) {
	due := time.Date(2026, 11, 2, 8, 0, 0, 0, time.UTC)
	o := Outcome{Prompt: "tannery-row/bar-1/2026-11-02/1/mid.2.1", Window: "mid", Due: due, At: due.Add(252*time.Second + 900*time.Millisecond)}
	if got, want := o.Detail(), "prompt=2026-11-02/1/mid.2.1 window=mid late_s=252"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	got, err := ParseDone(o.Detail() + " newer=yes")
	if want := (Done{"2026-11-02/1/mid.2.1", "mid", 252 * time.Second}); err != nil || got != want {
		t.Errorf("%+v, %v", got, err)
	}
	for _, bad := range []string{"", "prompt=a window=mid", "prompt=a window=mid late_s=-1", "window=mid late_s=1", "prompt=a window=M late_s=1"} {
		if _, err := ParseDone(bad); err == nil {
			t.Errorf("%q was read", bad)
		}
	}
}

func FuzzParseDetails(f *testing.F) {
	f.Add("score=4 of=5 words=sour,thin blind=yes prompt=p build=b")
	f.Add("prompt=2026-11-02/1/mid.2.1 window=mid late_s=252")
	f.Fuzz(func(t *testing.T, detail string) {
		if said, err := ParseTasting(detail); err == nil {
			if again, err := ParseTasting(said.Detail()); err != nil || !cmp.Equal(said, again) {
				t.Errorf("%q is %+v, then %+v (%v)", detail, said, again, err)
			}
		}
		if done, err := ParseDone(detail); err == nil && (done.Late < 0 || done.Prompt == "" || done.Window == "") {
			t.Errorf("%q is %+v", detail, done)
		}
	})
}

func TestTheMedianIsAStepOfTheScale(t *testing.T) {
	for _, tc := range []struct {
		scores    []int
		low, high int
	}{{nil, 0, 0}, {[]int{3}, 3, 3}, {[]int{5, 1, 4}, 4, 4}, {[]int{2, 5}, 2, 5}, {[]int{5, 4, 4, 1}, 4, 4}} {
		if low, high := Median(tc.scores); low != tc.low || high != tc.high {
			t.Errorf("%v: %d and %d, want %d and %d", tc.scores, low, high, tc.low, tc.high)
		}
	}
	// At least half lie at or below the median, and half at or above: its definition.
	rapid.Check(t, func(t *rapid.T) {
		scores := rapid.SliceOfN(rapid.IntRange(1, ScoreMost), 1, 30).Draw(t, "scores")
		low, high := Median(scores)
		for _, m := range []int{low, high} {
			below, above := 0, 0
			for _, s := range scores {
				if s <= m {
					below++
				}
				if s >= m {
					above++
				}
			}
			if 2*below < len(scores) || 2*above < len(scores) {
				t.Fatalf("%d is no median of %v", m, scores)
			}
		}
	})
}

func TestACupIsTastedApartFromBeingMeasured(t *testing.T) {
	plan := DefaultPlan()
	plan.Windows = []Window{
		{ID: "shots", Anchor: FromStart, FromMin: 0, ToMin: 10, Parts: 1, Prompts: 1, Builds: 1, Want: Shots, Checks: []string{"dose"}, SecondsEach: 10},
		{ID: "cup", Anchor: FromStart, FromMin: 0, ToMin: 10, Parts: 1, Prompts: 1, Builds: 1, Want: AnyBuild, Checks: []string{Taste}, SecondsEach: 60},
	}
	c, err := New(plan, shiftOn(1), Normal, secret)
	if err != nil {
		t.Fatal(err)
	}
	at := latest(firstOf(t, c, "shots"), firstOf(t, c, "cup"))
	take, err := c.Offer(Started{Build: "b1", Shots: 1, Checks: []string{"dose"}, At: at})
	if err != nil || take == nil || !take.Taste || !cmp.Equal(take.Checks, []string{"dose"}) || take.Words != "taste this one, and measure: dose" {
		t.Fatalf("%+v, %v", take, err)
	}
	cups := c.ToTaste(at)
	if len(cups) != 1 || cups[0].Build != "b1" || !cups[0].Until.Equal(at.Add(5*time.Minute)) {
		t.Fatalf("%+v", cups)
	}
	if err := c.Measured("b1", at.Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	if n := len(c.ToTaste(at.Add(time.Minute))); n != 1 {
		t.Errorf("being measured, %d cups wait to be tasted", n)
	}
	if err := c.Tasted("b1", at.Add(2*time.Minute)); err != nil {
		t.Fatal(err)
	}
	for window, taste := range map[string]bool{"shots": false, "cup": true} {
		if o := outcomeOf(t, c, window); o.Missed || o.Taste != taste {
			t.Errorf("%+v", o)
		}
	}
	if err := c.Tasted("b2", at); err == nil {
		t.Error("a cup that nobody asked for was tasted")
	}
}

func TestATastingThatIsNotDoneSaysWhy(t *testing.T) {
	for name, tc := range map[string]struct {
		do    func(t *testing.T, c *Scheduler, at time.Time)
		words string
	}{
		"skipped": {func(t *testing.T, c *Scheduler, at time.Time) {
			if err := c.NotTasted("b1", "handed over", at.Add(time.Minute)); err != nil {
				t.Fatal(err)
			}
		}, "0 of 1 tasted: the drink was made and not tasted (handed over)"},
		"expired": {func(t *testing.T, c *Scheduler, at time.Time) {
			c.Next(at.Add(5 * time.Minute))
			if err := c.Tasted("b1", at.Add(6*time.Minute)); err == nil {
				t.Error("a tasting after its time was taken")
			}
		}, "the drink was made and not tasted"},
		"shift ended": {func(_ *testing.T, c *Scheduler, at time.Time) { c.Close(at.Add(time.Minute)) }, "the shift ended"},
	} {
		t.Run(name, func(t *testing.T) {
			c := begin(t, Normal)
			at := firstOf(t, c, "taste")
			if p, ok := c.Next(at); ok && p.Window == "taste" && p.Words != "taste the next drink" {
				t.Errorf("%q", p.Words)
			}
			if take, err := c.Offer(Started{Build: "b1", Checks: []string{}, At: at}); err != nil || take == nil || !take.Taste || take.Words != "taste this one" {
				t.Fatalf("%+v, %v", take, err)
			}
			tc.do(t, c, at)
			if o := outcomeOf(t, c, "taste"); !o.Missed || !strings.Contains(o.Words(), tc.words) {
				t.Errorf("%+v: %s", o, o.Words())
			}
		})
	}
}

// A build is taken for measuring only where it has something to measure.
func TestABuildWithNothingToMeasureIsLeftAlone(t *testing.T) {
	c := begin(t, Normal)
	at := firstOf(t, c, "open")
	if take, err := c.Offer(Started{Build: "b1", Shots: 2, Checks: []string{"milk_temp"}, At: at}); err != nil || take != nil && len(take.Checks) > 0 {
		t.Errorf("%+v, %v", take, err)
	}
	if take, err := c.Offer(Started{Build: "b2", Shots: 2, Checks: []string{"yield"}, At: at}); err != nil || take == nil || len(take.Checks) != 3 {
		t.Errorf("%+v, %v", take, err)
	}
}
