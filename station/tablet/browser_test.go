package tablet

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

var shotsDir = flag.String("shots", "", "keep the screenshots of the browser tests in this directory")

// screen is what a page is looked at on.
type screen struct {
	name       string
	wide, high int64
	dark       bool
	lang       string
}

var (
	inHand    = screen{name: "7in-portrait", wide: 600, high: 960, lang: "en"}
	onStand   = screen{name: "10in-landscape", wide: 1280, high: 800, lang: "en"}
	large     = screen{name: "13in-dark", wide: 1366, high: 1024, dark: true, lang: "en"}
	phone     = screen{name: "phone", wide: 320, high: 640, lang: "en"}
	inGerman  = screen{name: "10in-german", wide: 1280, high: 800, lang: "de"}
	handDark  = screen{name: "7in-german-dark", wide: 600, high: 960, dark: true, lang: "de"}
	handWide  = screen{name: "7in-german-landscape", wide: 960, high: 600, lang: "de"}
	largeTall = screen{name: "13in-portrait", wide: 1024, high: 1366, lang: "en"}
	// allScreens are looked at by a person, someScreens by every run.
	allScreens  = []screen{inHand, handWide, onStand, large, largeTall, inGerman, handDark, phone}
	someScreens = []screen{onStand, handDark, phone}
)

// browser starts one headless Chromium for a test.
func browser(t *testing.T) context.Context {
	t.Helper()
	if testing.Short() {
		t.Skip("the browser runs in the long tests")
	}
	var path string
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
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
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.UserDataDir(t.TempDir()), chromedp.Flag("disable-quic", true))
	alloc, stop := chromedp.NewExecAllocator(context.Background(), opts...)
	ctx, end := chromedp.NewContext(alloc)
	t.Cleanup(func() {
		_ = chromedp.Cancel(ctx) // waits for its children
		end()
		stop()
	})
	// The browser lives as long as the context of this first call.
	if err := chromedp.Do(ctx); err != nil {
		t.Fatalf("start %s: %v", path, err)
	}
	return ctx
}

// tab is one page in the browser.
type tab struct {
	t   *testing.T
	ctx context.Context
	url string
	scr screen
}

func open(t *testing.T, ctx context.Context, url string, scr screen) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(ctx)
	t.Cleanup(cancel)
	if err := chromedp.Do(ctx); err != nil { // no limit here: see browser
		t.Fatal(err)
	}
	p := &tab{t, ctx, url, scr}
	scheme := "light"
	if scr.dark {
		scheme = "dark"
	}
	call(p, network.Enable, network.EnableParams{})
	call(p, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: scr.wide, Height: scr.high, DeviceScaleFactor: 1})
	call(p, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
	call(p, network.SetExtraHTTPHeaders, network.SetExtraHTTPHeadersParams{Headers: network.Headers{"Accept-Language": scr.lang}})
	return p
}

const patience = time.Minute

// call sends a command of the protocol.
func call[P, R any](p *tab, cmd cdp.Command[P, R], params P) R {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	res, err := chromedp.Call(ctx, cmd, params)
	if err != nil {
		p.t.Fatalf("in the browser: %v", err)
	}
	return res
}

// run carries an action out and gives its value.
func run[T any](p *tab, a chromedp.Action[T]) T {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	v, err := chromedp.Run(ctx, a)
	if err != nil {
		p.t.Fatalf("in the browser: %v", err)
	}
	return v
}

func (p *tab) goTo(path string) { p.t.Helper(); run(p, chromedp.Navigate(p.url+path)) }

func (p *tab) tap(selector string) { p.t.Helper(); run(p, chromedp.Click(chromedp.CSS(selector))) }

func (p *tab) see(selector string) {
	p.t.Helper()
	run(p, chromedp.WaitVisible(chromedp.CSS(selector)))
}

func eval[T any](p *tab, js string) T { p.t.Helper(); return run(p, chromedp.Evaluate[T](js)) }

// holds waits until an expression is true. What fails meanwhile, since the page
// is on its way to another, is asked again.
func (p *tab) holds(what, js string) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	for {
		ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](js))
		if err == nil && ok {
			return
		}
		select {
		case <-ctx.Done():
			p.shoot("failed")
			p.t.Fatalf("never: %s (%v):\n%s", what, err, eval[string](p, `document.body?.innerText ?? ""`))
		case <-time.After(20 * time.Millisecond):
		}
	}
}

// enterUntil presses Enter in a field until something is there. A press is lost
// where the page is renewed between the focus and the key.
func (p *tab) enterUntil(id, selector string) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(p.ctx, patience)
	defer cancel()
	for {
		_, err := chromedp.Run(ctx, chromedp.Evaluate[bool](fmt.Sprintf(`(document.getElementById(%q).focus(), true)`, id)))
		if err == nil {
			_, err = chromedp.Run(ctx, chromedp.KeyEvent("\r"))
		}
		look, done := context.WithTimeout(ctx, patience/12)
		_, seen := chromedp.Run(look, chromedp.WaitVisible(chromedp.CSS(selector)))
		done()
		if seen == nil {
			return
		}
		if ctx.Err() != nil {
			p.t.Fatalf("Enter in %s never led to %s: %v, %v", id, selector, err, seen)
		}
	}
}

// says waits until the page says all of these.
func (p *tab) says(all ...string) {
	p.t.Helper()
	for _, want := range all {
		p.holds("the page says "+want, fmt.Sprintf(`(document.body?.innerText ?? "").replace(/\s+/g, " ").includes(%q)`, want))
	}
}

// shoot keeps what is on the screen, where somebody wants to look.
func (p *tab) shoot(name string) {
	p.t.Helper()
	if *shotsDir != "" {
		p.keep(name, run(p, chromedp.CaptureScreenshot()))
	}
}

// whole keeps the page beyond the screen's edge too.
func (p *tab) whole(name string) {
	p.t.Helper()
	if *shotsDir != "" {
		p.keep(name+"-whole", run(p, chromedp.FullScreenshot(100)))
	}
}

func (p *tab) keep(name string, png []byte) {
	p.t.Helper()
	if err := os.WriteFile(filepath.Join(*shotsDir, name+"-"+p.scr.name+".png"), png, 0o644); err != nil {
		p.t.Fatal(err)
	}
}
