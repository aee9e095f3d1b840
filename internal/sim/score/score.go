package score

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// Config says what to score.
type Config struct {
	// Seeds is how many runs each fault gets, from seed First on.
	Seeds int
	First uint64
	// Faults; empty means all.
	Faults []season.Fault
	// Days of a season, 14 to 366; 0 means 28.
	Days int
	// Sites and Stations as in season.Config.
	Sites, Stations int
	// HeldOut takes other parameters for each seed (season.HeldOut), by which
	// nothing may be tuned.
	HeldOut bool
	// Calibration is how many runs without a fault, of seeds that the score
	// does not use, set the limits of the plain charts; 0 means 30.
	Calibration int
	// Within is how long the seeds may take: those not begun by then are left
	// out, and Result.Seeds says how many there were. 0 means no limit. It does
	// not hold for the calibration.
	Within time.Duration
	// Workers; 0 means as many as processors. The result does not depend on it.
	Workers int
	// Progress is told after each run, from several goroutines; may be nil.
	Progress func(done, all int)
}

const (
	// calibrationSeed is where the seeds of the calibration begin.
	calibrationSeed = 1 << 32
	mostSeeds       = 100_000
	// floor in sigmas above which the calibration looks at plain charts.
	floor = 2.5
)

func (c *Config) fill() error {
	if c.Days == 0 {
		c.Days = monthDays
	}
	if c.Sites == 0 {
		c.Sites = 6
	}
	if c.Stations == 0 {
		c.Stations = 2
	}
	if c.Calibration == 0 {
		c.Calibration = 30
	}
	if c.Workers <= 0 {
		c.Workers = runtime.GOMAXPROCS(0)
	}
	if len(c.Faults) == 0 {
		c.Faults = season.Faults
	}
	var errs []error
	within := func(field string, v, lo, hi int) {
		if v < lo || v > hi {
			errs = append(errs, fmt.Errorf("%s: %d; it must lie in %d to %d", field, v, lo, hi))
		}
	}
	within("seeds", c.Seeds, 1, mostSeeds)
	if c.Within < 0 {
		errs = append(errs, fmt.Errorf("within: %s; it must be 0, no limit, or more", c.Within))
	}
	within("days", c.Days, 14, 366)
	within("calibration", c.Calibration, 1, mostSeeds)
	if c.First >= calibrationSeed-mostSeeds {
		errs = append(errs, fmt.Errorf("first seed: %d; it must lie below %d, where the seeds of the calibration begin", c.First, uint64(calibrationSeed-mostSeeds)))
	}
	for _, f := range c.Faults {
		if !slices.Contains(season.Faults, f) {
			errs = append(errs, fmt.Errorf("fault: %q; it must be one of %v", f, season.Faults))
		}
	}
	return errors.Join(errs...)
}

// season is one run's configuration.
func (c *Config) season(seed uint64, f season.Fault) (season.Config, error) {
	s := season.Config{Seed: seed, Fault: f, Days: c.Days, Sites: c.Sites, Stations: c.Stations, Start: time.Date(2027, 3, 1, 0, 0, 0, 0, time.UTC)}
	var err error
	if c.HeldOut {
		s.Params, err = season.HeldOut(seed)
	} else {
		s.Params, err = season.Default()
	}
	if err != nil {
		return s, fmt.Errorf("score: parameters of seed %d: %w", seed, err)
	}
	return s, nil
}

// outcome is what the detectors made of one run with a fault.
type outcome struct {
	fault season.Fault
	found [detectors]found
	// chance says that the same alarms would have counted as a hit in the run
	// of the same seed without the fault.
	chance     [detectors]bool
	elsewhere  [detectors]int // episodes
	elseMonths float64        // station-months of the sites not struck, since the onset
	causeRight bool
	// fullShift is when the fault has its whole size, in shifts from the shift
	// of the onset; -1 if never.
	fullShift int
	logs      logs
}

// logs is who was asked about a log.
type logs struct {
	person bool    // the one named in the truth, since the onset
	others int     // others, over the whole run
	people int     // all people
	months float64 // from onset to end
}

// quiet is what the detectors made of one run without a fault.
type quiet struct {
	alarms        [detectors]tally
	kinds         map[watch.SignalKind]tally
	cases, safety int
	months        float64 // station-months
	asked, people int
}

type seedOutcome struct {
	quiet quiet
	runs  []outcome
}

// Run scores. It is determined by cfg, whatever the number of workers.
func Run(ctx context.Context, cfg Config) (*Result, error) {
	if err := cfg.fill(); err != nil {
		return nil, fmt.Errorf("score: %w", err)
	}
	faulty := slices.DeleteFunc(slices.Clone(cfg.Faults), func(f season.Fault) bool { return f == season.NoFault })
	tick := ticker(cfg.Progress, cfg.Calibration+cfg.Seeds*(1+len(faulty)))
	limit, cal, err := calibrate(ctx, cfg, tick)
	if err != nil {
		return nil, err
	}
	all := make([]seedOutcome, cfg.Seeds)
	began := time.Now()
	err = parallel(ctx, cfg.Workers, cfg.Seeds, func(ctx context.Context, i int) error {
		if cfg.Within > 0 && time.Since(began) > cfg.Within && i > 0 {
			return nil
		}
		var err error
		all[i], err = oneSeed(ctx, cfg, cfg.First+uint64(i), faulty, limit, tick)
		return err
	})
	if err != nil {
		return nil, err
	}
	// The first that was left out ends the score, whoever finished after it, so
	// that the seeds are those that follow each other.
	if n := slices.IndexFunc(all, func(o seedOutcome) bool { return o.quiet.months == 0 }); n >= 0 {
		all, cfg.Seeds = all[:n], n
	}
	return summarise(cfg, faulty, limit, cal, all)
}

// oneSeed runs a seed without a fault and with each. Only counts outlive it.
func oneSeed(ctx context.Context, cfg Config, seed uint64, faulty []season.Fault, limit limits, tick func()) (seedOutcome, error) {
	run := func(f season.Fault) (record, error) {
		if err := ctx.Err(); err != nil {
			return record{}, err
		}
		c, err := cfg.season(seed, f)
		if err != nil {
			return record{}, err
		}
		defer tick()
		return hear(c, limit)
	}
	null, err := run(season.NoFault)
	if err != nil {
		return seedOutcome{}, err
	}
	out := seedOutcome{quiet: null.quiet()}
	for _, f := range faulty {
		r, err := run(f)
		if err != nil {
			return seedOutcome{}, err
		}
		out.runs = append(out.runs, r.outcome(&null))
	}
	return out, nil
}

func (r *record) quiet() quiet {
	q := quiet{kinds: map[watch.SignalKind]tally{}, months: float64(r.stations) * float64(r.days) / monthDays, people: r.people}
	for d := range r.alarms {
		q.alarms[d] = tallyOf(r.alarms[d], (*alarm).counts)
	}
	who := map[string]bool{}
	for i := range r.alarms[byWatch] {
		a := &r.alarms[byWatch][i]
		if _, ok := q.kinds[a.kind]; !ok {
			q.kinds[a.kind] = tallyOf(r.alarms[byWatch], func(b *alarm) bool { return b.kind == a.kind })
		}
		if a.kind == watch.SignalQuestion {
			who[a.barista] = true
		}
	}
	q.asked = len(who)
	for _, c := range r.cases {
		switch {
		case c.Merged != "":
		case c.Safety:
			q.safety++
		default:
			q.cases++
		}
	}
	return q
}

func (r *record) outcome(null *record) outcome {
	t := &r.truth
	o := outcome{fault: t.Fault, fullShift: -1}
	for d := range r.alarms {
		o.found[d] = find(t, r.start, r.alarms[d])
		o.chance[d] = find(t, r.start, null.alarms[d]).hit
		o.elsewhere[d] = elsewhere(t, r.start, r.alarms[d])
	}
	struck := max(1, len(t.Sites))
	perSite := float64(r.stations) / float64(max(1, r.sites))
	left := r.start.AddDate(0, 0, r.days).Sub(t.Onset).Hours() / 24 / monthDays
	o.elseMonths = max(0, float64(r.stations)-perSite*float64(struck)) * left
	o.causeRight = o.found[byWatch].hit && r.cause(o.found[byWatch]) == causeWords[t.Cause]
	if !t.Full.IsZero() {
		o.fullShift = indexAt(r.start, t.Full) - shiftIndex(r.start, t.OnsetShift)
	}
	o.logs = logs{people: r.people, months: t.End.Sub(t.Onset).Hours() / 24 / monthDays}
	others, w := map[string]bool{}, windowOf(t, r.start)
	for i := range r.alarms[byWatch] {
		a := &r.alarms[byWatch][i]
		switch {
		case a.kind != watch.SignalQuestion:
		case a.barista != t.Barista || t.Barista == "":
			others[a.barista] = true
		case w.holds(a):
			o.logs.person = true
		}
	}
	o.logs.others = len(others)
	return o
}

// parallel calls do for 0 to n-1; the first error by index ends all.
func parallel(ctx context.Context, workers, n int, do func(context.Context, int) error) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	next := make(chan int)
	errs := make([]error, n)
	var wg sync.WaitGroup
	for range min(workers, n) {
		wg.Go(func() {
			for i := range next {
				if errs[i] = do(ctx, i); errs[i] != nil {
					cancel()
				}
			}
		})
	}
feed:
	for i := range n {
		select {
		case next <- i:
		case <-ctx.Done():
			break feed
		}
	}
	close(next)
	wg.Wait()
	for _, err := range errs {
		if err != nil && !errors.Is(err, context.Canceled) {
			return err
		}
	}
	return ctx.Err()
}

// ticker counts runs for Progress.
func ticker(tell func(done, all int), all int) func() {
	if tell == nil {
		return func() {}
	}
	var mu sync.Mutex
	done := 0
	return func() {
		mu.Lock()
		defer mu.Unlock()
		done++
		tell(done, all)
	}
}
