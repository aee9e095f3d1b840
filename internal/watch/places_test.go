package watch

import (
	"strings"
	"testing"
)

func TestPlacesAreComparedWithWhatIsLikeThem(t *testing.T) {
	const site, bar, from = "tannery-row", "bar-2", 12
	odd := func(b *Build) bool { return b.ID[len(b.ID)-1]%2 == 1 }
	for _, tc := range []struct {
		name   string
		bend   func(w *world, b *Build, day int)
		holds  func(Signal) bool
		within int
		cause  Cause
	}{
		{"smaller cups of one size at one site", func(_ *world, b *Build, day int) {
			b.Vessel = "c240"
			if odd(b) {
				b.Vessel = "c350"
				if day >= from && b.Site == site {
					move(b, "cup_mass", -1.2)
				}
			}
		}, func(s Signal) bool {
			return s.Kind == SignalVessel && s.Vessel == "c350" && s.Site == site && s.Direction < 0
		}, 3, CauseCups},
		{"a probe that drops on the day of a release", func(_ *world, b *Build, day int) {
			if day >= from {
				b.Release = 2
				for i := range b.Readings {
					if r := &b.Readings[i]; r.Measure == "milk_temp" {
						r.Target, r.Low, r.High, r.Value = r.Target-2, r.Low-2, r.High-2, r.Value-2
					}
				}
				if b.Site == site && b.Station == bar {
					move(b, "milk_temp", -1)
				}
			}
		}, func(s Signal) bool { return s.Kind == SignalPeer && s.Measure == "milk_temp" && s.Station == bar }, 3, CauseProbe},
		{"a grinder that wears while lots come and go", func(_ *world, b *Build, day int) {
			b.CoffeeLot = "lot-" + string(rune('a'+day/5))
			move(b, "shot_time", []float64{0, 0.4, -0.3, 0.2, -0.4, 0.3}[day/5]) // what the lots do to all
			if day >= from && b.Site == site && b.Station == bar {
				move(b, "shot_time", -0.08*float64(day-from))
			}
		}, func(s Signal) bool { return s.Kind == SignalPeer && s.Measure == "shot_time" && s.Site == site }, 12, CauseGrinder},
		{"a pump that is weighed once in some shifts", func(w *world, b *Build, day int) {
			if w.rng.IntN(12) == 0 {
				r := Reading{Measure: "powder", Check: "sauce", Occurrence: 1, Value: 20 + 0.6*w.rng.NormFloat64(), Target: 20, Low: 17, High: 23, Resolution: 1}
				if day >= from && b.Site == site && b.Station == bar {
					r.Value -= 4
				}
				b.Readings = append(b.Readings, r)
			}
		}, func(s Signal) bool { return s.Kind == SignalPump && s.Station == bar && s.Direction < 0 }, 4, CausePump},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w, wt, cs := newWorld(21), newWatch(t), NewCases()
			w.bend = tc.bend
			out := w.run(t, wt, cs, 0, 24)
			start := day0.AddDate(0, 0, from)
			s, ok := first(out.Signals, func(s Signal) bool { return tc.holds(s) && !s.Seen.Before(start) })
			if !ok {
				for _, s := range out.Signals {
					t.Log(s.Kind, s.Words)
				}
				t.Fatal("not told")
			}
			t.Log(s.Words)
			if d := s.Seen.Sub(start).Hours() / 24; d > float64(tc.within) {
				t.Errorf("told after %.1f days, want at most %d", d, tc.within)
			}
			found := false
			for _, k := range cs.All() {
				found = found || k.Merged == "" && strings.Contains(strings.Join(sortedKeys(k.Sites), " "), site) && k.Suspects[0].Cause == tc.cause
			}
			if !found {
				for _, k := range cs.All() {
					t.Log(k.Title, k.Sites)
				}
				t.Errorf("no case names %q first", tc.cause)
			}
			if n := count(out.Signals, func(s Signal) bool { return tc.holds(s) && s.Seen.Before(start) }); n > 0 {
				t.Errorf("%d such signals before the fault", n)
			}
		})
	}
}

func TestWhichOfTwoStationsMovedIsNotGuessed(t *testing.T) {
	w := newWatch(t)
	a, b := &mark{Site: "tannery-row", Station: "bar-1"}, &mark{Site: "tannery-row", Station: "bar-2"}
	set := func(m *mark, up, down float64) {
		w.station(m.Site, m.Station).Charts["shot_time"] = &charts{Level: chart{Up: side{Sum: up}, Down: side{Sum: down}}}
	}
	for _, tc := range []struct {
		name                   string
		aUp, aDown, bUp, bDown float64
		dir, want              int
	}{
		{"nothing known", 0, 0, 0, 0, 1, 2},
		{"the first went up", 5, 0, 0, 0, 1, 0},
		{"the second went down", 0, 0, 0, 5, 1, 1},
		{"both went up, as with a lot", 6, 0, 5, 0, 1, 2},
		{"the first went down", 0, 5, 0, 0, -1, 0},
		{"the second went up", 0, 0, 5, 0, -1, 1},
	} {
		set(a, tc.aUp, tc.aDown)
		set(b, tc.bUp, tc.bDown)
		if got := w.which(a, b, "shot_time", tc.dir); got != tc.want {
			t.Errorf("%s: %d, want %d", tc.name, got, tc.want)
		}
	}
}

// TestWhatPlacesTellCanBeClosed sees that the points of a chart reach the test
// that its signal sets: a case must be able to end.
func TestWhatPlacesTellCanBeClosed(t *testing.T) {
	at := day0
	w := newWatch(t)
	var out Out
	w.compareSites(SignalVessel, "cup_mass", "c350", []*mark{
		{Site: "lantern-hill", weighted: weighted{4, 0, 40}}, {Site: "oyster-steps", weighted: weighted{4, 0, 40}}, {Site: "tannery-row", weighted: weighted{4, -4, 40}}}, at, &out)
	w.compareSisters("shot_time", []*mark{{Site: "tannery-row", Station: "bar-1", weighted: weighted{4, 4, 40}}, {Site: "tannery-row", Station: "bar-2", weighted: weighted{4, 0, 40}}}, at, &out)
	w.st.Pumped = []pumped{{place: place{at, "b1"}, Site: "tannery-row", Station: "bar-1", Measure: "powder", Drink: "chai", U: -2, Half: 3}}
	w.comparePumps(&out)
	for _, s := range []Signal{
		{Kind: SignalVessel, Site: "tannery-row", Measure: "cup_mass", Vessel: "c350"},
		{Kind: SignalPeer, Site: "tannery-row", Measure: "shot_time"},
		{Kind: SignalPeer, Site: "tannery-row", Station: "bar-1", Measure: "shot_time"},
		{Kind: SignalPeer, Site: "tannery-row", Station: "bar-2", Measure: "shot_time"},
		{Kind: SignalPump, Site: "tannery-row", Station: "bar-1", Measure: "powder", Serving: "chai"},
	} {
		var k Case
		k.test(&s)
		if n := len(k.Tests); n != 1 {
			t.Fatalf("%s: %d tests, want 1", s.Kind, n)
		}
		hits := 0
		for _, p := range out.Points {
			if c := k.Tests[0]; c.Kind == p.Kind && c.Key == p.Key && c.Site == p.Site && c.Station == p.Station {
				hits++
			}
		}
		if hits != 1 {
			t.Errorf("%s at %q: %d points reach the test, want 1", s.Kind, s.Station, hits)
		}
	}
}
