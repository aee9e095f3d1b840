package station

import (
	"context"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/bus"
)

const (
	// sendDeadline bounds one attempt to reach the bus.
	sendDeadline = 5 * time.Second
	backoffLeast = 250 * time.Millisecond
	backoffMost  = 60 * time.Second
	// wakeLeast is the least pause before new work may cut a backoff short, so
	// that a busy bar does not hammer a bus that is full.
	wakeLeast = time.Second
)

// Run follows the books, empties the outbox and reports presence until ctx
// ends. It goes on for ever without a bus, and picks up when it is back. It
// returns nil at the end, or an error if it could not begin.
func (a *Agent) Run(ctx context.Context) error {
	if a.cfg.BusURL == "" {
		a.log.Info("no bus is configured: builds are judged and kept here")
		<-ctx.Done()
		return nil
	}
	nc, err := bus.Connect(ctx, a.cfg.BusURL, "station "+a.id.Site+"/"+a.id.Station, a.log, a.cfg.NATSOptions...)
	if err != nil {
		return fmt.Errorf("station %s/%s: %w", a.id.Site, a.id.Station, err)
	}
	a.nc.Store(nc)
	defer func() {
		a.nc.Store(nil)
		nc.Close()
	}()
	js, err := jetstream.New(nc)
	if err != nil {
		return fmt.Errorf("station %s/%s: use the bus: %w", a.id.Site, a.id.Station, err)
	}
	g, ctx := errgroup.WithContext(ctx)
	status := nc.StatusChanged(nats.CONNECTED)
	g.Go(func() error { a.watchBus(ctx, status); return nil })
	g.Go(func() error { a.follow(ctx, nc, js); return nil })
	g.Go(func() error { a.sendBuilds(ctx, js); return nil })
	g.Go(func() error { a.sendDeviations(ctx, js); return nil })
	g.Go(func() error { a.sendActs(ctx, js); return nil })
	g.Go(func() error { a.present(ctx, nc); return nil })
	return g.Wait()
}

// watchBus wakes all that wait for the bus.
func (a *Agent) watchBus(ctx context.Context, status <-chan nats.Status) {
	for {
		select {
		case _, ok := <-status:
			if !ok {
				return
			}
			a.up.send()
		case <-ctx.Done():
			return
		}
	}
}

// backoff spaces attempts out: doubling with jitter, up to a minute.
type backoff struct{ tries int }

func (b *backoff) next() time.Duration {
	d := min(backoffLeast<<min(b.tries, 10), backoffMost)
	b.tries++
	return d/2 + rand.N(d/2+1)
}

// pause waits for d, cut short when the bus comes back, by news after at least
// wakeLeast, and by the end of ctx.
func (a *Agent) pause(ctx context.Context, d time.Duration, up, news <-chan struct{}) {
	first, cancel := context.WithTimeout(ctx, min(d, wakeLeast))
	defer cancel()
	select {
	case <-up:
		return
	case <-first.Done():
	}
	if d -= wakeLeast; d <= 0 || ctx.Err() != nil {
		return
	}
	rest, cancel := context.WithTimeout(ctx, d)
	defer cancel()
	select {
	case <-up:
	case <-news:
	case <-rest.Done():
	}
}

// publish sends a message and waits for the stream to have it. A duplicate
// counts as sent. Once the bus is back after a loss, an answer to what was sent
// before it is not waited for: it may never come.
func publish(ctx context.Context, js jetstream.JetStream, stream string, m *nats.Msg, up <-chan struct{}) error {
	ctx, cancel := context.WithTimeout(ctx, sendDeadline)
	defer cancel()
	go func() {
		select {
		case <-up:
			cancel()
		case <-ctx.Done():
		}
	}()
	_, err := js.PublishMsg(ctx, m, jetstream.WithExpectStream(stream))
	return err
}

// complain logs the first of a row of failures, so that an outage of days does
// not fill the log.
func (a *Agent) complain(b *backoff, what string, err error) {
	if b.tries == 0 {
		a.log.Warn(what, zap.Error(err))
	} else {
		a.log.Debug(what, zap.Int("tries", b.tries), zap.Error(err))
	}
}
