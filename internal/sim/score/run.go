package score

import (
	"fmt"
	"math"
	"sync"
	"time"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// Detectors that are scored, in this order.
const (
	byWatch = iota
	byPlain
	byMeans
	detectors
)

// limits are those of the plain charts, in sigmas.
type limits struct {
	Plain float64 `json:"plain"`
	Means float64 `json:"shift_means"`
}

// meansBaseline is how many shifts set the limits of the chart of shift means:
// as many as the watch waits for.
const meansBaseline = 10

// meansChart is an individuals chart of shift means that is never restarted.
type meansChart struct {
	n                           int
	last, ranges, centre, sigma float64
}

// d2 is the mean range of two normal readings in sigmas.
const d2 = 1.128379

// take gives how many sigmas a shift mean lies above the centre line; 0 while
// the limits are being set.
func (c *meansChart) take(x float64) float64 {
	if c.n < meansBaseline {
		if c.n > 0 {
			c.ranges += math.Abs(x - c.last)
		}
		c.n++
		c.last = x
		c.centre += (x - c.centre) / float64(c.n)
		if c.n == meansBaseline {
			c.sigma = c.ranges / (meansBaseline - 1) / d2
		}
		return 0
	}
	if c.sigma <= 0 {
		return 0
	}
	return (x - c.centre) / c.sigma
}

// listener hears one season.
type listener struct {
	start   time.Time
	watch   *watch.Watch
	cases   *watch.Cases
	plain   *watch.Plain
	limit   limits
	day     time.Time
	shifts  map[string]int // of the last build at a station
	means   map[string]*meansChart
	latest  map[string]int // index into alarms[byPlain] by station and measure
	people  map[string]bool
	alarms  [detectors][]alarm
	joining []watch.Signal
}

// record is what is kept of one run.
type record struct {
	truth           season.Truth
	start           time.Time
	alarms          [detectors][]alarm
	cases           map[string]watch.Case
	stations, sites int
	people, days    int
}

// blank is a snapshot of a watch that has seen nothing: restoring it spares
// working out the limits anew for each run.
var blank = sync.OnceValues(func() ([]byte, error) {
	w, err := watch.New(watch.Config{})
	if err != nil {
		return nil, err
	}
	return w.Snapshot()
})

// hear runs a season past the detectors. Plain charts signal beyond limits.
func hear(cfg season.Config, limit limits) (record, error) {
	data, err := blank()
	if err != nil {
		return record{}, fmt.Errorf("score: %w", err)
	}
	w, err := watch.Restore(data)
	if err != nil {
		return record{}, fmt.Errorf("score: %w", err)
	}
	l := &listener{start: cfg.Start, watch: w, cases: watch.NewCases(), plain: watch.NewPlain(0, limit.Plain), limit: limit,
		shifts: map[string]int{}, means: map[string]*meansChart{}, latest: map[string]int{}, people: map[string]bool{}}
	truth, err := season.Run(cfg, season.Sink{Build: l.build, Event: l.event})
	if err != nil {
		return record{}, fmt.Errorf("score: seed %d, fault %s: %w", cfg.Seed, cfg.Fault, err)
	}
	l.hear(w.CloseDay(), true, nil)
	r := record{truth: truth, start: cfg.Start, alarms: l.alarms, cases: map[string]watch.Case{}, stations: len(l.shifts), sites: cfg.Sites, people: len(l.people), days: cfg.Days}
	for _, c := range l.cases.All() {
		r.cases[c.ID] = c
	}
	return r, nil
}

func (l *listener) build(b *watch.Build) error {
	out, err := l.watch.Build(b)
	if err != nil {
		return err
	}
	newDay := b.Shift.Day.After(l.day)
	l.hear(out, newDay, b)
	if newDay {
		l.day = b.Shift.Day
	}
	k := b.Site + "/" + b.Station
	l.shifts[k] = shiftIndex(l.start, b.Shift)
	if b.By != "" {
		l.people[b.By] = true
	}
	for _, s := range l.plain.Build(b) {
		a := alarm{kind: watch.SignalPlain, site: s.Site, station: s.Station, measure: s.Measure, told: l.shifts[k], at: s.Seen, direction: s.Direction}
		if s.SD > 0 {
			a.z = math.Abs(s.After-s.Before) / s.SD
		}
		l.ring(a, fmt.Sprint(k, "|", s.Measure, s.Direction))
	}
	return nil
}

// ring notes an alarm of the plain chart: one for each chart, side and shift,
// as the watch's charts speak once a shift.
func (l *listener) ring(a alarm, key string) {
	list := l.alarms[byPlain]
	if i, ok := l.latest[key]; ok && list[i].told == a.told {
		list[i].z = max(list[i].z, a.z)
		// A later reading of the shift may be the first after the onset.
		list[i].at = a.at
		return
	}
	l.latest[key] = len(list)
	l.alarms[byPlain] = append(list, a)
}

func (l *listener) event(e watch.Event) error {
	out, err := l.watch.Event(e)
	if err != nil {
		return err
	}
	l.cases.Event(e)
	l.hear(out, false, nil)
	return nil
}

// hear notes what the watch told. b is the build that brought it, if one did,
// before it is counted to its shift; newDay says that a day was closed.
func (l *listener) hear(out watch.Out, newDay bool, b *watch.Build) {
	dayEnd := 0
	if newDay && !l.day.IsZero() {
		dayEnd = shiftIndex(l.start, watch.Shift{Day: l.day, No: shiftsADay})
	}
	for i := range out.Signals {
		s := &out.Signals[i]
		a := alarm{kind: s.Kind, site: s.Site, station: s.Station, barista: s.Barista, lot: s.Lot, measure: s.Measure, finding: s.Finding, at: s.Seen, direction: s.Direction, rule: s.Rule}
		for _, w := range s.Where {
			if w.Station != "" {
				a.where = append(a.where, w.Site+"/"+w.Station)
			}
		}
		// A station's charts speak when its shift is closed, comparisons when
		// the day is, safety at once.
		a.told = dayEnd
		switch s.Kind {
		case watch.SignalSafety:
			if b != nil {
				a.told = shiftIndex(l.start, b.Shift)
			}
		case watch.SignalLevel, watch.SignalSpread, watch.SignalTrend, watch.SignalSetting, watch.SignalRate:
			a.told = l.shifts[s.Site+"/"+s.Station]
		case watch.SignalQuestion:
			if s.Finding == watch.ShiftLook {
				a.told = l.shifts[s.Site+"/"+s.Station]
			}
		case watch.SignalStale:
			if !s.Rule {
				a.told = l.shifts[s.Site+"/"+s.Station]
			}
		}
		l.joining = append(l.joining[:0], *s)
		if changes := l.cases.Take(watch.Out{Signals: l.joining}); len(changes) > 0 {
			a.inCase = changes[0].Case
		}
		l.alarms[byWatch] = append(l.alarms[byWatch], a)
	}
	for _, p := range out.Points {
		if p.Kind != watch.SignalLevel {
			continue
		}
		k := p.Site + "/" + p.Station
		c := l.means[k+"|"+p.Key]
		if c == nil {
			c = &meansChart{}
			l.means[k+"|"+p.Key] = c
		}
		if z := c.take(p.X); math.Abs(z) > l.limit.Means {
			l.alarms[byMeans] = append(l.alarms[byMeans], alarm{kind: watch.SignalPlain, site: p.Site, station: p.Station, measure: p.Key, told: l.shifts[k], at: p.At, direction: int(math.Copysign(1, z)), z: math.Abs(z)})
		}
	}
}

// root follows a case to the one that it was merged into.
func (r *record) root(id string) string {
	for range len(r.cases) {
		into := r.cases[id].Merged
		if into == "" {
			break
		}
		id = into
	}
	return id
}

// cause is the likeliest cause of the case that holds most of the hits; of
// equals the one opened first.
func (r *record) cause(f found) watch.Cause {
	byRoot := map[string]int{}
	for id, n := range f.byCase {
		byRoot[r.root(id)] += n
	}
	best := ""
	for id, n := range byRoot {
		if best == "" || n > byRoot[best] || n == byRoot[best] && id < best {
			best = id
		}
	}
	if s := r.cases[best].Suspects; len(s) > 0 {
		return s[0].Cause
	}
	return ""
}
