package console

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"

	"samecup.example/samecup/internal/look/axe"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// browser opens Chromium. Where there is none the test is skipped, but not in
// CI, which installs it.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("the pages are driven in the long run alone")
	}
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		if os.Getenv("CI") != "" {
			t.Fatal("no chromium on PATH: install the package chromium")
		}
		t.Skip("no chromium on PATH: the pages are not driven")
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.UserDataDir(t.TempDir()), chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("hide-scrollbars", true), chromedp.WSURLReadTimeout(time.Minute))
	if os.Geteuid() == 0 {
		opts = append(opts, chromedp.NoSandbox)
	}
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), opts...)
	t.Cleanup(cancel)
	ctx, cancel := chromedp.NewContext(alloc)
	t.Cleanup(func() { _ = chromedp.Cancel(ctx); cancel() })
	if err := chromedp.Do(ctx); err != nil { // starts it
		t.Fatal(err)
	}
	ctx, cancel = context.WithTimeout(ctx, 4*time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// scheme has the browser prefer a colour scheme.
func scheme(name string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
		return err
	})
}

// signIn goes through the form.
func signIn(base, token string) chromedp.Action[chromedp.Void] {
	return chromedp.Steps(chromedp.Navigate(base+"/sign-in"), chromedp.SendKeys(chromedp.CSS("#token"), token), chromedp.Click(chromedp.CSS("button.first")),
		chromedp.WaitVisible(chromedp.CSS("h1.answer")))
}

// driftCase is the case of the drifting bar.
func driftCase(t *testing.T, ch *chain) *pb.Case {
	t.Helper()
	res, err := pb.NewCaseServiceClient(ch.qc).ListCases(ch.asAdmin(t.Context()), &pb.ListCasesRequest{Site: driftSite})
	if err != nil {
		t.Fatal(err)
	}
	for _, k := range res.Cases {
		if k.Domain == "coffee" && k.MergedInto == "" {
			return k
		}
	}
	t.Fatalf("no case of the coffee at %s among %v", driftSite, res.Cases)
	return nil
}

// buildOf is the page of a build that is off spec.
func buildOf(t *testing.T, ch *chain) string {
	t.Helper()
	res, err := pb.NewQualityServiceClient(ch.qc).ListDeviations(ch.asAdmin(t.Context()), &pb.ListDeviationsRequest{PageSize: 1})
	if err != nil {
		t.Fatal(err)
	}
	if len(res.Deviations) == 0 {
		t.Fatal("the season has no deviation")
	}
	return buildLink(res.Deviations[0].Build.Id)
}

// shownPages are looked at in every size and scheme.
func shownPages(t *testing.T, ch *chain) map[string]string {
	return map[string]string{
		"today": "/", "cases": "/cases", "case": caseLink(driftCase(t, ch).Id), "questions": "/questions", "sites": "/sites", "drinks": "/drinks",
		"drink": "/drinks/latte/glass", "stations": "/stations", "station": "/stations/tannery-row/bar-1?day=2026-10-26", "builds": "/builds?grade=off",
		"nowhere": "/nowhere", "build": buildOf(t, ch),
		"drafts": "/drafts", "rollouts": "/rollouts", "stops": "/stops", "overlays": "/overlays", "places": "/places", "record": "/record", "people": "/people", "keys": "/keys", "print": "/print?site=tannery-row",
	}
}

// accessible wants no serious finding of the page that the browser shows, and
// logs the others.
func accessible(t *testing.T, ctx context.Context, what string) {
	t.Helper()
	found, err := axe.Scan(ctx)
	if err != nil {
		t.Fatalf("%s: %v", what, err)
	}
	for _, f := range found {
		if f.Serious() {
			t.Errorf("%s: %s", what, f)
		} else {
			t.Logf("%s: %s", what, f)
		}
	}
}

// TestPagesFitEveryScreen wants each page free of complaints by the browser (a
// breach of the content policy is one) and no wider than its screen, of each
// control a name, and no serious finding of the accessibility engine, which runs
// on each page once. With SAMECUP_SHOTS it leaves pictures there, and the engine
// runs in each size and scheme.
func TestPagesFitEveryScreen(t *testing.T) {
	ch := seasonChain(t)
	ctx := browser(t)
	d := openDesk(t, ch, nil)
	var mu sync.Mutex
	var said []string
	go func() {
		for m, err := range chromedp.Console(ctx) {
			if err != nil {
				return
			}
			mu.Lock()
			said = append(said, m.String())
			mu.Unlock()
		}
	}()
	if err := chromedp.Do(ctx, signIn(d.srv.URL, ch.tokens["lea"])); err != nil {
		t.Fatal(err)
	}
	shots := os.Getenv("SAMECUP_SHOTS")
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
			if err := chromedp.Do(ctx, chromedp.EmulateViewport(screen.width, screen.height, how...), scheme(colours)); err != nil {
				t.Fatal(err)
			}
			for name, path := range shownPages(t, ch) {
				if err := chromedp.Do(ctx, chromedp.Navigate(d.srv.URL+path)); err != nil {
					t.Fatalf("%s: %v", path, err)
				}
				wide, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth`))
				if err != nil {
					t.Fatal(err)
				}
				if int64(wide) > screen.width {
					t.Errorf("%s on a %s is %.0f wide, and the screen %d", path, screen.name, wide, screen.width)
				}
				nameless, err := chromedp.Run(ctx, chromedp.Evaluate[string](nameless))
				if err != nil {
					t.Fatal(err)
				}
				if nameless != "" {
					t.Errorf("%s has controls without a name: %s", path, nameless)
				}
				// Light and dark differ in contrast, sizes in little else.
				if shots != "" || screen.mobile == (colours == "dark") {
					accessible(t, ctx, fmt.Sprintf("%s, %s, %s", path, screen.name, colours))
				}
				if shots != "" {
					pic, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
					if err != nil {
						t.Fatal(err)
					}
					if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("%s-%s-%s.png", name, screen.name, colours)), pic, 0o600); err != nil {
						t.Fatal(err)
					}
				}
			}
		}
	}
	mu.Lock()
	defer mu.Unlock()
	for _, s := range said {
		// The state pages are asked for on purpose.
		if !strings.Contains(s, "404") && !strings.HasPrefix(s, "debug: ") {
			t.Errorf("the browser said: %s", s)
		}
	}
}

// nameless lists links, buttons and fields that nothing names, and ids that
// stand twice.
const nameless = `(() => {
  const out = [];
  for (const e of document.querySelectorAll("a, button, input:not([type=hidden]), select, textarea, svg")) {
    const label = e.labels && e.labels.length ? e.labels[0].textContent : "";
    const name = (e.getAttribute("aria-label") || e.getAttribute("aria-labelledby") || label || e.textContent || "").trim();
    if (!name) out.push(e.outerHTML.slice(0, 120));
  }
  const seen = new Set();
  for (const e of document.querySelectorAll("[id]")) {
    if (seen.has(e.id)) out.push("twice: " + e.id);
    seen.add(e.id);
  }
  return out.join("\n");
})()`

// TestFromTheMorningPageToTheBuild reaches a drifting grinder, as an untrained
// eye would, in three steps: the case, a day that stands out, a build.
func TestFromTheMorningPageToTheBuild(t *testing.T) {
	ch := seasonChain(t)
	ctx := browser(t)
	d := openDesk(t, ch, nil)
	k := driftCase(t, ch)
	do := func(what string, steps ...chromedp.Action[chromedp.Void]) {
		t.Helper()
		if err := chromedp.Do(ctx, steps...); err != nil {
			t.Fatalf("%s: %v", what, err)
		}
	}
	says := func(words ...string) {
		t.Helper()
		body, err := chromedp.Run(ctx, chromedp.Text(chromedp.CSS("main")))
		if err != nil {
			t.Fatal(err)
		}
		for _, w := range words {
			if !strings.Contains(body, w) {
				t.Errorf("the page lacks %q:\n%s", w, body)
			}
		}
	}
	do("sign in", signIn(d.srv.URL, ch.tokens["lea"]))
	says("cases are open", "Coffee at Tannery Row")
	do("step 1, the case", chromedp.Click(chromedp.CSS(`#cases a[href="`+caseLink(k.Id)+`"]`)), chromedp.WaitVisible(chromedp.CSS("#drift1")))
	says("What to check, in order", "burrs", "Shot time at Tannery Row, bar-1", "days stand out from its own past")
	do("step 2, a day that stands out", chromedp.Click(chromedp.CSS(`#drift1 svg > a:last-of-type`)), chromedp.WaitVisible(chromedp.CSS("#builds")))
	says("Tannery Row bar-1", "grind finer")
	do("step 3, a build", chromedp.Click(chromedp.CSS(`#builds tbody th a`)), chromedp.WaitVisible(chromedp.CSS("#readings")))
	says("off spec", "Shot time", "26 to 32")
}
