package station

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	pullMessages  = 4
	pullExpiry    = 30 * time.Second
	pullHeartbeat = 5 * time.Second
	// retryDelay is how long the bus waits to send a release again that could
	// not be stored.
	retryDelay = 5 * time.Second
	maxDetail  = 300
)

// follow takes releases from the station's durable consumer, and opens it anew
// with a growing pause whenever it is lost.
func (a *Agent) follow(ctx context.Context, js jetstream.JetStream) {
	var tries backoff
	for ctx.Err() == nil {
		up := a.up.wait()
		err := a.pull(ctx, js, &tries)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			continue
		}
		a.complain(&tries, "releases cannot be followed", err)
		a.pause(ctx, tries.next(), up, nil)
	}
}

// pull reads until something fails; nil when it should simply begin again.
func (a *Agent) pull(ctx context.Context, js jetstream.JetStream, tries *backoff) error {
	open, cancel := context.WithTimeout(ctx, sendDeadline)
	defer cancel()
	c, err := js.Consumer(open, bus.StreamBook, a.id.Consumer)
	if err != nil {
		return fmt.Errorf("consumer %s on %s: %w", a.id.Consumer, bus.StreamBook, err)
	}
	it, err := c.Messages(jetstream.PullMaxMessages(pullMessages), jetstream.PullExpiry(pullExpiry), jetstream.PullHeartbeat(pullHeartbeat))
	if err != nil {
		return fmt.Errorf("pull from %s: %w", a.id.Consumer, err)
	}
	defer it.Stop()
	// Being behind means that the pull may have stalled: begin it anew. It is
	// drained, not stopped, since a stop would drop a release that has arrived
	// and is not read yet, and the bus sends that again only after a while.
	done := make(chan struct{})
	defer close(done)
	behind := a.behind.wait()
	go func() {
		select {
		case <-behind:
			it.Drain()
		case <-done:
		}
	}()
	for {
		m, err := it.Next(jetstream.NextContext(ctx))
		if errors.Is(err, jetstream.ErrMsgIteratorClosed) || ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return fmt.Errorf("next release: %w", err)
		}
		*tries = backoff{}
		if err := a.take(ctx, m.Data()); err != nil {
			if refusal, ok := errors.AsType[*release.Refusal](err); ok {
				err = m.TermWithReason(string(refusal.Reason))
			} else {
				a.log.Error("a release cannot be stored; it is asked for again", zap.Error(err))
				err = m.NakWithDelay(retryDelay)
			}
			if err != nil {
				return fmt.Errorf("answer for a release: %w", err)
			}
			continue
		}
		if err := m.Ack(); err != nil {
			return fmt.Errorf("acknowledge a release: %w", err)
		}
	}
}

// take puts a release on the shelf. A refusal is remembered before it is
// returned; any other error means that nothing was decided.
func (a *Agent) take(ctx context.Context, envelope []byte) error {
	held, isNew, err := a.shelf.Accept(envelope)
	if refusal, ok := errors.AsType[*release.Refusal](err); ok {
		a.log.Warn("release refused", zap.Uint64("release", refusal.Number), zap.String("reason", string(refusal.Reason)), zap.String("detail", refusal.Detail))
		if err := a.store.AddRefusal(ctx, &pb.Refusal{
			Release: refusal.Number, Reason: string(refusal.Reason), Detail: clip(refusal.Detail), RefusedTime: timestamppb.New(a.cfg.Now()),
		}); err != nil {
			return err
		}
		a.books.send()
		return refusal
	}
	if err != nil {
		return err
	}
	if err := a.store.RaiseFloor(ctx, held.Scope, held.Number); err != nil {
		return err
	}
	if isNew {
		a.log.Info("release taken", zap.Uint64("release", held.Number), zap.String("scope", held.Scope), zap.Time("effective", held.Effective), zap.Int("servings", held.Set.Len()))
		a.books.send()
	}
	return nil
}

// clip bounds a detail, at a rune's edge.
func clip(s string) string {
	if len(s) <= maxDetail {
		return s
	}
	cut := maxDetail
	for cut > 0 && s[cut]&0xC0 == 0x80 {
		cut--
	}
	return s[:cut] + "…"
}
