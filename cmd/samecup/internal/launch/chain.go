package launch

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/station"
)

const (
	// patience bounds each wait for what has to happen, pollEvery spaces looks.
	patience  = 2 * time.Minute
	pollEvery = 10 * time.Millisecond
	// Short, so that a week passes in seconds.
	presenceEvery = 250 * time.Millisecond
	tickEvery     = 100 * time.Millisecond
	// offEvery: at any time one in eight stations is off.
	offEvery = 8
)

// clock is the time of the story, for authority and stations alike.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time { c.mu.Lock(); defer c.mu.Unlock(); return c.at }

func (c *clock) forward(d time.Duration) { c.mu.Lock(); defer c.mu.Unlock(); c.at = c.at.Add(d) }

// to moves on to a moment; never back.
func (c *clock) to(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if at.After(c.at) {
		c.at = at
	}
}

// counter is the station of one site; agent is nil while it is off.
type counter struct {
	site, dir string
	agent     *station.Agent
	stop      func() error
}

// chain is everything that runs.
type chain struct {
	clock     *clock
	tally     *tally
	log       *zap.Logger
	dir       string
	busConfig bus.ServerConfig
	srv       *bus.Server
	address   string
	// pages is where the console answers; empty for none.
	pages string
	// tokens of the people hired, by id.
	tokens      map[string]string
	counters    []*counter
	absences    int
	busAbsences int
	undo        []func() error
}

// watch makes what counts builds for the authority; the bus is up by then.
type watch func(context.Context, *chain, *authority.Service) (authority.RateSource, error)

// openChain starts bus and authority; its rollouts are watched by w.
func openChain(ctx context.Context, o Options, w watch) (c *chain, err error) {
	c = &chain{clock: &clock{at: beginning}, tally: &tally{}, tokens: map[string]string{}, log: o.Log, dir: o.Dir,
		busConfig: bus.ServerConfig{StoreDir: filepath.Join(o.Dir, "bus"), Port: -1, Log: o.Log.Named("bus")}}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	if c.srv, err = bus.StartServer(c.busConfig); err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() error { c.busAway(); return nil })
	at, err := url.Parse(c.srv.URL())
	if err != nil {
		return nil, fmt.Errorf("read the address of the bus: %w", err)
	}
	if c.busConfig.Port, err = strconv.Atoi(at.Port()); err != nil {
		return nil, fmt.Errorf("read the port of the bus in %s: %w", at, err)
	}
	nc, err := bus.Connect(ctx, c.srv.URL(), "authority", o.Log.Named("bus"), soon()...)
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, func() error { nc.Close(); return nil })
	svc, err := authority.Open(ctx, authority.Config{
		Dir: filepath.Join(o.Dir, "authority"), Log: o.Log.Named("authority"), Now: c.clock.now, NATS: nc, BusURL: c.srv.URL(),
		ReconcileEvery: time.Second, TickEvery: tickEvery,
	})
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, svc.Close)
	rates, err := w(ctx, c, svc)
	if err != nil {
		return nil, err
	}
	svc.WatchRates(rates)
	lis, err := rpc.ListenLoopback("127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	c.address = lis.Addr().String()
	srv := rpc.NewServer(o.Log.Named("rpc"), rpc.Options{Authorise: svc.Authorise})
	svc.Register(srv)
	if o.Console != "" {
		q, err := c.count(ctx, svc)
		if err != nil {
			return nil, err
		}
		q.Register(srv)
	}
	c.background(ctx, svc.Run, func(ctx context.Context) error { return ignoreClosed(rpc.Serve(ctx, srv, lis, o.Log)) })
	if o.Console != "" {
		if err := c.openPages(ctx, o); err != nil {
			return nil, err
		}
	}
	return c, nil
}

func ignoreClosed(err error) error {
	if errors.Is(err, net.ErrClosed) {
		return nil
	}
	return err
}

// soon has a connection try again quickly.
func soon() []nats.Option {
	return []nats.Option{nats.ReconnectWait(20 * time.Millisecond), nats.ReconnectJitter(20*time.Millisecond, 20*time.Millisecond)}
}

// background runs functions until the chain is closed.
func (c *chain) background(ctx context.Context, run ...func(context.Context) error) {
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	var g errgroup.Group
	for _, f := range run {
		g.Go(func() error { return f(ctx) })
	}
	c.undo = append(c.undo, func() error { cancel(); return g.Wait() })
}

func (c *chain) close() error {
	var errs []error
	for _, k := range c.counters {
		errs = append(errs, c.off(k))
	}
	for i := len(c.undo) - 1; i >= 0; i-- {
		errs = append(errs, c.undo[i]())
	}
	c.undo = nil
	return errors.Join(errs...)
}

// busAway takes the bus down.
func (c *chain) busAway() {
	if c.srv != nil {
		c.srv.Shutdown()
		c.srv = nil
		c.busAbsences++
	}
}

// busBack starts it again where it was.
func (c *chain) busBack() (err error) {
	c.srv, err = bus.StartServer(c.busConfig)
	return err
}

// on switches a station on.
func (c *chain) on(ctx context.Context, k *counter) error {
	if k.agent != nil {
		return nil
	}
	a, err := station.Open(ctx, station.Config{
		Dir: k.dir, Log: c.log.Named("station"), Now: c.clock.now, PresenceEvery: presenceEvery, NATSOptions: soon(),
	})
	if err != nil {
		return fmt.Errorf("switch the station at %s on: %w", k.site, err)
	}
	run, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- a.Run(run) }()
	k.agent, k.stop = a, func() error { cancel(); return errors.Join(<-done, a.Close()) }
	return nil
}

// off switches a station off.
func (c *chain) off(k *counter) error {
	if k.agent == nil {
		return nil
	}
	stop := k.stop
	k.agent, k.stop = nil, nil
	c.absences++
	if err := stop(); err != nil {
		return fmt.Errorf("switch the station at %s off: %w", k.site, err)
	}
	return nil
}

// alternate switches those on that were off, and others off: one in offEvery.
func (c *chain) alternate(ctx context.Context, step int) error {
	for i, k := range c.counters {
		var err error
		if (i+step)%offEvery == 0 {
			err = c.off(k)
		} else {
			err = c.on(ctx, k)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// allOn switches all on.
func (c *chain) allOn(ctx context.Context) error {
	for _, k := range c.counters {
		if err := c.on(ctx, k); err != nil {
			return err
		}
	}
	return nil
}

func (c *chain) counter(site string) *counter {
	for _, k := range c.counters {
		if k.site == site {
			return k
		}
	}
	return nil
}

// eventually looks until ok is true. What ok returns besides is told when time
// runs out.
func eventually(ctx context.Context, what string, ok func() (bool, error)) error {
	ctx, cancel := context.WithTimeout(ctx, patience)
	defer cancel()
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		done, err := ok()
		if done {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("not in time: %s: %w", what, errors.Join(err, ctx.Err()))
		case <-tick.C:
		}
	}
}
