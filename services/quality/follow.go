package quality

import (
	"context"
	"errors"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
)

const (
	consumerName = "quality"

	// One chunk becomes one transaction. The byte limit is on what is asked of
	// the bus, and at most three chunks of a stream are in memory: one being
	// committed, one being judged, one on its way.
	chunkMessages = 256
	chunkBytes    = 16 << 20

	backoffLeast = 100 * time.Millisecond
	backoffMost  = 5 * time.Second

	// drainGrace is how long what was handed over may take to be stored when
	// the service stops.
	drainGrace = 10 * time.Second
)

type (
	// resume makes sure of a durable consumer.
	resume func(context.Context) (jetstream.Consumer, error)
	// take handles messages from the channel until it is closed. An error
	// means that messages were left unacknowledged.
	take func(context.Context, <-chan jetstream.Msg) error
)

// follow reads a stream for as long as ctx lasts, making its consumer again,
// with backoff, whenever it is gone.
func (s *Service) follow(ctx context.Context, stream string, resume resume, take take) error {
	log := s.log.With(zap.String("stream", stream))
	wait := backoffLeast
	for {
		progressed, err := s.session(ctx, resume, take)
		if ctx.Err() != nil {
			return nil
		}
		if progressed {
			wait = backoffLeast
		}
		log.Warn("intake interrupted; resuming", zap.Duration("in", wait), zap.Error(err))
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, backoffMost)
	}
}

// session follows one consumer until something breaks or ctx ends. What the
// bus has handed over by then is still taken in, for it would otherwise come
// again only after the consumer's wait for acknowledgements. It reports
// whether any message came.
func (s *Service) session(ctx context.Context, resume resume, take take) (progressed bool, err error) {
	c, err := resume(ctx)
	if err != nil {
		return false, err
	}
	it, err := c.Messages(
		jetstream.PullMaxMessagesWithBytesLimit(chunkMessages, chunkBytes),
		jetstream.PullExpiry(10*time.Second),
		jetstream.PullHeartbeat(2*time.Second))
	if err != nil {
		return false, err
	}
	work, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() {
		it.Drain()
		select {
		case <-time.After(drainGrace):
			cancel()
		case <-work.Done():
		}
	})
	defer stop()

	msgs := make(chan jetstream.Msg)
	taken := make(chan error, 1)
	go func() {
		err := take(work, msgs)
		cancel() // nobody reads msgs any more
		taken <- err
	}()
	err = pump(work, it, msgs, &progressed)
	it.Drain()
	if rest := pump(work, it, msgs, &progressed); !errors.Is(rest, jetstream.ErrMsgIteratorClosed) && work.Err() == nil {
		err = errors.Join(err, rest)
	}
	close(msgs)
	return progressed, errors.Join(err, <-taken)
}

// pump hands messages over until the iterator fails or ctx ends.
func pump(ctx context.Context, it jetstream.MessagesContext, msgs chan<- jetstream.Msg, progressed *bool) error {
	for {
		msg, err := it.Next(jetstream.NextContext(ctx))
		if err != nil {
			return err
		}
		*progressed = true
		select {
		case msgs <- msg:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// gather waits for one message and takes what else is there. It returns nil
// when the channel is closed and empty.
func gather(msgs <-chan jetstream.Msg) []jetstream.Msg {
	first, ok := <-msgs
	if !ok {
		return nil
	}
	chunk := append(make([]jetstream.Msg, 0, 16), first)
	for size := len(first.Data()); len(chunk) < chunkMessages && size < chunkBytes; {
		select {
		case m, ok := <-msgs:
			if !ok {
				return chunk
			}
			chunk = append(chunk, m)
			size += len(m.Data())
		default:
			return chunk
		}
	}
	return chunk
}
