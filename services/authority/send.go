package authority

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
)

const (
	eventType   = "samecup.document.published"
	eventSource = "/samecup/authority"
	// sumHeader lets a pass tell what stands on a subject without its bytes. It
	// proves nothing; stations check signatures.
	sumHeader = "Samecup-Sha256"
	// inFlight bounds messages that wait for their acknowledgement, and
	// inFlightBytes what they hold, unless one alone is larger.
	inFlight      = 256
	inFlightBytes = 16 << 20
)

// publish signs what is due and sends what the bus lacks as far as is known:
// key lists and releases before the assignments that name them.
func (s *Service) publish(ctx context.Context) error {
	if err := s.pub.lock(ctx); err != nil {
		return err
	}
	defer s.pub.unlock()
	if err := s.sign(ctx); err != nil {
		return err
	}
	return s.send(ctx)
}

// settle publishes within busWait; what does not go out then is sent by Run.
func (s *Service) settle(ctx context.Context) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), s.busWait)
	defer cancel()
	if err := s.publish(ctx); err != nil {
		s.log.Warn("stored but not published yet; it will be when the bus answers", zap.Error(err))
	}
}

// letter is a message ready to go.
type letter struct {
	key string
	out outgoing
	msg *nats.Msg
}

// send publishes what waits. The publisher must be locked.
func (s *Service) send(ctx context.Context) error {
	waiting := s.pub.waiting()
	if len(waiting) == 0 {
		return nil
	}
	if !s.pub.streams {
		if err := s.ensureStreams(ctx); err != nil {
			return err
		}
		s.pub.streams = true
	}
	keys := make([]string, 0, len(waiting))
	for k := range waiting {
		keys = append(keys, k)
	}
	slices.SortFunc(keys, func(a, b string) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(waiting[a].release, waiting[b].release), cmp.Compare(a, b))
	})
	for len(keys) > 0 {
		var batch []letter
		size, class := 0, rank(keys[0])
		for len(keys) > 0 && len(batch) < inFlight && rank(keys[0]) == class {
			l, err := s.letter(ctx, keys[0], waiting[keys[0]])
			if err != nil {
				return err
			}
			if size += len(l.msg.Data); len(batch) > 0 && size > inFlightBytes {
				break
			}
			batch, keys = append(batch, l), keys[1:]
		}
		if err := s.sendBatch(ctx, batch); err != nil {
			s.pub.streams = false // it may be the stream that is gone
			return err
		}
	}
	return nil
}

// rank is the order in which kinds of documents go out.
func rank(key string) int {
	switch {
	case strings.HasPrefix(key, bus.KeyListSubjects[:len(bus.KeyListSubjects)-1]):
		return 0
	case strings.HasPrefix(key, bus.AssignmentSubject("")):
		return 3
	case strings.HasPrefix(key, bus.StopListSubjects[:len(bus.StopListSubjects)-1]):
		return 1 // a stop comes before a book
	}
	return 2
}

func (s *Service) letter(ctx context.Context, key string, o outgoing) (letter, error) {
	subject, id, body := key, key, o.envelope
	if o.release != 0 {
		r, err := s.store.Release(ctx, o.release)
		if err != nil {
			return letter{}, err
		}
		if body, err = s.envelope(ctx, o.release); err != nil {
			return letter{}, err
		}
		subject, id = bus.ReleaseSubject(r.Scope, o.release), fmt.Sprintf("release-%d", o.release)
	}
	msg := bus.Event(subject, id, eventType, eventSource, s.now(), body)
	// The bus's memory of ids would swallow the mending of a lost stream.
	msg.Header.Del(nats.MsgIdHdr)
	sum := sha256.Sum256(body)
	msg.Header.Set(sumHeader, hex.EncodeToString(sum[:]))
	return letter{key: key, out: o, msg: msg}, nil
}

// sendBatch publishes and waits for every acknowledgement.
func (s *Service) sendBatch(ctx context.Context, batch []letter) error {
	futures := make([]jetstream.PubAckFuture, 0, len(batch))
	var errs []error
	for _, l := range batch {
		f, err := s.js.PublishMsgAsync(l.msg)
		if err != nil {
			errs = append(errs, fmt.Errorf("publish %s: %w", l.msg.Subject, err))
			break
		}
		futures = append(futures, f)
	}
	for i, f := range futures {
		select {
		case <-f.Ok():
			s.pub.sent(batch[i].key, batch[i].out)
			if n := batch[i].out.release; n != 0 {
				s.log.Info("release published", zap.Uint64("release", n), zap.String("subject", batch[i].msg.Subject))
			}
		case err := <-f.Err():
			errs = append(errs, fmt.Errorf("publish %s: %w", batch[i].msg.Subject, err))
		case <-ctx.Done():
			return errors.Join(append(errs, fmt.Errorf("publish %s: %w", batch[i].msg.Subject, ctx.Err()))...)
		}
		if len(errs) > 4 {
			break // one tells enough
		}
	}
	return errors.Join(errs...)
}

// publishLoop sends what each change made due. What fails waits for the next
// change, the next tick or the next reconciliation.
func (s *Service) publishLoop(ctx context.Context) {
	tick := time.NewTicker(s.tickEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.pub.bell:
		case <-tick.C:
			s.tick(ctx)
		}
		step, cancel := context.WithTimeout(ctx, reconcileWait)
		if err := s.publish(step); err != nil && ctx.Err() == nil {
			s.log.Warn("not everything is published; trying again", zap.Error(err))
		}
		cancel()
	}
}

// tick lets time do its part. Assignments are renewed by the publish that
// follows it; what else depends on time adds itself with onTick.
func (s *Service) tick(ctx context.Context) {
	for _, f := range s.onTick {
		f(ctx, s.now())
	}
}
