package console

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// signInAs leaves, and goes through the form; head office begins where the
// quality lead does.
func signInAs(base, token, to string) chromedp.Action[chromedp.Void] {
	return chromedp.Steps(chromedp.Navigate(base+"/sign-in?next="+to), chromedp.SendKeys(chromedp.CSS("#token"), token), chromedp.Click(chromedp.CSS("button.first")),
		chromedp.WaitVisible(chromedp.CSS(".me button")))
}

// stepWait bounds one step of a walk on a crowded machine.
const stepWait = 40 * time.Second

// walker goes through pages in a browser and says where it failed.
type walker struct {
	t    *testing.T
	ctx  context.Context
	base string
}

func (w *walker) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(w.ctx, stepWait)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		w.t.Fatalf("%s: %v", what, err)
	}
}

func (w *walker) says(words ...string) {
	w.t.Helper()
	body, err := chromedp.Run(w.ctx, chromedp.Text(chromedp.CSS("main")))
	if err != nil {
		w.t.Fatal(err)
	}
	for _, s := range words {
		if !strings.Contains(body, s) {
			w.t.Errorf("the page lacks %q:\n%s", s, body[:min(len(body), 1500)])
		}
	}
}

// shot leaves a picture of the page where SAMECUP_SHOTS asks for it.
func (w *walker) shot(name string) {
	w.t.Helper()
	dir := os.Getenv("SAMECUP_SHOTS")
	if dir == "" {
		return
	}
	pic, err := chromedp.Run(w.ctx, chromedp.FullScreenshot(100))
	if err == nil {
		err = os.WriteFile(filepath.Join(dir, "walk-"+name+".png"), pic, 0o600)
	}
	if err != nil {
		w.t.Fatal(err)
	}
}

// TestADraftIsWalkedFromEditToWave goes as a drink developer, an approver and a
// fleet manager would.
func TestADraftIsWalkedFromEditToWave(t *testing.T) {
	c := officeChain(t)
	w := &walker{t: t, ctx: browser(t), base: openDesk(t, c, nil).srv.URL}
	click := func(css string) chromedp.Action[chromedp.Void] { return chromedp.Click(chromedp.CSS(css)) }
	seen := func(css string) chromedp.Action[chromedp.Void] { return chromedp.WaitVisible(chromedp.CSS(css)) }
	w.do("the author signs in", signInAs(w.base, c.tokens["ada"], "/drafts"))
	w.do("begin a draft", chromedp.SendKeys(chromedp.CSS("input[name=title]"), "Autumn menu"), click(`button[value=begin]`), seen(".menu"))
	w.do("open the latte", click(`.menu a[href*="drinks%2Flatte.yaml"]`), seen(`form[data-try="servings[size=glass].air"]`))
	// The check speaks at the field while it is typed.
	field := `form[data-try="servings[size=glass].air"] `
	w.do("type into a field", chromedp.SetValue(chromedp.CSS(field+"input[name=value]"), "30 %"), chromedp.Evaluate[chromedp.Void](`document.querySelector('form[data-try="servings[size=glass].air"] input[name=value]').dispatchEvent(new Event("input"))`),
		seen(field+".tried .tone.alert"))
	w.says("overfills the vessel")
	w.shot("tried")
	field = `form[data-try="checks.milk_temp.target"] `
	w.do("edit and save", chromedp.SetValue(chromedp.CSS(field+"input[name=value]"), "61 °C"), click(field+"button[value=save]"), seen("#changes"))
	w.says("61 °C", "60 °C", "reaches 4 sites")
	w.shot("effect")
	w.do("propose", click("button[value=propose]"), chromedp.WaitNotPresent(chromedp.CSS("button[value=propose]")), seen("#next a[href$=review]"))
	w.do("look at the review", click("#next a[href$=review]"), seen("#decide"))
	w.says("You edited this, so you may not approve it", "Ben Ode")
	w.shot("own")
	w.do("the approver signs in", signInAs(w.base, c.tokens["ben"], "/drafts/autumn-menu/review"), seen("#decide button"))
	n, err := chromedp.Run(w.ctx, chromedp.Evaluate[int](`document.querySelectorAll("input[name=caution]").length`))
	if err != nil || n < 4 {
		t.Fatalf("%d cautions, %v", n, err)
	}
	w.do("approve without acknowledging", click("button[value=approver]"), seen("#refused"))
	w.says("Each caution has to be acknowledged", "Not acknowledged yet.")
	w.shot("refused")
	for i := range n {
		w.do("acknowledge", click(fmt.Sprintf(".cautions label.tick:nth-of-type(%d) input", i+1)))
	}
	w.do("approve", click("button[value=approver]"), chromedp.WaitNotPresent(chromedp.CSS("button[value=approver]")))
	w.says("Ben Ode approved as approver", "a rollout")
	w.do("the fleet manager signs in", signInAs(w.base, c.tokens["flo"], "/rollouts?draft=autumn-menu"), seen("#start button"))
	w.do("begin the rollout", chromedp.SetValue(chromedp.CSS("input[name=sites]"), "tannery-row"), click("#start button[value=begin]"), seen(".waves"))
	w.says("Wave 1: Tannery Row", "Wave 2: 20 %", "2 silent", "Cannot tell yet")
	// A station is heard, and the open page says so.
	c.heard(t, "tannery-row", "bar-1", 2, true)
	w.do("hear of it", seen("#adopted"), click("#adopted a"), seen(".waves"))
	w.says("1 uses it, 1 silent")
	w.shot("wave")
}

// TestHeadOfficeFitsEveryScreen is TestPagesFitEveryScreen for head office.
func TestHeadOfficeFitsEveryScreen(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "fay", "flo")
	if _, err := pb.NewOverlayServiceClient(c.cc).CreateOverlay(c.asPerson(t.Context(), "ada"), &pb.CreateOverlayRequest{RequestId: newID(), Scope: "site.oyster-steps", Reason: "Only the small boiler",
		Edits: []*pb.FieldEdit{{File: "drinks/latte.yaml", Path: "checks.milk_temp.target", Value: "59 °C"}}}); err != nil {
		t.Fatal(err)
	}
	approved(t, p, "Warmer lattes", "warmer-lattes", "61 °C")
	rollout := p["flo"].did("/rollouts", "begin", "draft", "warmer-lattes", "sites", "tannery-row, lantern-hill", "shares", "75")
	c.heard(t, "tannery-row", "bar-1", 2, true)
	c.heard(t, "tannery-row", "bar-2", 2, false)
	c.heard(t, "lantern-hill", "bar-1", 1, false, &pb.Refusal{Release: 2, Reason: "BAD_BOOK", Detail: "this machine has no probe"})
	p["ada"].did("/drafts", "begin", "title", "Winter menu")
	p["ada"].did("/drafts/winter-menu?file=drinks%2Flatte.yaml", "save", "path", "servings[size=glass].air", "value", "30 %")
	p["ada"].did("/drafts", "begin", "title", "More dose")
	p["ada"].did("/drafts/more-dose?file=house.yaml", "save", "path", "pull.checks.dose.target", "value", "20.2 g")
	p["ada"].did("/drafts/more-dose?file=house.yaml", "remark", "text", "The new baskets want a little more")
	p["ada"].did("/drafts/more-dose", "propose")
	approved(t, p, "Cooler lattes", "cooler-lattes", "60.5 °C")
	stop := p["ada"].did("/stops", "order", "what", "ingredient whole-milk", "scope", "region.harbour", "reason", "Supplier's recall", "instruction", "Put the cartons aside")
	p["ada"].did(stop, "seen", "site", "tannery-row", "person", "Mia, shift lead", "note", "4 cartons")
	p["fay"].did(stop, "lift", "reason", "Lots were replaced")
	judged := func(cfg *Config) {
		cfg.Authority = &tellConn{ClientConnInterface: c.cc, change: func(reply any) {
			if r, ok := reply.(*pb.GetRolloutResponse); ok {
				x := &pb.RateComparison{WaveBuilds: 240, WaveDeviations: 11, ReferenceBuilds: 4000, ReferenceDeviations: 160, LogLikelihoodRatio: -0.9, LowerBound: -2.25, UpperBound: 2.89, Advice: pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET}
				y := &pb.RateComparison{WaveBuilds: 240, WaveDeviations: 11, ReferenceBuilds: 310, ReferenceDeviations: 15, LogLikelihoodRatio: 0.6, LowerBound: -2.25, UpperBound: 2.89, Advice: pb.WaveAdvice_WAVE_ADVICE_CANNOT_TELL_YET}
				r.Rollout.Report = &pb.WaveReport{Advice: x.Advice, Text: "11 of 240 builds in the wave were off spec; 160 of 4000 at the same sites before, and 15 of 310 elsewhere since.", OwnPast: x, OtherSites: y}
			}
		}}
	}
	ctx := browser(t)
	d := openDesk(t, c, judged)
	shots := os.Getenv("SAMECUP_SHOTS")
	shown := []struct{ who, name, path string }{
		{"ada", "drafts", "/drafts"}, {"ada", "draft", "/drafts/winter-menu"}, {"ada", "draft-file", "/drafts/winter-menu?file=drinks/latte.yaml"},
		{"ada", "draft-yaml", "/drafts/winter-menu?file=drinks/latte.yaml&as=yaml"},
		{"ben", "review", "/drafts/more-dose/review"}, {"ben", "overlay", "/overlays/site.oyster-steps"}, {"ben", "overlays", "/overlays"}, {"ben", "record", "/record?verify=1"},
		{"flo", "rollouts", "/rollouts"}, {"flo", "rollout", rollout}, {"flo", "stops", "/stops"}, {"flo", "stop", stop}, {"flo", "places", "/places"}, {"flo", "place", "/places/tannery-row"}, {"ada", "overlay-new", "/overlays/new?scope=region.finch&file=drinks/latte.yaml"}, {"ada", "people-read", "/people"}, {"ada", "keys-read", "/keys"},
		{"admin", "drafts-admin", "/drafts"}, {"admin", "rollout-admin", rollout},
	}
	who := ""
	for _, page := range shown {
		if page.who != who {
			who = page.who
			if err := chromedp.Do(ctx, signInAs(d.srv.URL, c.tokens[who], "/drafts")); err != nil {
				t.Fatal(err)
			}
		}
		for _, screen := range []struct {
			name          string
			width, height int64
			mobile        bool
		}{{"laptop", 1280, 800, false}, {"phone", 390, 844, true}} {
			var how []chromedp.EmulateViewportOption
			if screen.mobile {
				how = append(how, chromedp.EmulateMobile)
			}
			for _, colours := range []string{"light", "dark"} {
				if err := chromedp.Do(ctx, chromedp.EmulateViewport(screen.width, screen.height, how...), scheme(colours), chromedp.Navigate(d.srv.URL+page.path)); err != nil {
					t.Fatalf("%s: %v", page.path, err)
				}
				wide, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth`))
				if err != nil {
					t.Fatal(err)
				}
				if int64(wide) > screen.width {
					t.Errorf("%s on a %s is %.0f wide, and the screen %d", page.path, screen.name, wide, screen.width)
				}
				bad, err := chromedp.Run(ctx, chromedp.Evaluate[string](nameless))
				if err != nil {
					t.Fatal(err)
				}
				if bad != "" {
					t.Errorf("%s has controls without a name: %s", page.path, bad)
				}
				if shots != "" || screen.mobile == (colours == "dark") {
					accessible(t, ctx, fmt.Sprintf("%s, %s, %s", page.path, screen.name, colours))
				}
				if shots == "" {
					continue
				}
				pic, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("%s-%s-%s.png", page.name, screen.name, colours)), pic, 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}

// TestPagesOfHeadOfficeAreLight keeps each page within what a shop's poor line
// takes, before it is packed.
func TestPagesOfHeadOfficeAreLight(t *testing.T) {
	c := officeChain(t)
	p := people(t, c, nil, "ada", "ben", "flo")
	approved(t, p, "Warmer", "warmer", "61 °C")
	rollout := p["flo"].did("/rollouts", "begin", "draft", "warmer")
	const most = 200_000
	for _, path := range []string{"/drafts", "/drafts/warmer", "/drafts/warmer?file=ingredients.yaml", "/drafts/warmer/review", "/rollouts", rollout, "/stops", "/overlays", "/overlays/new?scope=region.finch&file=drinks%2Flatte.yaml", "/overlays/new?scope=region.finch&file=ingredients.yaml", "/places", "/places/tannery-row", "/people", "/keys", "/record"} {
		body := p["ada"].want(path, 200)
		if len(body) > most {
			t.Errorf("%s has %d bytes, and at most %d are sent", path, len(body), most)
		}
		t.Logf("%s: %d bytes", path, len(body))
	}
}
