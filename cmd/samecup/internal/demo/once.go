package demo

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/sim"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// drainDeadline bounds the wait for the last build to be counted.
	drainDeadline = 60 * time.Second
	// switchDeadline bounds the wait for all stations to follow a release.
	switchDeadline = 30 * time.Second
	// pollEvery is how often a state is asked for that cannot be waited on.
	pollEvery = 25 * time.Millisecond
)

// Once runs a simulated shift as fast as it goes. In it the bus goes away and
// comes back, a station is stopped and started again, a second release goes
// out and some builds are logged twice; then the centre's word is held against
// the truth.
func Once(ctx context.Context, opts Options) (r *Result, err error) {
	if opts.Builds < 4 {
		return nil, fmt.Errorf("builds %d; each station needs at least 4, a quarter for each part of the shift", opts.Builds)
	}
	began := time.Now()
	run, err := nextRun(opts.Dir)
	if err != nil {
		return nil, err
	}
	truthPath := filepath.Join(opts.Dir, "truth.jsonl")
	truth, err := sim.OpenTruth(truthPath)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, truth.Close()) }()
	c, err := openChain(ctx, opts)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, c.close()) }()

	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	go func() {
		select {
		case err := <-c.failed:
			cancel(err)
		case <-ctx.Done():
		}
	}()
	// What an earlier run on these data left on its way belongs to that run.
	if err := c.drain(ctx); err != nil {
		return nil, err
	}
	old, _, err := look(ctx, c.quality)
	if err != nil {
		return nil, err
	}
	// A bar opens with a card: the bus may not go before every station has one.
	if err := c.followed(ctx, 1); err != nil {
		return nil, err
	}
	s := &shift{chain: c, builds: opts.Builds, limit: newLevel(), made: newLevel(), logged: newLevel()}
	for _, h := range c.hosts {
		k, err := newCounter(h, sim.Config{Seed: opts.Seed, Run: run, FaultRate: opts.FaultRate}, truth, s.made, s.logged)
		if err != nil {
			return nil, err
		}
		s.counters = append(s.counters, k)
	}
	r = &Result{Stations: len(c.hosts)}
	if r.Release, err = s.run(ctx); err != nil {
		return nil, errors.Join(err, context.Cause(ctx))
	}
	if err := c.drain(ctx); err != nil {
		// The score tells what is missing better than the deadline does.
		r.trouble("%v", err)
	}
	if err := truth.Flush(); err != nil {
		return nil, err
	}
	r.BuildsMade = s.made.get()
	if err := score(ctx, c, old, truthPath, s.ids(), r); err != nil {
		return nil, err
	}
	r.Seconds = float64(time.Since(began).Milliseconds()) / 1000
	return r, nil
}

// shift is a conducted run of all counters.
type shift struct {
	chain    *chain
	counters []*counter
	// builds that each counter makes in all.
	builds int
	// limit is how many builds each counter may have begun; made and logged
	// count over all.
	limit, made, logged *level
}

// run makes all builds and returns the release at the end.
func (s *shift) run(ctx context.Context) (release uint64, err error) {
	g, ctx := errgroup.WithContext(ctx)
	for _, k := range s.counters {
		g.Go(func() error {
			for n := 1; n <= s.builds; n++ {
				if err := s.limit.wait(ctx, n); err != nil {
					return err
				}
				if err := k.one(ctx); err != nil {
					return err
				}
			}
			return nil
		})
	}
	g.Go(func() error {
		var err error
		release, err = s.conduct(ctx)
		return err
	})
	return release, g.Wait()
}

// conduct lets trouble come while the counters work. Each act waits for a
// count, not for a time, so that it falls into the midst of the logging on
// any machine.
func (s *shift) conduct(ctx context.Context) (release uint64, err error) {
	c, all := s.chain, len(s.counters)
	quarter, half, threeQuarters := s.builds/4, s.builds/2, s.builds*3/4

	// The bus goes while builds are under way and stays away for more: each
	// counter makes at least one with no bus.
	s.limit.raise(half - 1)
	if err := s.logged.wait(ctx, all*quarter); err != nil {
		return 0, err
	}
	c.takeBusAway()
	s.limit.raise(half)
	if err := s.logged.wait(ctx, all*half); err != nil {
		return 0, fmt.Errorf("log with the bus away: %w", err)
	}
	if err := c.feltAway(ctx); err != nil {
		return 0, err
	}

	// It returns while builds go on, and one station is taken down among them.
	s.limit.raise(threeQuarters)
	if err := c.bringBusBack(); err != nil {
		return 0, err
	}
	if err := c.hosts[0].restart(ctx); err != nil {
		return 0, err
	}

	// The second release goes out, and the rest is made by it.
	files, note, err := c.nextBook(ctx)
	if err != nil {
		return 0, err
	}
	if release, err = c.publish(ctx, files, note); err != nil {
		return 0, err
	}
	if err := c.followed(ctx, release); err != nil {
		return 0, err
	}
	s.limit.raise(s.builds)
	return release, nil
}

func (s *shift) ids() []string {
	var ids []string
	for _, k := range s.counters {
		ids = append(ids, k.ids()...)
	}
	return ids
}

// feltAway makes sure that the outage was one: every station must hold builds
// back.
func (c *chain) feltAway(ctx context.Context) error {
	for _, h := range c.hosts {
		st, err := h.api.GetStatus(ctx, &pb.GetStatusRequest{}, grpc.WaitForReady(true))
		if err != nil {
			return fmt.Errorf("status of %s/%s: %w", h.site, h.station, err)
		}
		if st.GetOutboxDepth() == 0 {
			return fmt.Errorf("station %s/%s has an empty outbox while the bus is away; make more builds for a proof", h.site, h.station)
		}
	}
	return nil
}

// followed waits until every station works by the release.
func (c *chain) followed(ctx context.Context, release uint64) error {
	ctx, cancel := context.WithTimeout(ctx, switchDeadline)
	defer cancel()
	for _, h := range c.hosts {
		err := poll(ctx, func() (bool, error) {
			st, err := h.api.GetStatus(ctx, &pb.GetStatusRequest{}, grpc.WaitForReady(true))
			return st.GetRelease() >= release, err
		})
		if err != nil {
			return fmt.Errorf("station %s/%s does not follow release %d: %w", h.site, h.station, release, err)
		}
	}
	return nil
}

// drain waits until the centre has counted all that the stations logged.
func (c *chain) drain(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, drainDeadline)
	defer cancel()
	last := make(map[string]uint64, len(c.hosts))
	for _, h := range c.hosts {
		if err := h.drained(ctx); err != nil {
			return fmt.Errorf("outbox of %s/%s: %w", h.site, h.station, err)
		}
		st, err := h.api.GetStatus(ctx, &pb.GetStatusRequest{}, grpc.WaitForReady(true))
		if err != nil {
			return fmt.Errorf("status of %s/%s: %w", h.site, h.station, err)
		}
		last[h.site+"/"+h.station] = st.GetLastSequence()
	}
	err := poll(ctx, func() (bool, error) {
		in, err := c.quality.GetIntake(ctx, &pb.GetIntakeRequest{})
		left := len(last)
		for _, n := range last {
			if n == 0 {
				left--
			}
		}
		for _, s := range in.GetStations() {
			if n := last[s.GetSite()+"/"+s.GetStation()]; n > 0 && s.GetWholeToSequence() >= n && s.GetAwaitingRelease() == 0 {
				left--
			}
		}
		return left == 0, err
	})
	if err != nil {
		return fmt.Errorf("the centre has not counted everything: %w", err)
	}
	return nil
}

// poll asks until the answer is yes. A failed question counts as no, and the
// last failure is told once time is up.
func poll(ctx context.Context, ask func() (bool, error)) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		yes, err := ask()
		if err == nil && yes {
			return nil
		}
		select {
		case <-ctx.Done():
			return errors.Join(context.Cause(ctx), err)
		case <-tick.C:
		}
	}
}
