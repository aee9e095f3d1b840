package watch

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/drink"
)

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K {
	keys := make([]K, 0, len(m)) // called for every shift: no growing
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

// What a subgroup must hold before its spread or its trend is charted: our own
// choice, so that one point is not all noise.
const (
	spreadLeast = 4   // readings
	trendLeast  = 3   // degrees of freedom
	trendSxx    = 2.0 // square hours
	slopesMost  = 20  // shifts that the usual sum of squares is a mean of
)

// closeShift charts the shift.
func (w *Watch) closeShift(s *station, out *Out) {
	at := s.LastAt
	for _, m := range sortedKeys(s.Acc) {
		s.Acc[m].Shifts++
		w.flush(s, m, at, out)
	}
	for _, a := range s.Acc {
		a.endRun() // what goes on in the next shift is another run
	}
	if s.Setting != nil {
		v := s.Dial.step(s.Turned, 1, at, &w.design, w.cfg.Baseline, true)
		w.say(s, SignalSetting, "grind_setting", v, 1, at, out)
		out.Points = append(out.Points, Point{Kind: SignalSetting, Site: s.Site, Station: s.Name, Key: "grind_setting", At: at, N: 1, X: s.Turned})
		s.Turned = 0
	}
	w.closeRates(s, at, out)
	w.closeOld(s, at, out)
	w.closeDesks(s, at, out)
	s.Shifts++
	s.Open, s.Closed, s.Last = false, true, s.Shift
}

// waitShifts is how long a subgroup may wait for readings: what is measured
// seldom is charted with what there is, or a fault would wait for weeks.
const waitShifts = 2

// flush charts a subgroup if it has readings enough, or has waited; else it
// goes on.
func (w *Watch) flush(s *station, measure string, at time.Time, out *Out) {
	a := s.Acc[measure]
	if a == nil || a.N == 0 || a.N < w.cfg.MinN && a.Shifts < waitShifts {
		return
	}
	c := s.Charts[measure]
	if c == nil {
		c = &charts{}
		s.Charts[measure] = c
	}
	unit := a.Half / float64(a.N)
	c.Groups++
	c.Reads += a.N
	point := func(k SignalKind, x float64) {
		out.Points = append(out.Points, Point{Kind: k, Site: s.Site, Station: s.Name, Key: measure, At: at, N: a.N, X: x})
	}
	w.contrast(s, c, measure, a, unit, at, out)
	point(SignalLevel, a.Mean)
	w.say(s, SignalLevel, measure, c.Level.step(a.Mean, a.N, at, &w.design, w.cfg.Baseline, true), unit, at, out)

	if a.N >= spreadLeast {
		if c.WithinDF >= spreadLeast*w.cfg.Baseline/2 && c.WithinSS > 0 {
			f := a.M2 / float64(a.N-1) / (c.WithinSS / float64(c.WithinDF))
			x := fromTail(distuv.F{D1: float64(a.N - 1), D2: float64(c.WithinDF)}.Survival(f))
			point(SignalSpread, x)
			w.say(s, SignalSpread, measure, c.Spread.step(x, a.N, at, &w.design, w.cfg.Baseline, false), 0, at, out)
		}
		// A spread that has grown must not become the yardstick.
		if c.Spread.Up.Sum < w.design.H1/2 && c.Spread.Said == 0 {
			c.WithinSS += a.M2
			c.WithinDF += a.N - 1
		}
	}
	a.endRun()
	if a.Slopes > 0 {
		c.Slopes++
		c.Sxx += (a.Sxx - c.Sxx) / float64(min(c.Slopes, slopesMost))
	}
	// A slope over little time is mostly noise beside those of whole shifts; one
	// chart holds only what is about as well known.
	if a.Slopes >= trendLeast && a.Sxx >= max(trendSxx, c.Sxx/2) {
		slope := a.Sxy / a.Sxx
		point(SignalTrend, slope)
		w.say(s, SignalTrend, measure, c.Trend.step(slope, a.N, at, &w.design, w.cfg.Baseline, true), unit, at, out)
	}
	lot := ""
	switch {
	case coffee[measure] && byLot[measure]:
		lot = s.CoffeeLot
	case milky[bare(measure)] && byLot[bare(measure)]:
		lot = s.MilkLot
	}
	w.mark(mark{Measure: measure, Site: s.Site, Station: s.Name, No: s.Shift.No, Lot: lot, At: at}, a.N, a.Mean*float64(a.N), a.Half)
	delete(s.Acc, measure)
}

var methods = map[SignalKind]string{
	SignalLevel:   "self-starting CUSUM and single-point limit on shift means, from own target in half-widths of the tolerance; independent normal shifts supposed",
	SignalSpread:  "self-starting one-sided CUSUM on the F score of the spread within a shift; normal readings supposed",
	SignalTrend:   "self-starting CUSUM on the slope within a shift since the last adjustment; independent normal slopes supposed",
	SignalSetting: "self-starting CUSUM on the turn of the grinder's dial a shift; independent normal turns supposed",
	SignalSite:    "self-starting CUSUM on the site's shift less the median of the other sites; independent normal shifts supposed",
	SignalChain:   "self-starting CUSUM on the median of the sites' shifts; independent normal shifts supposed",
	SignalVessel:  "self-starting CUSUM on the site's drinks in one vessel less the median of the other sites, by shift; independent normal shifts supposed",
	SignalPeer:    "self-starting CUSUM on the station's shift less that of others at the same time; independent normal shifts supposed",
	SignalPump:    "CUSUM and single-point limit on readings, against all of the chain before; independent normal readings supposed",
}

// say turns the outcome of a station's chart into a signal. unit is the
// half-width of the tolerance in the measure's base unit.
func (w *Watch) say(s *station, kind SignalKind, measure string, v verdictOf, unit float64, at time.Time, out *Out) {
	if v.dir == 0 {
		return
	}
	sig := w.fromChart(kind, measure, v, unit, at)
	sig.Site, sig.Station, sig.CoffeeLot, sig.MilkLot, sig.Release = s.Site, s.Name, s.CoffeeLot, s.MilkLot, 0
	sig.Where = []Where{{s.Site, s.Name, v.before.Mean, v.after, v.before.sd()}}
	sig.Words = placeName(s.Site, s.Name) + ": " + sig.Words
	out.signal(sig)
}

func (w *Watch) fromChart(kind SignalKind, measure string, v verdictOf, unit float64, at time.Time) Signal {
	sig := Signal{Kind: kind, Method: methods[kind], Measure: measure, Direction: v.dir, Began: v.began, Seen: at,
		N: v.reads, Before: v.before.Mean, After: v.after, SD: v.before.sd(), P: v.p, RunLength: w.design.RunLength,
		Again: v.again, Moved: (v.after - v.before.Mean) * unit, Sure: sure(v.p)}
	what := map[SignalKind]string{SignalLevel: "level", SignalSpread: "spread within the shift", SignalTrend: "drift an hour since the last adjustment",
		SignalSetting: "turn of the dial a shift", SignalSite: "level against the other sites", SignalChain: "level at all sites",
		SignalVessel: "level against the other sites", SignalPeer: "level against others at the same time", SignalPump: "what the pump gives"}[kind]
	size := fmt.Sprintf("%.1f standard deviations of a subgroup", math.Abs(v.after-v.before.Mean)/max(v.before.sd(), 1e-12))
	if unit > 0 {
		size = moved(sig.Moved, unitOf(measure)) + ", " + size
	}
	sig.Words = fmt.Sprintf("%s: %s %s by %s, since about %s (%d readings); %s (p %.1g)",
		label(measure), what, upDown(v.dir), size, v.began.Format("2006-01-02 15:04"), v.reads, sig.Sure, v.p)
	return sig
}

func label(measure string) string {
	if measure == "grind_setting" {
		return "grinder setting"
	}
	name := measure
	if m := drink.MeasureByCode(bare(measure)); m != nil {
		name = m.Label
	}
	if bare(measure) != measure {
		name += " of servings with syrup"
	}
	return name
}

func unitOf(measure string) string {
	if m := drink.MeasureByCode(bare(measure)); m != nil {
		return m.Unit.Symbol()
	}
	return ""
}
