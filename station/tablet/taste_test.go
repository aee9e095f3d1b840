package tablet

import (
	"context"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/station/bar"
)

// tastePlan asks for a tasting between two minutes of the shift; a cup that was made
// waits for an hour.
func tastePlan(from, to int) sampling.Plan {
	p := plan(from, to, 120)
	p.GraceMin = 60
	p.Windows[0] = sampling.Window{ID: "taste", Anchor: sampling.FromStart, FromMin: from, ToMin: to, Parts: 1, Prompts: 1, Builds: 1,
		Want: sampling.AnyBuild, Checks: []string{sampling.Taste}, SecondsEach: 60}
	return p
}

// newTasting opens a shop where a tasting is asked for, with "otter" known and "heron"
// at the bar.
func newTasting(t testing.TB) *shop {
	t.Helper()
	s := newShop(t, tastePlan(200, 240)) // due before the rig's clock begins
	s.must(s.bar.SetPerson(context.Background(), "otter"))
	s.must(s.bar.SetPerson(context.Background(), "heron"))
	if s.state().Prompt == nil {
		t.Fatal("no tasting is asked for")
	}
	return s
}

func (s *shop) day() *bar.Day {
	s.t.Helper()
	d, err := s.bar.Day(context.Background(), "")
	s.must(err)
	return d
}

// untilChecked waits until so many prompts of the plan are over.
func (s *shop) untilChecked(n int) {
	s.t.Helper()
	until(s.t, "the plan's outcomes", func() bool { return len(s.day().Checks) == n })
}

func TestACupIsTastedWithoutScript(t *testing.T) {
	s := newTasting(t)
	v := visit(t, s)
	wants(t, v.get("/"), "Taste the next drink until")
	page := v.post("/begin", "serving", "latte/medium/oat-drink")
	wants(t, page, "This one is tasted when it is made: set a little aside.", "never from the guest’s cup")
	at := "/build/" + s.state().Open.ID
	build := s.state().Open.ID
	for _, n := range []string{"1", "2"} {
		v.post(at+"/reading", "check", "yield", "n", n, "act", "target")
		v.post(at+"/reading", "check", "shot_time", "n", n, "act", "target")
	}
	v.post(at+"/keypad", "check", "yield", "n", "1", "act", "typed", "typed", "31.4")
	page = v.post(at + "/finish")
	if v.at != "/taste/"+build {
		t.Fatalf("at %s", v.at)
	}
	wants(t, page, "To be tasted: Latte, medium, Oat drink", "Made by heron: best tasted by somebody else.", "Hot: let it cool.", "Contains: ", "Do not taste what you must not have.",
		"take a small sip", "5 As it should be", "1 Not to be served", "burnt")
	// Nothing of verdict and readings, neither there nor at the start.
	lacks(t, page, "Off spec", "31.4")
	home := v.get("/")
	wants(t, home, "To be tasted: Latte, medium, Oat drink", "Its verdict is shown once it is tasted.", "Show the verdict first")
	lacks(t, home, "Off spec", "31.4")
	wants(t, v.get("/people"), "To be tasted: Latte, medium, Oat drink")

	for text, pairs := range map[string][]string{
		"Say who tasted":         {"taster", "", "score", "4"},
		"“badger” is not known":  {"taster", "badger", "score", "4"},
		"not on the scale":       {"taster", "otter", "score", "7"},
		"“x” is no number":       {"taster", "otter", "score", "x"},
		"tap a score":            {"taster", "otter", "word", "thin"},
		"4 words are too many":   {"taster", "otter", "score", "4", "word", "sour", "word", "thin", "word", "flat", "word", "stale"},
		"not one of the words":   {"taster", "otter", "score", "4", "word", "lovely"},
		"does not wait to be ta": {"taster", "otter", "score", "4"},
	} {
		path := "/taste/" + build
		if strings.HasPrefix(text, "does not") {
			path += "0"
		}
		if said := v.refused(path, pairs...); !strings.Contains(said, text) {
			t.Errorf("%q, want %q", said, text)
		}
	}
	_, body := v.do("POST", "/taste/"+build, form([]string{"taster", "otter", "score", "9", "word", "thin"}))
	if !strings.Contains(body, `value="thin" id="word-thin" checked`) || !strings.Contains(body, `value="otter" id="taster-otter" checked`) {
		t.Error("what was tapped is lost after a refusal")
	}

	home = v.post("/taste/"+build, "taster", "otter", "score", "2", "word", "thin", "word", "sour")
	wants(t, home, "Tasted: Latte, medium, Oat drink 2, Clearly off ; sour, thin (by otter, blind)", "Off spec:", "3.1 g short")
	wants(t, v.get("/taste/"+build), "Tap another score to put it right", "said before")
	home = v.post("/taste/"+build, "taster", "otter", "score", "1")
	wants(t, home, "1, Not to be served (by otter)", "Do not serve it, and tell your shift lead.")
	lacks(t, home, "blind")
	s.Clock.Add(2 * time.Minute)
	if said := v.refused("/taste/"+build, "taster", "otter", "score", "5"); !strings.Contains(said, "for a minute") {
		t.Error(said)
	}
	lacks(t, v.get("/"), "Tasted:")
	s.untilChecked(1)
	day := v.get("/day")
	wants(t, day, "How it tasted 1 cup tasted, 0 of them blind. The one in the middle: 1, Not to be served.", "1 of 1 done (100 %), 0 missed.", "tasted, after")
	lacks(t, day, "otter")
	v.lang = "de"
	wants(t, v.get("/day"), "Wie es schmeckte 1 Tasse verkostet", "In der Mitte: 1, Nicht zu servieren.", "verkostet, nach")
}

func TestATastingIsSkippedOrSeenFirst(t *testing.T) {
	s := newTasting(t)
	v := visit(t, s)
	l := s.make("flat-white/small/whole-milk", 28_000)
	if said := v.refused("/taste/" + l.ID + "/skip"); !strings.Contains(said, "Say why") {
		t.Error(said)
	}
	wants(t, v.post("/taste/"+l.ID+"/show"), "In spec:", "To be tasted:")
	page := v.get("/taste/" + l.ID)
	wants(t, page, "Its verdict was shown: this tasting is noted as not blind.")
	lacks(t, page, "Show the verdict first")
	lacks(t, v.post("/taste/"+l.ID+"/skip", "why", "nobody"), "To be tasted:")
	s.untilChecked(1)
	wants(t, v.get("/day"), "0 of 1 done (0 %), 1 missed.", "missed, 0 of 1 tasted: the drink was made and not tasted Nobody here may taste it")
	status, body := v.do("GET", "/taste/"+l.ID, nil)
	if status != 404 || !strings.Contains(plainText(body), "does not wait to be tasted") {
		t.Errorf("%d", status)
	}
}

// What is not safe is said at once, and never tasted.
func TestWhatIsNotSafeIsNotTasted(t *testing.T) {
	s := newTasting(t)
	v := visit(t, s)
	v.post("/begin", "serving", "latte/small/whole-milk")
	at := "/build/" + s.state().Open.ID
	v.post(at+"/keypad", "check", "milk_temp", "n", "1", "act", "typed", "typed", "68")
	home := v.post(at + "/finish")
	wants(t, home, "Do not serve: Latte, small")
	lacks(t, home, "To be tasted")
}

func TestManyTastersAreAList(t *testing.T) {
	s := newTasting(t)
	for _, name := range []string{"badger", "hare", "wren", "heron"} {
		s.must(s.bar.SetPerson(context.Background(), name))
	}
	v := visit(t, s)
	l := s.make("espresso/double", 28_000)
	wants(t, v.get("/taste/"+l.ID), "Tasted by")
	s.must(s.bar.SetPerson(context.Background(), "lynx"))
	page := v.get("/taste/" + l.ID)
	if !strings.Contains(page, `<select id="taster"`) || !strings.Contains(page, "<option selected>lynx") {
		t.Error(plainText(page))
	}
	_, body := v.do("POST", "/taste/"+l.ID, form([]string{"score", "3", "word", "flat"}))
	if !strings.Contains(body, `id="word-flat" checked`) || !strings.Contains(body, `aria-invalid="true"`) {
		t.Error("the field at fault is not marked, or what was tapped is lost")
	}
}

func TestTastersWithoutAPseudonymAreAskedForOne(t *testing.T) {
	s := newShop(t, tastePlan(200, 240))
	v := visit(t, s)
	l := s.make("espresso/double", 28_000)
	page := v.get("/taste/" + l.ID)
	wants(t, page, "Whoever tastes needs a pseudonym here first.")
	lacks(t, page, "As it should be")
}

func TestTheSumsOfTastingsHaveNoMean(t *testing.T) {
	v := &view{texts: allTexts(t)["en"]}
	cup := func(score int, blind bool, words ...string) *bar.Tasted {
		return &bar.Tasted{Score: score, Blind: blind, Words: words}
	}
	for name, tc := range map[string]struct {
		cups []*bar.Tasted
		want tasteSums
	}{
		"an odd number": {[]*bar.Tasted{cup(5, true), cup(1, false, "sour"), cup(2, true, "bitter", "sour")}, tasteSums{N: 3, Blind: 2,
			Counts: []tasteCount{{"5 As it should be", 1}, {"4 Good", 0}, {"3 Passable", 0}, {"2 Clearly off", 1}, {"1 Not to be served", 1}},
			Median: "The one in the middle: 2, Clearly off.", Said: []tasteCount{{"sour", 2}, {"bitter", 1}}}},
		"an even number": {[]*bar.Tasted{cup(5, true), cup(2, true)}, tasteSums{N: 2, Blind: 2,
			Counts: []tasteCount{{"5 As it should be", 1}, {"4 Good", 0}, {"3 Passable", 0}, {"2 Clearly off", 1}, {"1 Not to be served", 0}},
			Median: "Those in the middle: 2, Clearly off, and 5, As it should be."}},
	} {
		if diff := cmp.Diff(tc.want, v.tasteSums(tc.cups)); diff != "" {
			t.Errorf("%s: %s", name, diff)
		}
	}
}

func TestThereIsATextForEveryWordOfTheTaster(t *testing.T) {
	en := allTexts(t)["en"]
	var want []string
	for _, w := range sampling.TasteWords {
		want = append(want, "taste.word."+w)
	}
	for n := 1; n <= sampling.ScoreMost; n++ {
		want = append(want, "taste.score."+strconv.Itoa(n), "taste.more."+strconv.Itoa(n))
	}
	for _, w := range []sampling.Want{sampling.Shots, sampling.Milk, sampling.Glass, sampling.AnyBuild} {
		want = append(want, "prompt.taste_"+string(w)+".one", "prompt.taste_"+string(w)+".other")
	}
	for _, key := range want {
		if !en.Has(key) {
			t.Errorf("no text for %s", key)
		}
	}
}

// A person tastes by tap, by keyboard and in German, and sees the page on each
// screen.
func TestTastingInTheBrowser(t *testing.T) {
	ctx := browser(t)
	screens := someScreens
	if *shotsDir != "" {
		screens = allScreens
	}
	for _, scr := range screens {
		t.Run(scr.name, func(t *testing.T) {
			s := newTasting(t)
			p := open(t, ctx, s.url(), scr)
			p.goTo("/")
			p.see(".notice.ask")
			p.shoot("taste-1-prompt")
			o, err := s.bar.Begin(ctx, "cappuccino/small")
			s.must(err)
			for i := range o.Serving.Checks {
				if k := &o.Serving.Checks[i]; k.Need == drink.Always {
					s.must(s.bar.Enter(ctx, o.ID, k.ID, 1, k.Target, "keypad"))
				}
			}
			p.goTo("/build/" + o.ID)
			p.accessible("a build to be tasted")
			p.shoot("taste-2-build")
			p.tap("#made")
			p.see("#score-1")
			p.accessible("the tasting")
			p.shoot("taste-3-page")
			p.whole("taste-3-page")
			p.goTo("/")
			p.accessible("the start, with a tasting that waits")
			p.shoot("taste-4-waits")
			p.tap("#taste-go")
			p.see("#score-4")
			p.tap("#taster-otter")
			eval[bool](p, `(document.getElementById("word-sour").focus(), true)`)
			run(p, chromedp.KeyEvent(" "))
			p.holds("a word is ticked by keyboard", `document.getElementById("word-sour").checked`)
			// Enter there says no score.
			p.enterUntil("word-sour", "#said .grave")
			p.see("#said .grave")
			if n := len(s.day().Tastings); n != 0 || !eval[bool](p, `document.getElementById("word-sour").checked`) {
				t.Errorf("the Enter key on a word entered a score, or took the word away")
			}
			eval[bool](p, `(document.getElementById("score-4").focus(), true)`)
			run(p, chromedp.KeyEvent("\r"))
			p.see("#taste-undo")
			p.holds("the focus is on what was said", `document.activeElement?.id === "tasted"`)
			p.accessible("what was tasted")
			p.shoot("taste-5-said")
			p.tap("#taste-undo")
			p.see("#score-4.said")
			p.shoot("taste-6-undo")
			p.goTo("/day")
			p.see("#tastings")
			p.accessible("the day with a tasting")
			p.whole("taste-7-day")
		})
	}
}
