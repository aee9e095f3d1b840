package tablet

import (
	"context"
	"encoding/json"
	"fmt"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/look/axe"
	"samecup.example/samecup/internal/sampling"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/bar"
)

// small lists controls below 48 px, the size for a hand; WCAG 2.2 asks for 24.
const small = `JSON.stringify([...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, summary, textarea")]
  .filter((e) => e.checkVisibility() && !e.closest(".visually-hidden, .skip, [aria-hidden=true]") && !(e.type === "checkbox" || e.type === "radio"))
  .map((e) => ({e, r: e.getBoundingClientRect()})).filter(({r}) => r.width < 48 || r.height < 48)
  .map(({e, r}) => e.outerHTML.slice(0, 120) + " " + Math.round(r.width) + "x" + Math.round(r.height)))`

func (p *tab) accessible(what string) {
	p.t.Helper()
	p.roomy(what)
	if p.scr == phone {
		return // the same pages, only narrower
	}
	// What lies beneath the bar at the foot is scrolled to, and not lost.
	const unstick = `(document.querySelectorAll(".finish, .top").forEach((e) => { e.style.position = %q }), true)`
	eval[bool](p, fmt.Sprintf(unstick, "static"))
	found, err := axe.Scan(p.ctx)
	if err != nil {
		p.t.Fatal(err)
	}
	eval[bool](p, fmt.Sprintf(unstick, ""))
	for _, f := range found {
		p.t.Errorf("%s, %s: %s", what, p.scr.name, f)
	}
}

// roomy checks that targets are large and nothing is wider than the screen.
func (p *tab) roomy(what string) {
	p.t.Helper()
	var tiny []string
	if err := json.Unmarshal([]byte(eval[string](p, small)), &tiny); err != nil {
		p.t.Fatal(err)
	}
	for _, e := range tiny {
		p.t.Errorf("%s, %s: a target below 48 px: %s", what, p.scr.name, e)
	}
	if over := eval[int](p, `document.scrollingElement.scrollWidth - innerWidth`); over > 0 {
		p.t.Errorf("%s, %s: the page is %d px wider than the screen", what, p.scr.name, over)
	}
}

// Every page, with all that it may have to say at once, in both languages, light
// and dark, on all sizes.
func TestEveryPageIsAccessible(t *testing.T) {
	ctx := browser(t)
	screens := someScreens
	if *shotsDir != "" {
		screens = allScreens
	}
	for _, scr := range screens {
		t.Run(scr.name, func(t *testing.T) {
			s := newShop(t)
			for i := range 9 {
				s.make("flat-white/small/whole-milk", drink.Milli(29_000-i*700))
				s.Clock.Add(5 * time.Minute)
			}
			book := largeBook(t)
			serving(t, book, "latte/medium/whole-milk").Checks[0].Target += 100
			s.Give(2, book)
			p := open(t, ctx, s.url(), scr)
			look := func(path, name string) {
				t.Helper()
				p.goTo(path)
				p.accessible(name)
				p.shoot(name)
				p.whole(name)
			}
			look("/", "home-news")
			s.must(s.bar.SetPerson(context.Background(), "otter"))
			s.must(s.bar.AcknowledgeNews(context.Background(), 2))
			look("/", "home")
			look("/?q=lat", "found")
			look("/drink/latte", "drink")
			look("/people", "people")
			look("/day", "day")
			look("/dial-in", "dialin-begin")

			s.show(func(st *bar.State) {
				st.Tasting = &bar.Tasting{Build: "b", Name: "Latte, medium, Oat drink", Until: st.Now.Add(4 * time.Minute)}
			})
			look("/", "home-tasting")

			// All that may have to be said, at once.
			s.Stop(&pb.Stop{Id: "stop-7", Kind: pb.StopKind_STOP_KIND_DRINK, Target: "mocha", Reason: "undeclared nut in the chocolate powder", Scopes: []string{"chain"}})
			s.show(func(st *bar.State) {
				st.Stale, st.StaleReason = true, "the centre was not heard for 3 hours: the book may be old"
				st.OutboxDepth, st.Heard = 312, st.Now.Add(-3*time.Hour)
				st.NextRelease, st.NextAt = 3, st.Now.Add(17*time.Hour)
				st.Faults = []instrument.Fault{{Instrument: "scale-1", Kind: instrument.Stalled, BeganAt: st.Now.Add(-4 * time.Minute)}}
				st.Prompt = &sampling.Prompt{Want: sampling.Milk, Left: 1, Checks: []string{"milk_temp", "cup_mass"}, Expires: st.Now.Add(6 * time.Minute)}
				if st.Open != nil {
					st.Open.Newer = 3
					st.Open.Take = &sampling.Take{Checks: []string{"dose", "yield", "shot_time"}}
					st.Open.Notes = []string{"scale-1: 12.1 g was left out: it did not settle"}
				}
			})
			look("/", "home-all")

			o, err := s.bar.Begin(ctx, "latte/medium/oat-drink")
			s.must(err)
			look("/build/"+o.ID, "build")
			s.must(s.bar.StartTimer(ctx, o.ID))
			s.Clock.Add(21 * time.Second)
			look("/build/"+o.ID, "build-timer")
			s.must(s.bar.StopTimer(ctx, o.ID))
			s.must(s.bar.Enter(ctx, o.ID, "yield", 1, 36_400, "stepper"))
			s.must(s.bar.Enter(ctx, o.ID, "milk_temp", 1, 68_000, "keypad"))
			s.must(s.bar.Step(ctx, o.ID, "dose", true))
			s.must(s.bar.Step(ctx, o.ID, "pull", false))
			p.goTo("/build/" + o.ID)
			eval[bool](p, `(document.querySelectorAll("details").forEach((d) => { d.open = true }), true)`)
			p.accessible("build, opened")
			p.whole("build-opened")
			look("/build/"+o.ID+"/keypad?check=yield&n=2&typed=36.", "keypad")
			l, err := s.bar.Finish(ctx, o.ID)
			s.must(err)
			if l.Verdict == nil {
				t.Fatal("no verdict")
			}
			look("/", "unsafe")

			s.must(s.bar.BeginDialIn(ctx, "opening"))
			look("/dial-in", "dialin-purge")
			for s.state().DialIn.Phase == "purge" {
				s.must(s.bar.PurgeDialIn(ctx, 18_000))
			}
			for i, took := range []drink.Milli{21_000, 24_000, 26_500} {
				s.Clock.Add(time.Minute)
				s.must(s.bar.DialInShot(ctx, bar.DialInShot{Setting: drink.Milli(12_000 - i*500), Dose: 18_000, Yield: 36_000, Time: took}))
			}
			look("/dial-in", "dialin-pull")
		})
	}
}
