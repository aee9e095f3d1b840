package watch

import (
	"fmt"
	"math"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
)

// day0 is any day.
var day0 = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

var (
	fourSites = []string{"lantern-hill", "oyster-steps", "quillmaker-street", "tannery-row"}
	twoBars   = []string{"bar-1", "bar-2"}
)

// world makes hand-made streams: independent normal readings about the target
// with a level of its own for each shift, so that the truth is known by
// construction. It has nothing to do with the simulator.
type world struct {
	rng      *rand.Rand
	sites    []string
	bars     []string
	people   int // baristas of a site
	perShift int // measured builds a shift
	// between is the SD of shift levels and scale the SD of readings, both in
	// half-widths of the tolerance.
	between, within float64
	// bend changes a build before it is given to the watch; day and shift count
	// from 0 and 1.
	bend func(w *world, b *Build, day int)
	// events are given at the start of a shift.
	events func(site, bar string, day, shift int, at time.Time) []Event
	id     int
}

type spec struct {
	measure            string
	target, half, step float64
}

var specs = []spec{{"dose", 18, 0.3, 0.1}, {"yield", 36, 1.5, 0.1}, {"shot_time", 28, 3, 0.1}, {"milk_temp", 60, 3, 0.1}, {"cup_mass", 280, 10, 1}, {"froth_depth", 12, 2, 0.5}}

func newWorld(seed uint64) *world {
	return &world{rng: rand.New(rand.NewPCG(seed, 7)), sites: fourSites, bars: twoBars, people: 4, perShift: 8, between: 0.15, within: 0.4}
}

func (w *world) shift(day, no int) Shift { return Shift{Day: day0.AddDate(0, 0, day), No: no} }

// stationShift makes the builds of one shift.
func (w *world) stationShift(site, bar string, day, no int) []*Build {
	start := day0.AddDate(0, 0, day).Add(time.Duration(6+7*(no-1)) * time.Hour)
	level := map[string]float64{}
	for _, s := range specs {
		level[s.measure] = w.rng.NormFloat64() * w.between
	}
	var list []*Build
	for i := range w.perShift {
		w.id++
		at := start.Add(time.Duration(i) * 6 * time.Hour / time.Duration(w.perShift))
		b := &Build{ID: fmt.Sprintf("b%06d", w.id), Site: site, Station: bar, By: fmt.Sprintf("%s-%d", site[:2], w.rng.IntN(w.people)),
			Serving: "latte/m/whole", Drink: "latte", Milk: "whole", Release: 1, Shift: w.shift(day, no), Started: at, Entered: at.Add(90 * time.Second),
			Sampled: true, CoffeeLot: "cl-1", MilkLot: "ml-1", Grade: verdict.InSpec}
		for _, s := range specs {
			v := s.target + s.half*(level[s.measure]+w.within*w.rng.NormFloat64())
			b.Readings = append(b.Readings, Reading{Measure: s.measure, Check: s.measure, Occurrence: 1, Value: v, Target: s.target,
				Low: s.target - s.half, High: s.target + s.half, Resolution: s.step, Entered: b.Entered})
		}
		if w.bend != nil {
			w.bend(w, b, day)
		}
		for k := range b.Readings {
			r := &b.Readings[k]
			r.Value = math.Round(r.Value/r.Resolution) * r.Resolution
			if r.Value < r.Low || r.Value > r.High {
				f := verdict.Finding{Kind: verdict.BelowTolerance, Criticality: drink.Quality, Measure: r.Measure, Check: r.Check, Occurrence: 1}
				if r.Value > r.High {
					f.Kind = verdict.AboveTolerance
				}
				b.Findings = append(b.Findings, f)
				b.Grade = max(b.Grade, verdict.OffSpec)
			}
		}
		list = append(list, b)
	}
	return list
}

// run gives days of builds to the watch, and what it yields to the cases.
func (w *world) run(t testing.TB, wt *Watch, cs *Cases, from, to int) Out {
	t.Helper()
	var all Out
	take := func(o Out) {
		all.add(o)
		if cs != nil {
			cs.Take(o)
		}
	}
	for day := from; day < to; day++ {
		for no := 1; no <= 2; no++ {
			for _, site := range w.sites {
				for _, bar := range w.bars {
					list := w.stationShift(site, bar, day, no)
					if w.events != nil {
						for _, e := range w.events(site, bar, day, no, list[0].Started.Add(-time.Minute)) {
							o, err := wt.Event(e)
							if err != nil {
								t.Fatal(err)
							}
							take(o)
							if cs != nil {
								cs.Event(e)
							}
						}
					}
					for _, b := range list {
						o, err := wt.Build(b)
						if err != nil {
							t.Fatal(err)
						}
						take(o)
					}
					take(wt.CloseShift(site, bar, w.shift(day, no)))
				}
			}
		}
	}
	take(wt.CloseDay())
	return all
}

// usual is the design of the zero Config, worked out once.
var usual = sync.OnceValues(func() (*Watch, error) { return New(Config{}) })

func newWatch(t testing.TB) *Watch {
	t.Helper()
	u, err := usual()
	if err != nil {
		t.Fatal(err)
	}
	w := &Watch{cfg: u.cfg, design: u.design}
	w.st.fill()
	return w
}

// move adds half-widths of the tolerance to a measure.
func move(b *Build, measure string, by float64) {
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Measure == measure {
			r.Value += by * (r.High - r.Low) / 2
		}
	}
}

func at(b *Build, site, bar string) bool { return b.Site == site && (bar == "" || b.Station == bar) }

// count counts signals that hold.
func count(list []Signal, holds func(Signal) bool) int {
	n := 0
	for _, s := range list {
		if holds(s) {
			n++
		}
	}
	return n
}

func first(list []Signal, holds func(Signal) bool) (Signal, bool) {
	for _, s := range list {
		if holds(s) {
			return s, true
		}
	}
	return Signal{}, false
}

func fmtFloat(v float64) string { return fmt.Sprintf("%.3f", v) }
