package console

import (
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// TestPagesForReadersAndAuditorsFit wants the pages of a visit and of reading, and
// pages read in German with US units, no wider than their screens and all named.
// With SAMECUP_SHOTS it leaves pictures there.
func TestPagesForReadersAndAuditorsFit(t *testing.T) {
	ch := seasonChain(t)
	ctx := browser(t)
	d := openDesk(t, ch, nil)
	address := visitAddress(t, ch, openDesk(t, ch, nil).as(ch.tokens["olu"]))
	if err := chromedp.Do(ctx, signIn(d.srv.URL, ch.tokens["lea"])); err != nil {
		t.Fatal(err)
	}
	enc := visitQuery().Encode()
	pages := []struct{ name, path string }{
		{"reading", "/reading"}, {"methods", "/methods"}, {"visit-new", "/visits/new"}, {"visit-plan", "/visits/new?" + enc}, {"visit-form", "/visits/form?" + enc}, {"visit-result", address},
		{"drink-de-us", "/drinks/latte/glass"}, {"case-de-us", caseLink(driftCase(t, ch).Id)}, {"sites-de-us", "/sites"}, {"today-de-us", "/"},
	}
	for _, screen := range []struct {
		name   string
		width  int64
		height int64
		dark   string
	}{{"laptop", 1280, 800, "light"}, {"phone", 390, 844, "dark"}} {
		if err := chromedp.Do(ctx, chromedp.EmulateViewport(screen.width, screen.height), scheme(screen.dark)); err != nil {
			t.Fatal(err)
		}
		for _, p := range pages {
			if strings.HasSuffix(p.name, "-us") {
				if err := chromedp.Do(ctx, chromedp.Navigate(d.srv.URL+"/reading?next="+url.QueryEscape(p.path)),
					chromedp.SetValue(chromedp.CSS(`select[name="tag"]`), "de-DE"), chromedp.SetValue(chromedp.CSS(`select[name="units"]`), "us"),
					chromedp.Click(chromedp.CSS("button.first")), chromedp.WaitVisible(chromedp.CSS(`.foot a[href="`+readingLink(&url.URL{Path: p.path})+`"]`))); err != nil {
					t.Fatalf("%s: %v", p.path, err)
				}
			} else if err := chromedp.Do(ctx, chromedp.Navigate(d.srv.URL+p.path)); err != nil {
				t.Fatalf("%s: %v", p.path, err)
			}
			wide, err := chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollWidth`))
			if err != nil {
				t.Fatal(err)
			}
			if int64(wide) > screen.width {
				t.Errorf("%s on a %s is %.0f wide, and the screen %d", p.name, screen.name, wide, screen.width)
			}
			unnamed, err := chromedp.Run(ctx, chromedp.Evaluate[string](nameless))
			if err != nil {
				t.Fatal(err)
			}
			if unnamed != "" {
				t.Errorf("%s has controls without a name: %s", p.name, unnamed)
			}
			if shots := os.Getenv("SAMECUP_SHOTS"); shots != "" {
				pic, err := chromedp.Run(ctx, chromedp.FullScreenshot(100))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("%s-%s.png", p.name, screen.name)), pic, 0o600); err != nil {
					t.Fatal(err)
				}
			}
		}
	}
}
