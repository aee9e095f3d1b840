package console

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	seasonsim "samecup.example/samecup/internal/sim/season"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestASeasonAsEachReaderSeesIt opens every page of the quality lead in a season
// with a fault, as somebody who reads US units, and the watch's words in German too. Each page names
// sites by their names, and none is wider than a phone. With SAMECUP_SHOTS it leaves
// a picture of each; SAMECUP_FAULT chooses the season and SAMECUP_PAGES the pages, by
// how their names begin.
func TestASeasonAsEachReaderSeesIt(t *testing.T) {
	w := walk{fault: seasonsim.PumpShort, seed: 3}
	if os.Getenv("SAMECUP_FAULT") != "" {
		w = walks[slices.IndexFunc(walks, func(w walk) bool { return string(w.fault) == os.Getenv("SAMECUP_FAULT") })]
	} else if !*allFaults {
		t.Skip("a season takes a minute: run with -faults")
	}
	ctx := browser(t)
	f := walkSeason(t, seasonsim.Config{Seed: w.seed, Fault: w.fault, Sites: max(4, w.sites), Stations: max(1, w.stations)})
	s := &stepper{t: t, ctx: ctx, name: string(w.fault), base: openDesk(t, f.chain, f.told).srv.URL}
	s.do("sign in", signIn(s.base, f.tokens["lea"]))
	res, err := pb.NewCaseServiceClient(f.qc).ListCases(f.asAdmin(t.Context()), &pb.ListCasesRequest{PageSize: 100, OpenOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	struck := f.truth.Site
	if struck == "" && len(f.truth.Sites) > 0 {
		struck = f.truth.Sites[0]
	}
	onset := f.truth.Onset.AddDate(0, 0, 2).Format(time.DateOnly)
	paths := map[string]string{"today": "/", "cases": "/cases", "questions": "/questions", "sites": "/sites?from=2026-10-05&to=2026-11-01", "drinks": "/drinks?from=2026-10-05&to=2026-11-01",
		"drink": "/drinks/latte/medium/whole-milk?from=2026-10-05&to=2026-11-01", "stations": "/stations", "visits": "/visits", "builds": "/builds?grade=off&from=2026-10-05&to=2026-11-01", "methods": "/methods", "reading": "/reading"}
	if struck != "" {
		paths["station"] = stationLink(struck, "bar-1", onset)
	}
	for _, k := range res.Cases {
		if k.MergedInto == "" {
			paths["case-"+k.Id] = caseLink(k.Id)
		}
	}
	for i, r := range []struct{ name, tag, units string }{{"us", "en-US", "us"}, {"de", "de-DE", "metric"}} {
		if _, err := chromedp.Run(ctx, chromedp.Evaluate[string](fmt.Sprintf("document.cookie=%q", readingCookie+"="+r.tag+"."+r.units+";path=/"))); err != nil {
			t.Fatal(err)
		}
		for name, path := range paths {
			if !strings.HasPrefix(name, os.Getenv("SAMECUP_PAGES")) || i > 0 && !strings.HasPrefix(name, "case") && name != "today" && name != "station" {
				continue // words and figures of the watch are on these
			}
			s.picture(r.name+"-"+name, path)
		}
	}
}

// picture opens a page on a phone in the dark and on a laptop in the light.
func (s *stepper) picture(name, path string) {
	s.t.Helper()
	shots := os.Getenv("SAMECUP_SHOTS")
	for _, screen := range []struct {
		name, scheme  string
		width, height int64
		how           []chromedp.EmulateViewportOption
	}{{"phone", "dark", 390, 844, []chromedp.EmulateViewportOption{chromedp.EmulateMobile}}, {"laptop", "light", 1280, 800, nil}} {
		s.do(name, chromedp.EmulateViewport(screen.width, screen.height, screen.how...), scheme(screen.scheme), chromedp.Navigate(s.base+path), chromedp.WaitVisible(chromedp.CSS("main")))
		wide, err := chromedp.Run(s.ctx, chromedp.Evaluate[int](`document.documentElement.scrollWidth`))
		if err != nil {
			s.t.Fatal(err)
		}
		if wide > int(screen.width) {
			s.t.Errorf("%s is %d px wide on a %s of %d", path, wide, screen.name, screen.width)
		}
		if shots == "" {
			continue
		}
		pic, err := chromedp.Run(s.ctx, chromedp.FullScreenshot(100))
		if err != nil {
			s.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("see-%s-%s-%s.png", s.name, name, screen.name)), pic, 0o600); err != nil {
			s.t.Fatal(err)
		}
	}
	body := s.text()
	for _, code := range []string{"oyster-steps", "tannery-row", "lantern-hill", "quillmaker-street", "standard deviations of a subgroup", "half-widths"} {
		if strings.Contains(body, code) {
			s.t.Errorf("%s says %q:\n%s", path, code, body)
		}
	}
}
