package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// ErrAway is the cause of a context of [WhileConnected] that ended because the
// bus was away or went away.
var ErrAway = errors.New("the bus is away")

// WhileConnected derives a context that ends as soon as the connection is lost.
// It is for questions: one whose answer is lost with the connection would
// otherwise be waited for until its own deadline, since the client library fails
// such questions only when the connection is closed for good.
func WhileConnected(ctx context.Context, nc *nats.Conn) (context.Context, context.CancelFunc) {
	ctx, end := context.WithCancelCause(ctx)
	// Before the look at the status, so that a loss in between is seen.
	lost := nc.StatusChanged(nats.RECONNECTING, nats.DISCONNECTED, nats.CLOSED)
	if !nc.IsConnected() {
		end(ErrAway)
	}
	go func() {
		defer nc.RemoveStatusListener(lost)
		select {
		case <-lost:
			end(ErrAway)
		case <-ctx.Done():
		}
	}()
	return ctx, func() { end(nil) }
}

// Why adds to err what ended ctx, where that says more: [ErrAway].
func Why(ctx context.Context, err error) error {
	if cause := context.Cause(ctx); err != nil && errors.Is(cause, ErrAway) && !errors.Is(err, ErrAway) {
		return fmt.Errorf("%w: %w", err, cause)
	}
	return err
}

const (
	// InFlight bounds the messages of a [Window] that wait for their
	// acknowledgement, and inFlightBytes what they hold, unless one alone is
	// larger. The bus hands a message to its subscribers before it is on disk, so
	// that only what waits for room waits for the disk: measured with "samecup
	// bench release" to 1,000 stations, 256 took more than four times as long as
	// this and 4,096 no less. A stop queues behind what is in flight, a
	// thousand writes at most.
	InFlight      = 1024
	inFlightBytes = 16 << 20
	// forgetAfter frees the client library of what was never acknowledged; a
	// slow disk may well take a minute for a whole window.
	forgetAfter = 5 * time.Minute
)

// JetStream is the bus's streams as we publish to them and ask about them.
func JetStream(nc *nats.Conn) (jetstream.JetStream, error) {
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(2*InFlight), jetstream.WithPublishAsyncTimeout(forgetAfter))
	if err != nil {
		return nil, fmt.Errorf("use the bus: %w", err)
	}
	return js, nil
}

// Window publishes many messages with a bounded number in flight. It is for one
// goroutine. Neither of its methods waits for a bus that is away: the
// client library fails what is in flight when the connection is lost, and
// stall bounds the rest.
type Window struct {
	js    jetstream.JetStream
	stall time.Duration
	sent  []flight
	bytes int
}

type flight struct {
	ack     jetstream.PubAckFuture
	subject string
	bytes   int
	acked   func()
}

// NewWindow makes one on streams from [JetStream]. stall is how long the bus may
// acknowledge nothing at all.
func NewWindow(js jetstream.JetStream, stall time.Duration) *Window {
	return &Window{js: js, stall: stall}
}

// Publish sends a message once there is room. acked is called when the bus has
// it on disk, by this or a later call. The error may be an earlier message's;
// call Wait all the same, to learn what else arrived.
func (w *Window) Publish(ctx context.Context, m *nats.Msg, acked func()) error {
	for len(w.sent) == InFlight || len(w.sent) > 0 && w.bytes+len(m.Data) > inFlightBytes {
		if err := w.oldest(ctx); err != nil {
			return err
		}
	}
	ack, err := w.js.PublishMsgAsync(m)
	if err != nil {
		return fmt.Errorf("publish %s: %w", m.Subject, err)
	}
	w.sent = append(w.sent, flight{ack, m.Subject, len(m.Data), acked})
	w.bytes += len(m.Data)
	return nil
}

// Wait waits until nothing is in flight. Its error tells of the first few that
// did not arrive.
func (w *Window) Wait(ctx context.Context) error {
	const told = 4
	var errs []error
	for len(w.sent) > 0 {
		if err := w.oldest(ctx); err != nil && len(errs) < told {
			errs = append(errs, err)
		}
	}
	return errors.Join(errs...)
}

// oldest waits for the oldest message in flight. Where no answer can be
// expected any more, all in flight count as lost.
func (w *Window) oldest(ctx context.Context) error {
	f := w.sent[0]
	stalled := time.NewTimer(w.stall)
	defer stalled.Stop()
	var err error
	select {
	case <-f.ack.Ok():
		f.acked()
	case err = <-f.ack.Err():
	case <-ctx.Done():
		w.sent, w.bytes = nil, 0
		return fmt.Errorf("publish %s: %w", f.subject, Why(ctx, ctx.Err()))
	case <-stalled.C:
		w.sent, w.bytes = nil, 0
		return fmt.Errorf("publish %s: the bus acknowledged nothing for %s", f.subject, w.stall)
	}
	w.sent, w.bytes = w.sent[1:], w.bytes-f.bytes
	if errors.Is(err, nats.ErrDisconnected) {
		err = fmt.Errorf("%w: %w", err, ErrAway)
	}
	if err != nil {
		return fmt.Errorf("publish %s: %w", f.subject, err)
	}
	return nil
}
