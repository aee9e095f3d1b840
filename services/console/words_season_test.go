package console

import (
	"strings"
	"testing"

	seasonsim "samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// TestEverySentenceOfASeasonIsUnderstood plays seasons past the watch and wants each
// sentence told anew: where internal/watch words one otherwise, this fails, and the
// page would show the watch's own until words_signal.go has learnt it.
func TestEverySentenceOfASeasonIsUnderstood(t *testing.T) {
	if testing.Short() {
		t.Skip("the seasons take some seconds")
	}
	for _, fault := range []seasonsim.Fault{seasonsim.DullBurr, seasonsim.CupSubstitution, seasonsim.MilkLot, seasonsim.PumpShort, seasonsim.StaleSpec, seasonsim.ProbeDropped, seasonsim.Overstretch,
		seasonsim.FakeCopies, seasonsim.WrongLot, seasonsim.OverlayMissing} {
		t.Run(string(fault), func(t *testing.T) {
			w, err := watch.New(watch.Config{})
			if err != nil {
				t.Fatal(err)
			}
			k := tellerFor(t, "de-DE", true)
			cases := watch.NewCases()
			said, kinds := 0, map[watch.SignalKind]int{}
			hear := func(out watch.Out) {
				for i := range out.Signals {
					s := &out.Signals[i]
					for _, at := range append([]watch.Where{{Site: s.Site}}, s.Where...) {
						if at.Site != "" && k.sites.by[at.Site] == nil {
							k.sites.by[at.Site] = &pb.Site{Id: at.Site, Name: "The bar of " + siteName(at.Site)}
						}
					}
					said++
					kinds[s.Kind]++
					if _, ok := k.sentence(s.Words, true); !ok {
						t.Errorf("%s is not understood: %s", s.Kind, s.Words)
					}
					if got := k.short(s.Words); strings.Contains(got, s.Site+"/") || strings.Contains(got, "half-widths") {
						t.Errorf("%q is told as %q", s.Words, got)
					}
				}
				cases.Take(out)
			}
			_, err = seasonsim.Run(seasonsim.Config{Seed: 2, Fault: fault, Sites: 3, Stations: 2, Start: walkStart, Days: walkDays}, seasonsim.Sink{
				Build: func(b *watch.Build) error {
					out, err := w.Build(b)
					hear(out)
					return err
				},
				Event: func(e watch.Event) error {
					out, err := w.Event(e)
					hear(out)
					cases.Event(e)
					return err
				}})
			if err != nil {
				t.Fatal(err)
			}
			hear(w.CloseDay())
			t.Logf("%d signals: %v", said, kinds)
			if said == 0 {
				t.Error("the watch said nothing")
			}
			for _, c := range cases.All() {
				p := &pb.Case{Title: c.Title, Domain: c.Domain, Suspects: []*pb.CaseSuspect{{Cause: string(c.Suspects[0].Cause)}}}
				for site := range c.Sites {
					p.Sites = append(p.Sites, site)
				}
				for _, code := range []string{"_", "-row", "-steps", "-hill"} {
					if got := caseTitle(p, k.sites); strings.Contains(got, code) {
						t.Errorf("%q is called %q", c.Title, got)
					}
				}
			}
		})
	}
}
