// Package bar answers one question: what is going on at this machine right now?
//
// A Bar joins what a person taps, what the instruments send and what the
// sampling plan asks to the one build that is open, has the station log it, and
// keeps the day. It shows nothing itself: pages and gRPC are its faces.
//
// What the station logged is the agent's and is read back from its log; the
// bar's own database holds what is on its way and what the day's view needs.
package bar

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/dialin"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/instrument"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/station"
	"samecup.example/samecup/station/shelf"
)

const (
	// DefaultKeepNames is how long a pseudonym that nobody taps any more is kept.
	DefaultKeepNames = 90 * 24 * time.Hour
	// keepDays is how many business days the day's view reaches back.
	keepDays = 14
	// undoFor is how long a build may be corrected at the machine.
	undoFor = time.Minute
	// tickEvery is how often the bar looks at the clock, the log and the feeds.
	tickEvery = time.Second
)

// Config sets a bar up.
type Config struct {
	// Agent of the station, open; needed. Dir is the station's directory.
	Agent *station.Agent
	Dir   string
	Log   *zap.Logger
	// Now is the station's clock; time.Now if nil. Give the agent the same.
	Now func() time.Time
	// KeepNames defaults to DefaultKeepNames.
	KeepNames time.Duration

	// still bars tick only when told to; for tests.
	still bool
}

// Bar is one machine's bar. It is safe for concurrent use.
type Bar struct {
	cfg   Config
	agent *station.Agent
	log   *zap.Logger
	zone  *time.Location
	db    *store

	// mu guards all below, and the database's writer.
	mu      sync.Mutex
	changed chan struct{}
	// open is the build on its way, nil for none, and held its release.
	open *openState
	held *shelf.Held
	// followed is the last sequence of the agent's log that is in the database.
	followed uint64
	last     *Logged
	// today is the day so far, nil until it is asked for; grown is true while it
	// has builds that were not looked at for drifts.
	today   *dayOf
	grown   bool
	scratch drink.Build
	// lastTake is what the plan asked of the build lastTaken.
	lastTake  *sampling.Take
	lastTaken string
	// tasted is what was said last of a cup, nil for nothing.
	tasted  *Tasted
	at      atBar
	ack     acknowledged
	news    newsCache
	choices choiceCache
	sampler *sampler
	feed    *instrument.Feed
	wiring  Wiring
	// faults that last, by the feed's last word.
	faults       []instrument.Fault
	followers    map[int]func(instrument.Result, []instrument.Fault)
	nextFollower int
	dial         *routineState
	grinders     map[string]*dialin.Record
	shown        shown
	pruned       string
	// release last seen in force, 0 for none yet.
	release uint64

	stop context.CancelFunc
	done chan struct{}
}

// shown is what of the agent's state a page shows; a change of it is news.
type shown struct {
	status station.Status
	prompt string
	// taste is the build that waits to be tasted.
	taste string
}

// New opens the bar of a station. Close it before the agent.
func New(ctx context.Context, cfg Config) (_ *Bar, err error) {
	if cfg.Agent == nil {
		return nil, errors.New("open the bar: no agent; open the station first")
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.KeepNames <= 0 {
		cfg.KeepNames = DefaultKeepNames
	}
	b := &Bar{
		cfg: cfg, agent: cfg.Agent, log: cfg.Log.Named("bar"), zone: time.UTC, changed: make(chan struct{}),
		followers: map[int]func(instrument.Result, []instrument.Fault){}, grinders: map[string]*dialin.Record{}, done: make(chan struct{}),
	}
	id := cfg.Agent.Identity()
	if zone, err := time.LoadLocation(id.TimeZone); err == nil {
		b.zone = zone
	} else {
		b.log.Warn("the station's time zone is not known; times are shown in UTC", zap.String("zone", id.TimeZone))
	}
	if b.wiring, err = LoadWiring(cfg.Dir); err != nil {
		return nil, err
	}
	if b.feed, err = b.wiring.feed(); err != nil {
		return nil, err
	}
	own, err := LoadRoster(cfg.Dir)
	if err != nil {
		return nil, err
	}
	if err = b.load(ctx, own); sqlitedb.FaultOf(err) == sqlitedb.Damaged {
		// The log of builds is the agent's: a bar that reads its day back from
		// there, and lacks what was open, is better than none.
		aside, e := setAside(cfg.Dir, cfg.Now())
		if e != nil {
			return nil, errors.Join(err, e)
		}
		b.log.Error("the bar's database is damaged; it was set aside and begins anew", zap.String("aside", aside), zap.Error(err))
		b.open, b.held, b.dial, b.today, b.followed, b.at, b.ack = nil, nil, nil, nil, 0, atBar{}, acknowledged{}
		b.tasted = nil
		err = b.load(ctx, own)
	}
	if err != nil {
		return nil, fmt.Errorf("open the bar: %w", err)
	}
	run, stop := context.WithCancel(context.WithoutCancel(ctx))
	b.stop = stop
	b.tick(run)
	if cfg.still {
		close(b.done)
	} else {
		go b.run(run)
	}
	return b, nil
}

// load opens the database and takes up what the last run left.
func (b *Bar) load(ctx context.Context, own *sampling.Roster) (err error) {
	if b.db, err = openStore(ctx, b.cfg.Dir); err != nil {
		return err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, b.db.db.Close())
		}
	}()
	if _, err := b.db.get(ctx, keyFollowed, &b.followed); err != nil {
		return err
	}
	if _, err := b.db.get(ctx, keyPerson, &b.at); err != nil {
		return err
	}
	if _, err := b.db.get(ctx, keyAck, &b.ack); err != nil {
		return err
	}
	var o openState
	has, err := b.db.get(ctx, keyOpen, &o)
	if err != nil {
		return err
	}
	if has {
		b.open, b.held = &o, b.agent.HeldRelease(o.Release)
	}
	var dial routineState
	if has, err = b.db.get(ctx, keyDialIn, &dial); err != nil {
		return err
	}
	if has {
		b.dial = &dial
	}
	if b.sampler, err = openSampler(ctx, b, own); err != nil {
		return err
	}
	// A crash between the log and this database is mended here: what was logged
	// is no longer open.
	if err := b.follow(ctx); err != nil {
		return err
	}
	if m, err := b.db.lastMade(ctx); err != nil {
		return err
	} else if m != nil {
		b.last = b.logged(m)
	}
	if b.tasted, err = b.db.lastTasting(ctx, ""); err != nil {
		return err
	}
	return b.takeUp(ctx)
}

// takeUp goes on with the open build: by its own release, or by the one in force
// where that is no longer held.
func (b *Bar) takeUp(ctx context.Context) error {
	if b.open == nil {
		return nil
	}
	if b.held == nil || b.held.Serving(b.open.Serving) == nil {
		was := b.open.Release
		now, _ := b.agent.ReleaseInForce()
		if now == nil || now.Serving(b.open.Serving) == nil {
			b.log.Error("the open build's release is no longer held and no other has its serving; it was dropped",
				zap.String("build", b.open.ID), zap.Uint64("release", was), zap.String("serving", b.open.Serving))
			b.open, b.held = nil, nil
			return b.db.change(ctx, func(t tx) error { return t.put(keyOpen, nil) })
		}
		b.held, b.open.Release = now, now.Number
		b.open.note(fmt.Sprintf("release %d is no longer held here: the build goes by release %d", was, now.Number))
	}
	b.join()
	return nil
}

// Close stops the bar; what was acknowledged is on disk.
func (b *Bar) Close() error {
	b.stop()
	<-b.done
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.db.db.Close()
}

func (b *Bar) run(ctx context.Context) {
	defer close(b.done)
	t := time.NewTicker(tickEvery)
	defer t.Stop()
	for {
		select {
		case <-t.C:
			b.tick(ctx)
		case <-ctx.Done():
			return
		}
	}
}

// tick looks at everything that changes without a tap.
func (b *Bar) tick(ctx context.Context) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.cfg.Now()
	for _, step := range []struct {
		what string
		do   func(context.Context, time.Time) error
	}{
		{"read the log", func(ctx context.Context, _ time.Time) error { return b.follow(ctx) }},
		{"look at the release in force", b.lookAtRelease},
		{"let the instruments' time pass", b.tickFeed},
		{"let the sampling's time pass", b.tickSampler},
		{"look for drifts", b.lookForDrift},
		{"begin a day", b.beginDay},
	} {
		if err := step.do(ctx, now); err != nil && ctx.Err() == nil {
			b.log.Error("the bar cannot "+step.what, zap.Error(err))
		}
	}
	s := shown{status: b.agent.Status()}
	if p := b.sampler.prompt(now); p != nil {
		s.prompt = p.ID
	}
	if t, err := b.tastingNow(ctx, now); err == nil && t != nil {
		s.taste = t.Build
	}
	// What moves all the time is shown, but is no news.
	s.status.Heard, s.status.ClockOffset = time.Time{}, 0
	if s != b.shown {
		b.shown = s
		b.notify()
	}
}

// beginDay drops what is too old, and whoever forgot to leave.
func (b *Bar) beginDay(ctx context.Context, now time.Time) error {
	day := b.day(now)
	if day == b.pruned {
		return nil
	}
	left := b.at.Person != "" && b.day(b.at.Since) != day
	err := b.db.change(ctx, func(t tx) error {
		if left {
			if err := t.put(keyPerson, atBar{}); err != nil {
				return err
			}
		}
		return t.prune(b.day(now.AddDate(0, 0, -keepDays)), now.Add(-b.cfg.KeepNames))
	})
	if err != nil {
		return err
	}
	if left {
		b.at = atBar{}
		b.notify()
	}
	b.pruned = day
	return nil
}

// notify wakes whoever watches; the caller holds mu.
func (b *Bar) notify() {
	close(b.changed)
	b.changed = make(chan struct{})
}

// Watch returns a channel that is closed at the next change of the state. Take
// it before reading the state.
func (b *Bar) Watch() <-chan struct{} {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.changed
}

// day is the business day of a moment, cut at the hour that sites have unless
// they say otherwise; the station is not told of another one.
func (b *Bar) day(t time.Time) string {
	return t.In(b.zone).Add(-release.DefaultDayCut * time.Minute).Format(time.DateOnly)
}

// State is what every page shows.
func (b *Bar) State(ctx context.Context) (State, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := b.cfg.Now()
	s := State{
		Status: b.agent.Status(), Now: now, Zone: b.zone, Open: b.view(), Person: b.at.Person,
		Prompt: b.sampler.prompt(now), Faults: b.faults, DialIn: b.dialView(now), Grinder: b.grinderView(), Instruments: b.wiring.ids(),
	}
	if b.last != nil && b.undoable(b.last, now) {
		last := *b.last
		s.Last = &last
	}
	if b.tasted != nil && within(b.tasted.At, now) {
		said := *b.tasted
		m, err := b.db.made(ctx, said.Build)
		if err != nil {
			return s, err
		}
		said.Logged = b.loggedOrNil(m)
		s.Tasted = &said
	}
	s.News = b.newsNow()
	var err error
	if s.Tasting, err = b.tastingNow(ctx, now); err != nil {
		return s, err
	}
	s.Stops, err = b.stops(ctx)
	return s, err
}

// undoable is true within a minute, by the station's clock: one that was set
// back counts as forward.
func (b *Bar) undoable(l *Logged, now time.Time) bool {
	return l.CorrectedBy == "" && within(l.At, now)
}

// save runs a change of the database for a tap; a failure is told to the person.
func (b *Bar) save(ctx context.Context, f func(tx) error) error {
	if err := b.db.change(ctx, f); err != nil {
		if ctx.Err() != nil {
			return err
		}
		b.log.Error("the bar cannot write", zap.Error(err))
		return refuse("disk", "", "it could not be written to disk: free some space and tap again")
	}
	return nil
}
