package authority

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/bus"
)

const (
	// queueGroup lets one of several authorities answer each presence.
	queueGroup = "authority"
	// Presences that wait to be answered; the oldest are lost beyond that, and
	// stations send again in seconds.
	maxPendingPresences     = 1 << 16
	maxPendingPresenceBytes = 32 << 20
	// firstRetry is the wait after a failed reconciliation; it doubles up to
	// the usual one.
	firstRetry = 500 * time.Millisecond
	// lastFlushWait bounds the write of presences when Run ends.
	lastFlushWait = 5 * time.Second
)

// Run answers presences, takes in what people at stations did, publishes each
// change, and compares the stream BOOK with the database at start, on each
// reconnection and each minute, until ctx ends. A bus that is
// away is waited for.
func (s *Service) Run(ctx context.Context) error {
	sub, err := s.nats.QueueSubscribe(bus.PresenceSubjects, queueGroup, s.handlePresence)
	if err != nil {
		return fmt.Errorf("authority: subscribe to presences: %w", err)
	}
	if err := sub.SetPendingLimits(maxPendingPresences, maxPendingPresenceBytes); err != nil {
		return errors.Join(fmt.Errorf("authority: bound the presences: %w", err), sub.Unsubscribe())
	}
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error { s.reconcileLoop(ctx); return nil })
	g.Go(func() error { s.publishLoop(ctx); return nil })
	g.Go(func() error { s.tickLoop(ctx); return nil })
	g.Go(func() error { s.actsLoop(ctx); return nil })
	g.Go(func() error { s.flushLoop(ctx); return nil })
	<-ctx.Done()
	if err := sub.Unsubscribe(); err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
		s.log.Warn("unsubscribe from presences", zap.Error(err))
	}
	_ = g.Wait() // the loops end with ctx and return no error
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), lastFlushWait)
	defer cancel()
	s.flush(last)
	return nil
}

func (s *Service) reconcileLoop(ctx context.Context) {
	connected := s.nats.StatusChanged(nats.CONNECTED)
	listener := connected
	defer func() { s.nats.RemoveStatusListener(listener) }()
	retry := firstRetry
	for {
		wait := s.reconcileEvery
		if err := s.Reconcile(ctx); err == nil {
			retry = firstRetry
		} else if ctx.Err() == nil {
			wait = min(retry, s.reconcileEvery)
			retry = 2 * wait
			s.log.Warn("the stream of documents could not be compared with the database; trying again",
				zap.Duration("in", wait), zap.Error(err))
		}
		next := time.NewTimer(wait)
		select {
		case <-ctx.Done():
			next.Stop()
			return
		case _, open := <-connected:
			next.Stop()
			if !open { // the connection was closed, so ctx is about to end
				connected = nil
			}
			retry = firstRetry // however long the bus was away
			s.pub.ring()       // what is known to be lacking waits for no comparison
		case <-next.C:
		}
	}
}

func (s *Service) flushLoop(ctx context.Context) {
	tick := time.NewTicker(s.flushEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			s.flush(ctx)
		}
	}
}
