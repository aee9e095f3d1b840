package authority

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
)

const (
	eventType   = "samecup.document.published"
	eventSource = "/samecup/authority"
	// sumHeader lets a pass tell what stands on a subject without its bytes. It
	// proves nothing; stations check signatures.
	sumHeader = "Samecup-Sha256"
)

// publish signs what is due and sends what the bus lacks as far as is known:
// key lists, placements and releases before the assignments that need them. The publisher is
// let go of now and then, so that a stop does not wait for the assignments of a
// whole chain.
func (s *Service) publish(ctx context.Context) error {
	for {
		if more, err := s.publishSome(ctx); err != nil || !more {
			return err
		}
	}
}

func (s *Service) publishSome(ctx context.Context) (more bool, err error) {
	if err := s.pub.lock(ctx); err != nil {
		return false, err
	}
	defer s.pub.unlock()
	if err := s.sign(ctx); err != nil {
		return false, err
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

// send publishes what waits, at most a window full, and tells whether more does.
// The publisher must be locked.
func (s *Service) send(ctx context.Context) (more bool, err error) {
	waiting := s.pub.waiting()
	if len(waiting) == 0 {
		return false, nil
	}
	if !s.pub.streams.Load() {
		if err := s.ensureStreams(ctx); err != nil {
			return false, err
		}
	}
	ctx, done := bus.WhileConnected(ctx, s.nats)
	defer done()
	keys := slices.SortedFunc(maps.Keys(waiting), func(a, b string) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(waiting[a].release, waiting[b].release), cmp.Compare(a, b))
	})
	some := keys[:min(len(keys), bus.InFlight)]
	w := bus.NewWindow(s.js, s.pub.askWait)
	if err := bus.Why(ctx, errors.Join(s.sendAll(ctx, w, some, waiting), w.Wait(ctx))); err != nil {
		if !errors.Is(err, bus.ErrAway) {
			s.pub.streams.Store(false) // it may be the stream that is gone
		}
		return false, err
	}
	return len(some) < len(keys), nil
}

// sendAll puts what waits under the keys into the window. One connection's
// messages are stored and handed on in the order in which they were sent, so that
// an assignment finds its release there without our waiting for the disk in
// between. Where a release fails alone, stations ask for it until it is sent again.
func (s *Service) sendAll(ctx context.Context, w *bus.Window, keys []string, waiting map[string]outgoing) error {
	for _, key := range keys {
		out := waiting[key]
		m, err := s.message(ctx, key, out)
		if err != nil {
			return err
		}
		if err := w.Publish(ctx, m, func() {
			s.pub.sent(key, out)
			if out.release != 0 {
				s.log.Info("release published", zap.Uint64("release", out.release), zap.String("subject", m.Subject))
			}
		}); err != nil {
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
	return 2 // placements and releases, both before the assignments that need them
}

// message is what waits under a key, ready to go.
func (s *Service) message(ctx context.Context, key string, o outgoing) (*nats.Msg, error) {
	subject, id, body := key, key, o.envelope
	if o.release != 0 {
		r, err := s.store.Release(ctx, o.release)
		if err != nil {
			return nil, err
		}
		if body, err = s.envelope(ctx, o.release); err != nil {
			return nil, err
		}
		subject, id = bus.ReleaseSubject(r.Scope, o.release), fmt.Sprintf("release-%d", o.release)
	}
	msg := bus.Event(subject, id, eventType, eventSource, s.now(), body)
	// The bus's memory of ids would swallow the mending of a lost stream.
	msg.Header.Del(nats.MsgIdHdr)
	sum := sha256.Sum256(body)
	msg.Header.Set(sumHeader, hex.EncodeToString(sum[:]))
	return msg, nil
}

// publishLoop sends what each change made due. What fails waits for the next
// change, the next tick or the next reconciliation.
func (s *Service) publishLoop(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-s.pub.bell:
		}
		if !s.pub.compared.Load() {
			continue // the first comparison sends everything
		}
		if err := s.publish(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("not everything is published; trying again", zap.Error(err))
		}
	}
}

// tickLoop lets time do its part, apart from the publisher: a tick may wait for
// quality, and a stop must not. Assignments are renewed by the publish that
// follows each tick; what else depends on time adds itself with onTick.
func (s *Service) tickLoop(ctx context.Context) {
	tick := time.NewTicker(s.tickEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		for _, f := range s.onTick {
			f(ctx, s.now())
		}
		s.pub.ring()
	}
}
