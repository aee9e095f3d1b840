package watch

import (
	"math"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// Faults begin on this day; all runs end by lastDay.
const onset, lastDay = 20, 34

// kinds of finding that a fault may be told by, with where and what.
type told struct {
	kind          SignalKind
	site, station string
	measure       string
	direction     int
	lot, barista  string
	release       uint64
}

func (e told) is(s Signal) bool {
	return s.Kind == e.kind && (e.site == "" || s.Site == e.site) && (e.station == "" || s.Station == e.station) && (e.measure == "" || s.Measure == e.measure) &&
		(e.direction == 0 || s.Direction == e.direction) && (e.lot == "" || s.Lot == e.lot) && (e.barista == "" || s.Barista == e.barista) && (e.release == 0 || s.Release == e.release)
}

func TestEachFaultIsToldWhereItIs(t *testing.T) {
	const site, bar = "tannery-row", "bar-1"
	for _, tc := range []struct {
		name   string
		bend   func(w *world, b *Build, day int)
		events func(s, b string, day, shift int, at time.Time) []Event
		want   told
		within int // days from onset to the first such signal
		cause  Cause
	}{
		{"a dull burr speeds the shots and spreads them", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, bar) {
				move(b, "shot_time", -0.08*float64(day-onset)+0.15*w.rng.NormFloat64())
			}
		}, nil, told{kind: SignalLevel, site: site, station: bar, measure: "shot_time", direction: -1}, 8, CauseGrinder},
		{"other cups at one site take mass and depth down", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, "") {
				move(b, "cup_mass", -0.8)
				move(b, "froth_depth", -0.5)
			}
		}, func(s, b string, day, shift int, at time.Time) []Event {
			if day == onset && shift == 1 && s == site && b == "bar-1" {
				return []Event{{Kind: NewCups, At: at, Site: s, Detail: "C350"}}
			}
			return nil
		}, told{kind: SignalSite, site: site, measure: "cup_mass", direction: -1}, 3, CauseCups},
		{"a milk lot at three sites", func(w *world, b *Build, day int) {
			if day >= onset && b.Site != "lantern-hill" {
				b.MilkLot = "ml-2"
				move(b, "froth_depth", -0.8)
			}
		}, nil, told{kind: SignalLot, measure: "froth_depth", direction: -1, lot: "ml-2"}, 2, CauseMilkLot},
		{"a pump that gives short", func(w *world, b *Build, day int) {
			if b.ID[len(b.ID)-1]%3 == 0 {
				b.Serving = "mocha/m/whole"
				b.Readings = append(b.Readings, Reading{Measure: "syrup_pumps", Check: "pumps", Occurrence: 1, Value: 2, Target: 2, Low: 2, High: 2, Resolution: 1})
				if day >= onset && at(b, site, "") {
					move(b, "cup_mass", -0.8)
				}
			}
		}, nil, told{kind: SignalSite, site: site, measure: "cup_mass@syrup", direction: -1}, 5, CausePump},
		{"a station that stays on the old release", func(w *world, b *Build, day int) {
			if day >= onset {
				b.Release = 2
				if at(b, site, bar) {
					b.Release = 1
				}
			}
		}, nil, told{kind: SignalStale, site: site, station: bar}, 2, CauseStale},
		{"a station that names the new release and makes the old target", func(w *world, b *Build, day int) {
			if day >= onset {
				b.Release = 2
				for i := range b.Readings {
					if r := &b.Readings[i]; r.Measure == "yield" {
						r.Target, r.Low, r.High = 39, 37.5, 40.5
						if !at(b, site, bar) {
							r.Value += 3
						}
					}
				}
			}
		}, nil, told{kind: SignalStale, site: site, station: bar, measure: "yield"}, 2, CauseStale},
		{"a probe that reads three degrees low", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, bar) {
				move(b, "milk_temp", -1)
			}
		}, nil, told{kind: SignalLevel, site: site, station: bar, measure: "milk_temp", direction: -1}, 1, CauseProbe},
		{"a barista who puts in too much air", func(w *world, b *Build, day int) {
			if day >= onset && b.By == "ta-2" {
				move(b, "froth_depth", 1.5)
				move(b, "cup_mass", -1)
			}
		}, nil, told{kind: SignalBarista, barista: "ta-2"}, 6, CauseBarista},
		{"a release that moves the cup", func(w *world, b *Build, day int) {
			if day >= onset {
				b.Release = 3
				move(b, "froth_depth", 0.7)
			}
		}, nil, told{kind: SignalRelease, measure: "froth_depth", direction: 1, release: 3}, 2, CauseRelease},
		{"all sites at once", func(w *world, b *Build, day int) {
			if day >= onset {
				move(b, "milk_temp", 0.6)
			}
		}, nil, told{kind: SignalChain, measure: "milk_temp", direction: 1}, 2, CauseChain},
		{"a spread that grows", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, bar) {
				move(b, "dose", 0.9*w.rng.NormFloat64())
			}
		}, nil, told{kind: SignalSpread, site: site, station: bar, measure: "dose", direction: 1}, 4, CauseGrinder},
		{"a dial that is turned finer day by day", nil, func(s, b string, day, shift int, at time.Time) []Event {
			turn := float64((day*7+shift*3)%5-2) * 0.05
			v := 5 + turn
			if day >= onset && s == site && b == bar {
				v -= 0.2 * float64(2*(day-onset)+shift)
			}
			return []Event{{Kind: Adjusted, At: at, Site: s, Station: b, Detail: fmtFloat(v)}}
		}, told{kind: SignalSetting, site: site, station: bar, measure: "grind_setting", direction: -1}, 7, CauseGrinder},
		{"a step that is left out", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, bar) && w.rng.Float64() < 0.3 {
				b.Findings = append(b.Findings, verdict.Finding{Kind: verdict.StepMissing, Criticality: drink.Quality, Step: "purge"})
			}
		}, nil, told{kind: SignalRate, site: site, station: bar}, 3, CauseSlip},
		{"an overlay that is missing", func(w *world, b *Build, day int) {
			if day >= onset && at(b, site, "") && w.rng.Float64() < 0.2 {
				b.Grade = verdict.Unsafe
				b.Findings = append(b.Findings, verdict.Finding{Kind: verdict.GarnishUnexpected, Criticality: drink.Safety, Got: "cocoa-blend"})
			}
		}, nil, told{kind: SignalSafety, site: site}, 1, CauseOverlay},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w, wt, cs := newWorld(11), newWatch(t), NewCases()
			w.bend, w.events = tc.bend, tc.events
			out := w.run(t, wt, cs, 0, lastDay)
			start := day0.AddDate(0, 0, onset)
			s, ok := first(out.Signals, func(s Signal) bool { return tc.want.is(s) && !s.Seen.Before(start) })
			if !ok {
				for _, s := range out.Signals {
					t.Log(s.Kind, s.Words)
				}
				t.Fatalf("no signal %+v", tc.want)
			}
			if d := s.Seen.Sub(start).Hours() / 24; d > float64(tc.within) {
				t.Errorf("told after %.1f days, want at most %d: %s", d, tc.within, s.Words)
			}
			if d := math.Abs(s.Began.Sub(start).Hours() / 24); d > 7 {
				t.Errorf("began estimated %s, truly %s", s.Began, start)
			}
			if s.Words == "" || s.Method == "" || s.Sure == "" || s.N == 0 || s.ID == "" {
				t.Errorf("signal lacks words, method, sureness, n or id: %+v", s)
			}
			var held []Case
			for _, k := range cs.All() {
				if k.Merged == "" && !k.Last.Before(start) {
					held = append(held, k)
				}
			}
			if len(held) == 0 {
				t.Fatal("no case")
			}
			found := false
			for _, k := range held {
				t.Logf("%s %s: %d signals, suspects %v %.2f", k.ID, k.Title, k.Signals, k.Suspects[0].Cause, k.Suspects[0].Weight)
				found = found || k.Suspects[0].Cause == tc.cause
			}
			if !found {
				t.Errorf("no case names %q first", tc.cause)
			}
			t.Log(s.Words)
		})
	}
}
