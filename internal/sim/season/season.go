// Package season answers one question: what would four weeks of a whole chain
// look like to those who watch it, if we knew what was wrong?
//
// It simulates every drink of the invented chain Harbour & Finch: grinders that
// warm up, air that grows damp, people who learn, milk, cups, instruments that
// are wrong in their own ways, checks that are not done. One fault at most is
// injected into a run; the truth about it comes back apart from the stream, and
// no detector may see it. All parameters are invented (params.json); those of
// heldout.json are for a last score.
//
// Two runs that differ only in the fault make the same draws, so what the fault
// did can be told build by build.
package season

import (
	"errors"
	"fmt"
	"math"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/watch"
)

// Config describes a run.
type Config struct {
	Seed uint64
	// Fault to inject; empty means [NoFault].
	Fault Fault
	// Params of the model; the zero Params means [Default].
	Params Params
	// Days of the season, 7 to 366; 0 means 28.
	Days int
	// Sites, 2 to 6, and Stations at each, 1 to 4; 0 means 6 and 2.
	Sites, Stations int
	// Start is midnight UTC of the first day; zero means 1 March 2027, a Monday.
	// Sites live by UTC.
	Start time.Time
}

// Sink takes what a run makes, in order of true time. A nil function is not
// called; an error ends the run and is returned from it.
//
// The pointers are to memory that is used again, readings, findings and all:
// copy what must be kept.
type Sink struct {
	Build func(*watch.Build) error
	Event func(watch.Event) error
	// Truth is called just before Build, with the same build. Without it the
	// milk of builds that nobody measures is not worked out, which is faster.
	Truth func(*BuildTruth) error
}

// Times in seconds.
const (
	day       = 86_400.0
	opening   = 6.5 * 3600
	shiftLong = 8 * 3600.0
	shifts    = 2
)

// run is one season in progress.
type run struct {
	p        *Params
	menu     *menu
	key      uint64
	days     int
	start    time.Time
	d        *dice
	sites    []*site
	stations []*station
	staff    []*barista
	// releaseDay is the day on which all sites but a stale one go over to the
	// second release, at opening.
	releaseDay float64
	fault      injection
	whole      Truth
	sink       Sink

	build   watch.Build
	truth   BuildTruth
	logged  drink.Build
	verdict verdict.Verdict
}

// Run simulates a season and returns the truth about it.
func Run(cfg Config, sink Sink) (Truth, error) {
	r, err := newRun(cfg, sink)
	if err != nil {
		return Truth{}, err
	}
	for {
		// The next thing of all stations; events come before builds.
		next, at, isEvent := (*station)(nil), math.Inf(1), false
		for _, s := range r.stations {
			if len(s.events) > 0 && (s.events[0].x < at || s.events[0].x == at && !isEvent) {
				next, at, isEvent = s, s.events[0].x, true
			}
			if s.nextAt < at {
				next, at, isEvent = s, s.nextAt, false
			}
		}
		if next == nil {
			return r.whole, nil
		}
		if isEvent {
			err = next.emit()
		} else {
			err = next.step()
		}
		if err != nil {
			return r.whole, err
		}
	}
}

func newRun(cfg Config, sink Sink) (*run, error) {
	if cfg.Days == 0 {
		cfg.Days = 28
	}
	if cfg.Sites == 0 {
		cfg.Sites = 6
	}
	if cfg.Stations == 0 {
		cfg.Stations = 2
	}
	if cfg.Fault == "" {
		cfg.Fault = NoFault
	}
	if cfg.Start.IsZero() {
		cfg.Start = time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)
	}
	if cfg.Params.Name == "" {
		p, err := Default()
		if err != nil {
			return nil, err
		}
		cfg.Params = p
	}
	var errs []error
	within := func(field string, v, lo, hi int) {
		if v < lo || v > hi {
			errs = append(errs, fmt.Errorf("%s: %d; it must lie in %d to %d", field, v, lo, hi))
		}
	}
	within("days", cfg.Days, 7, 366)
	within("sites", cfg.Sites, 2, len(siteNames))
	within("stations", cfg.Stations, 1, 4)
	if !cfg.Start.Equal(cfg.Start.UTC().Truncate(24 * time.Hour)) {
		errs = append(errs, fmt.Errorf("start: %s; it must be a midnight UTC", cfg.Start.Format(time.RFC3339)))
	}
	if _, ok := causes[cfg.Fault]; !ok {
		errs = append(errs, fmt.Errorf("fault: %q; it must be one of %v", cfg.Fault, Faults))
	}
	errs = append(errs, cfg.Params.Valid())
	if err := errors.Join(errs...); err != nil {
		return nil, fmt.Errorf("season: %w", err)
	}
	m, err := theMenu()
	if err != nil {
		return nil, fmt.Errorf("season: %w", err)
	}
	r := &run{p: &cfg.Params, menu: m, key: mix(cfg.Seed), days: cfg.Days, start: cfg.Start.UTC(), d: newDice(), sink: sink}
	r.whole = Truth{Seed: cfg.Seed, Params: cfg.Params.Name}
	r.logged.How = "keypad"
	if err := r.found(cfg.Sites, cfg.Stations); err != nil {
		return nil, fmt.Errorf("season: %w", err)
	}
	if err := r.place(cfg.Fault); err != nil {
		return nil, fmt.Errorf("season: %w", err)
	}
	if r.fault.kind == CupSubstitution {
		if err := r.substitute(); err != nil {
			return nil, fmt.Errorf("season: %w", err)
		}
	}
	for _, s := range r.stations {
		s.openShift()
		s.advance()
	}
	return r, nil
}

// shiftAt is the shift of a time.
func (r *run) shiftAt(x float64) watch.Shift {
	d := math.Floor(x / day)
	no := 1
	if x-d*day >= opening+shiftLong {
		no = 2
	}
	return watch.Shift{Day: r.start.AddDate(0, 0, int(d)), No: no}
}
