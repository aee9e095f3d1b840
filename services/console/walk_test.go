package console

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	seasonsim "samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
)

var allFaults = flag.Bool("faults", false, "walk to every fault; without it to a few")

// walk is a season with one fault, by a seed at which the watch finds it: how
// often it does is what the score of internal/sim/score is about.
type walk struct {
	fault seasonsim.Fault
	seed  uint64
	// sites and stations of the season; 4 and 1 if 0.
	sites, stations int
	// cause that the watch should name first; empty where nothing is to be found.
	cause watch.Cause
	// usual walks are done without -faults too.
	usual bool
	// person is whether the case names whose drinks moved.
	person bool
	// lot is whether it is about a lot that the watch named.
	lot bool
}

var walks = []walk{
	{fault: seasonsim.DullBurr, seed: 6, cause: watch.CauseGrinder},
	{fault: seasonsim.CupSubstitution, seed: 3, cause: watch.CauseCups},
	{fault: seasonsim.MilkLot, seed: 2, cause: watch.CauseMilkLot, lot: true},
	{fault: seasonsim.PumpShort, seed: 3, cause: watch.CausePump, usual: true},
	{fault: seasonsim.StaleSpec, seed: 3, cause: watch.CauseStale},
	{fault: seasonsim.ProbeDropped, seed: 3, cause: watch.CauseProbe, usual: true},
	// It is found at the station; the case tells the person from others there.
	{fault: seasonsim.Overstretch, seed: 3, cause: watch.CauseAir, person: true},
	{fault: seasonsim.FakeCopies, seed: 3, cause: watch.CauseLog, usual: true},
	{fault: seasonsim.WrongLot, seed: 2, cause: watch.CauseCoffeeLot},
	{fault: seasonsim.OverlayMissing, seed: 1, cause: watch.CauseOverlay},
	{fault: seasonsim.HonestOutlier, seed: 3},
	{fault: seasonsim.NoFault, seed: 3},
}

// mostClicks from the morning page to where the fault is said in words.
const mostClicks = 3

// TestFromTheMorningPageToTheFault goes from / alone to each fault that the watch
// found. With SAMECUP_SHOTS it leaves pictures of each step there.
func TestFromTheMorningPageToTheFault(t *testing.T) {
	for _, w := range walks {
		if !w.usual && !*allFaults {
			continue
		}
		t.Run(string(w.fault), func(t *testing.T) {
			ctx := browser(t) // one each, since it is limited in time
			if w.sites == 0 {
				w.sites, w.stations = 4, 1
			}
			f := walkSeason(t, seasonsim.Config{Seed: w.seed, Fault: w.fault, Sites: w.sites, Stations: w.stations})
			s := &stepper{t: t, ctx: ctx, name: string(w.fault), base: openDesk(t, f.chain, f.told).srv.URL}
			s.do("sign in", signIn(s.base, f.tokens["lea"]))
			s.look("today")
			switch w.cause {
			case "":
				s.nothing(f)
			case watch.CauseLog:
				s.question(f)
			default:
				s.toCase(f, w)
			}
			if s.clicks > mostClicks {
				t.Errorf("it took %d clicks; want %d at most", s.clicks, mostClicks)
			}
		})
	}
}

// stepper counts the clicks of a walk.
type stepper struct {
	t          *testing.T
	ctx        context.Context
	name, base string
	clicks     int
}

func (s *stepper) do(what string, steps ...chromedp.Action[chromedp.Void]) {
	s.t.Helper()
	ctx, cancel := context.WithTimeout(s.ctx, stepWait)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		s.t.Fatalf("%s: %v; the page says:\n%s", what, err, s.text())
	}
}

func (s *stepper) click(css, then string) {
	s.t.Helper()
	s.clicks++
	s.do(fmt.Sprintf("click %d, %s", s.clicks, css), chromedp.Click(chromedp.CSS(css)), chromedp.WaitVisible(chromedp.CSS(then)))
}

// text of the page, without what is not shown.
func (s *stepper) text() string {
	s.t.Helper()
	body, err := chromedp.Run(s.ctx, chromedp.Evaluate[string](`document.querySelector("main").innerText`))
	if err != nil {
		s.t.Fatal(err)
	}
	return body
}

func (s *stepper) says(words ...string) {
	s.t.Helper()
	body := s.text()
	for _, w := range words {
		if !strings.Contains(strings.ToLower(body), strings.ToLower(w)) {
			s.t.Errorf("the page lacks %q:\n%s", w, body)
		}
	}
}

func (s *stepper) has(css string) bool {
	s.t.Helper()
	n, err := chromedp.Run(s.ctx, chromedp.Evaluate[int](fmt.Sprintf("document.querySelectorAll(%q).length", css)))
	if err != nil {
		s.t.Fatal(err)
	}
	return n > 0
}

// look takes the picture of a step, on a laptop in light and on a phone in dark.
func (s *stepper) look(step string) {
	s.t.Helper()
	shots := os.Getenv("SAMECUP_SHOTS")
	if shots == "" {
		return
	}
	for _, screen := range []struct {
		name, scheme  string
		width, height int64
		how           []chromedp.EmulateViewportOption
	}{{"phone", "dark", 390, 844, []chromedp.EmulateViewportOption{chromedp.EmulateMobile}}, {"laptop", "light", 1280, 800, nil}} {
		s.do("set the screen", chromedp.EmulateViewport(screen.width, screen.height, screen.how...), scheme(screen.scheme))
		pic, err := chromedp.Run(s.ctx, chromedp.FullScreenshot(100))
		if err != nil {
			s.t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(shots, fmt.Sprintf("walk-%s-%d-%s-%s.png", s.name, s.clicks, step, screen.name)), pic, 0o600); err != nil {
			s.t.Fatal(err)
		}
	}
}

// foundCase is the open case that tells of the fault: at a place that it struck,
// begun about when it did, with its cause first. A change that is estimated from
// noisy days may seem to begin some days before it did.
func (f *faultSeason) foundCase(t *testing.T, cause watch.Cause) *pb.Case {
	t.Helper()
	res, err := pb.NewCaseServiceClient(f.qc).ListCases(f.asAdmin(t.Context()), &pb.ListCasesRequest{PageSize: 100, OpenOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	struck := append(slices.Clone(f.truth.Sites), f.truth.Site)
	for _, k := range res.Cases {
		at := len(k.Sites) > 0 && slices.ContainsFunc(k.Sites, func(s string) bool { return slices.Contains(struck, s) })
		began := k.BeganTime.AsTime()
		// One hot jug is a safety case, and no sign of anything else.
		if k.MergedInto == "" && k.Risk != pb.CaseRisk_CASE_RISK_SAFETY && at && len(k.Suspects) > 0 && k.Suspects[0].Cause == string(cause) && began.After(f.truth.Onset.Add(-4*24*time.Hour)) && began.Before(f.truth.End) {
			return k
		}
	}
	for _, k := range res.Cases {
		t.Logf("open: %s %s, began %s", k.Id, k.Title, k.BeganTime.AsTime().Format(time.DateOnly))
	}
	t.Fatalf("by this seed the watch did not find the fault: %+v", f.truth)
	return nil
}

// toCase goes from the morning page to the case, over the list where the morning
// page leaves it out.
func (s *stepper) toCase(f *faultSeason, w walk) {
	k := f.foundCase(s.t, w.cause)
	row := `a[href="` + caseLink(k.Id) + `"]`
	if !s.has("#cases " + row) {
		s.click(`main a[href="/cases"]`, "#cases "+row)
		s.look("cases")
	}
	s.click("#cases "+row, "#stands")
	s.look("case")
	words := []string{"What to check, in order", causeWord(string(w.cause)), k.Suspects[0].Check}
	if w.person {
		words = append(words, "in drinks made by "+f.truth.Barista, "not of blame")
	}
	if w.lot {
		words = append(words, "without it", "with it", "limits from its own past")
	}
	for _, id := range k.Sites {
		if id == f.truth.Site || slices.Contains(f.truth.Sites, id) {
			words = append(words, siteName(id))
			break
		}
	}
	s.says(words...)
	s.evidence(k)
}

// evidence opens the builds beneath the case, or the station's day, as somebody
// would who does not believe it.
func (s *stepper) evidence(k *pb.Case) {
	for _, e := range []struct{ css, then string }{
		{`#evidence tbody a[href^="/builds"]`, "#builds"}, {`#evidence tbody a[href^="/stations"]`, "main h1"},
	} {
		if s.has(e.css) {
			s.click(e.css, e.then)
			s.look("evidence")
			if s.has("#builds") && !s.has("#builds tbody th a") {
				s.t.Errorf("no build lies beneath the evidence of case %s", k.Id)
			}
			return
		}
	}
}

// question goes to what is to be asked about a log.
func (s *stepper) question(f *faultSeason) {
	res, err := pb.NewCaseServiceClient(f.qc).ListQuestions(f.asAdmin(s.t.Context()), &pb.ListQuestionsRequest{PageSize: 100})
	if err != nil {
		s.t.Fatal(err)
	}
	i := slices.IndexFunc(res.Questions, func(q *pb.Question) bool { return strings.Contains(q.Text, f.truth.Barista) })
	if i < 0 {
		s.t.Fatalf("by this seed no question is asked about the log: %+v", f.truth)
	}
	s.click(`main a[href="/questions"]`, "#questions")
	s.look("questions")
	s.says("never an accusation", f.truth.Barista)
	s.click(`#questions a[href="`+caseLink(res.Questions[i].CaseId)+`"]`, "#stands")
	s.look("case")
	s.says(f.truth.Barista, causeWord(string(watch.CauseLog)))
}

// nothing wants no question about an honest log: whoever is steady, or was cut
// off for long, must not be asked why. Cases that chance opens are told as such
// by how sure they are.
func (s *stepper) nothing(f *faultSeason) {
	if who := f.truth.Barista; who != "" && strings.Contains(s.text(), who) {
		s.t.Errorf("the morning page names %s, whose log is honest:\n%s", who, s.text())
	}
	res, err := pb.NewCaseServiceClient(f.qc).ListQuestions(f.asAdmin(s.t.Context()), &pb.ListQuestionsRequest{PageSize: 100})
	if err != nil {
		s.t.Fatal(err)
	}
	for _, q := range res.Questions {
		s.t.Errorf("a question about an honest log: %s", q.Text)
	}
	s.says("how sure")
}

// siteName is a site as walkSeason names it.
func siteName(id string) string {
	name := strings.ReplaceAll(id, "-", " ")
	return strings.ToUpper(name[:1]) + name[1:]
}
