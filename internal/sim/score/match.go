package score

import (
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// alarm is what the score needs of one signal.
type alarm struct {
	kind                        watch.SignalKind
	site, station, barista, lot string
	measure, finding            string
	where                       []string // stations, as site/station
	told                        int      // shift, counted from the season's first
	at                          time.Time
	direction                   int
	rule                        bool
	z                           float64 // plain charts: sigmas off the centre line
	inCase                      string
}

// rule says which signals are about a fault: those on one of the measures, or
// of one of the kinds.
type rule struct {
	measures []string
	kinds    []watch.SignalKind
	finding  string // prefix, for findings by rule
	// person, lot: what the finest place is, else the station or site of the
	// truth.
	person, lot bool
	// onlyPerson: the right site alone is no detection.
	onlyPerson bool
	// way is in which direction a level moves by the fault, by measure; an alarm
	// the other way is not about it.
	way map[string]int
}

var (
	cupMeasures  = []string{"cup_mass", "cup_mass@syrup", "froth_depth", "froth_above_rim"}
	shotMeasures = []string{"shot_time", "grind_setting"}
	asked        = rule{kinds: []watch.SignalKind{watch.SignalQuestion}, person: true, onlyPerson: true}
)

// rules are fixed by what each fault does in the world, not by what the watch
// is good at.
var rules = map[season.Fault]rule{
	season.DullBurr:        {measures: shotMeasures, way: map[string]int{"shot_time": -1}},
	season.CupSubstitution: {measures: cupMeasures, way: map[string]int{"cup_mass": -1, "cup_mass@syrup": -1}},
	season.MilkLot:         {measures: cupMeasures, lot: true, way: map[string]int{"cup_mass": 1, "cup_mass@syrup": 1, "froth_depth": -1}},
	season.PumpShort:       {measures: []string{"powder", "syrup_pumps", "cup_mass@syrup"}, way: map[string]int{"powder": -1, "cup_mass@syrup": -1}},
	season.StaleSpec:       {measures: []string{"milk_temp"}, kinds: []watch.SignalKind{watch.SignalStale}},
	season.ProbeDropped:    {measures: []string{"milk_temp"}, way: map[string]int{"milk_temp": -1}},
	season.Overstretch:     {measures: cupMeasures, person: true, way: map[string]int{"cup_mass": -1, "cup_mass@syrup": -1, "froth_depth": 1}},
	season.FakeCopies:      asked,
	season.FakeHeaps:       asked,
	season.FakeReplays:     asked,
	season.FakeRows:        asked,
	season.FakePasses:      asked,
	season.WrongLot:        {measures: shotMeasures, way: map[string]int{"shot_time": -1}},
	season.OverlayMissing:  {finding: "garnish"},
	season.HonestOutlier:   asked,
}

// causeWords are the watch's words for the causes of the truth.
var causeWords = map[string]watch.Cause{
	"burr_wear": watch.CauseGrinder, "cup_substitution": watch.CauseCups, "milk_lot": watch.CauseMilkLot,
	"pump_delivery": watch.CausePump, "stale_spec": watch.CauseStale, "probe_bias": watch.CauseProbe,
	"barista_technique": watch.CauseBarista, "fabricated_log": watch.CauseLog, "wrong_coffee_lot": watch.CauseCoffeeLot,
	"overlay_missing": watch.CauseOverlay,
}

// about says whether an alarm is about what a fault changes.
func (r *rule) about(a *alarm) bool {
	switch {
	case slices.Contains(r.kinds, a.kind):
		return true
	case r.finding != "" && strings.HasPrefix(a.finding, r.finding):
		return true
	case a.kind == watch.SignalSafety || a.kind == watch.SignalQuestion || a.kind == watch.SignalStale:
		// One hot jug is no sign of a probe; a question is about a log.
		return false
	}
	if way := r.way[a.measure]; way != 0 && a.kind != watch.SignalSpread && a.kind != watch.SignalTrend && a.direction == -way {
		return false
	}
	return slices.Contains(r.measures, a.measure)
}

// place says whether an alarm names the right place: right for the site, exact
// for the finest place that the truth knows.
func (r *rule) place(t *season.Truth, a *alarm) (right, exact bool) {
	struck := a.site != "" && (a.site == t.Site || slices.Contains(t.Sites, a.site))
	switch {
	case r.person:
		exact = a.barista != "" && a.barista == t.Barista
		return exact || !r.onlyPerson && struck && a.barista == "", exact
	case r.lot:
		exact = t.Lot != "" && a.lot == t.Lot
		return exact || struck && a.barista == "", exact
	case a.barista != "":
		return false, false
	case t.Station != "":
		// A lot's signal that rests on this one station alone names it.
		exact = struck && a.station == t.Station || len(a.where) == 1 && a.where[0] == t.Site+"/"+t.Station
		return exact || struck && a.station == "", exact
	}
	return struck, struck
}

// window is the shifts in which an alarm can be about the fault; a day is left
// after its end for what is compared once a day.
type window struct {
	first, last int
	from        time.Time
}

func windowOf(t *season.Truth, start time.Time) window {
	return window{first: shiftIndex(start, t.OnsetShift), last: indexAt(start, t.End) + shiftsADay, from: t.Onset}
}

func (w window) holds(a *alarm) bool {
	return a.told >= w.first && a.told <= w.last && !a.at.Before(w.from)
}

const (
	shiftsADay = 2
	// secondShift is when the second shift begins at the simulated sites.
	secondShift = 14*time.Hour + 30*time.Minute
	monthDays   = 28
)

func shiftIndex(start time.Time, s watch.Shift) int {
	return int(s.Day.Sub(start)/(24*time.Hour))*shiftsADay + s.No - 1
}

// indexAt is the shift of an instant; the hours after closing belong to the
// last shift of the day.
func indexAt(start, at time.Time) int {
	since := at.Sub(start)
	day := int(since / (24 * time.Hour))
	if since%(24*time.Hour) >= secondShift {
		return day*shiftsADay + 1
	}
	return day * shiftsADay
}

// found is what one detector made of a fault.
type found struct {
	hit, exact bool
	// delay in shifts, the shift of the onset being 1; told is the shift.
	delay, told int
	// byCase counts the hits of each case.
	byCase map[string]int
}

// find looks for alarms about the fault of t, in the right place and in time.
func find(t *season.Truth, start time.Time, alarms []alarm) found {
	var f found
	r, ok := rules[t.Fault]
	if !ok {
		return f
	}
	w := windowOf(t, start)
	for i := range alarms {
		a := &alarms[i]
		if !w.holds(a) || !r.about(a) {
			continue
		}
		right, exact := r.place(t, a)
		if !right {
			continue
		}
		if !f.hit || a.told < f.told {
			f.told = a.told
		}
		f.hit, f.exact = true, f.exact || exact
		if a.inCase != "" {
			if f.byCase == nil {
				f.byCase = map[string]int{}
			}
			f.byCase[a.inCase]++
		}
	}
	if f.hit {
		f.delay = f.told - w.first + 1
	}
	return f
}

// counts says whether an alarm is one of chance: findings by rule are certain
// and ring whatever the limits are.
func (a *alarm) counts() bool { return !a.rule && a.kind != watch.SignalSafety }

// elsewhere counts episodes of chance that began since the onset and name no
// struck site.
func elsewhere(t *season.Truth, start time.Time, alarms []alarm) int {
	n, r, first := 0, rules[t.Fault], shiftIndex(start, t.OnsetShift)
	for _, a := range begins(alarms, (*alarm).counts) {
		if a.told < first || a.site != "" && (a.site == t.Site || slices.Contains(t.Sites, a.site)) {
			continue
		}
		if right, _ := r.place(t, a); !right {
			n++
		}
	}
	return n
}
