package quality

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/services/quality/store"
)

// settlePage is how many waiting builds are judged in one transaction.
const settlePage = 1000

// resumeBook makes the consumer on the stream of books. It starts from the
// first message again where the database may lack a release that was
// acknowledged: a new or restored database, or a key that was added since.
func (s *Service) resumeBook(ctx context.Context) (jetstream.Consumer, error) {
	again, err := s.lacksRelease(ctx)
	if err != nil {
		return nil, err
	}
	if again {
		err := s.js.DeleteConsumer(ctx, bus.StreamBook, consumerName)
		if err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return nil, fmt.Errorf("read the stream of books again: %w", err)
		}
	}
	return bus.EnsureIntakeConsumer(ctx, s.js, bus.StreamBook, consumerName)
}

func (s *Service) lacksRelease(ctx context.Context) (bool, error) {
	if s.books.count() == 0 {
		return true, nil
	}
	awaited, err := s.store.AwaitedReleases(ctx)
	if err != nil {
		return false, err
	}
	for _, n := range awaited {
		if !s.books.holds(n) {
			return true, nil
		}
	}
	return false, nil
}

// recheckEvery is how often the intake makes sure that no build waits for a
// release that the bus has.
const recheckEvery = time.Minute

var errRecheck = errors.New("builds wait for a release; reading the stream of books again")

// takeReleases stores what verifies, in order, and judges the builds that
// waited for it.
func (s *Service) takeReleases(ctx context.Context, msgs <-chan jetstream.Msg) error {
	recheck := time.NewTicker(recheckEvery)
	defer recheck.Stop()
	for {
		select {
		case msg, ok := <-msgs:
			if !ok {
				return nil
			}
			if err := s.takeRelease(ctx, msg.Subject(), msg.Data()); err != nil {
				return err
			}
			if err := msg.Ack(); err != nil {
				return fmt.Errorf("acknowledge a release: %w", err)
			}
		case <-recheck.C:
			lacks, err := s.lacksRelease(ctx)
			if err != nil {
				return err
			}
			if lacks && s.books.count() > 0 {
				return errRecheck
			}
		}
	}
}

func (s *Service) takeRelease(ctx context.Context, subject string, data []byte) error {
	v, err := release.Verify(data, s.cfg.TrustedKeys)
	if err != nil {
		reason := string(release.Unreadable)
		if r, ok := errors.AsType[*release.Refusal](err); ok {
			reason = string(r.Reason)
		}
		s.log.Warn("release refused", zap.String("subject", subject), zap.Error(err))
		return s.setAside(ctx, subject, reason, err.Error(), data)
	}
	if v.Release.Number > store.MaxNumber {
		return s.setAside(ctx, subject, reasonBadField, fmt.Sprintf("release number %d is beyond what can be stored", v.Release.Number), data)
	}
	number := v.Release.Number
	stored, err := s.storeRelease(ctx, store.Release{
		Number: number, Scope: v.Release.Scope, Digest: v.Digest[:], Envelope: data, Received: s.cfg.Now(),
	})
	if err != nil {
		return err
	}
	if !bytes.Equal(stored, v.Digest[:]) {
		s.log.Error("two releases bear one number; the first is kept", zap.Uint64("release", number), zap.String("subject", subject))
		return s.setAside(ctx, subject, reasonNumberTaken, fmt.Sprintf("release %d is here already with other content", number), data)
	}
	return s.settle(ctx, number)
}

func (s *Service) storeRelease(ctx context.Context, r store.Release) (digest []byte, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	err = s.store.Write(ctx, func(tx store.Tx) error {
		digest, err = tx.InsertRelease(r)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store release %d: %w", r.Number, err)
	}
	// Under the lock: a build committed after this finds the release.
	s.books.add(r.Number)
	return digest, nil
}

func (s *Service) setAside(ctx context.Context, subject, reason, detail string, data []byte) error {
	return s.store.Write(ctx, func(tx store.Tx) error {
		return tx.SetAside([]store.Quarantine{{Subject: subject, Reason: reason, Detail: detail, Received: s.cfg.Now(), Bytes: data}})
	})
}

// settleAll judges the builds of every release that is here and that some
// still wait for.
func (s *Service) settleAll(ctx context.Context) error {
	awaited, err := s.store.AwaitedReleases(ctx)
	if err != nil {
		return err
	}
	for _, n := range awaited {
		if err := s.settle(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

// settle judges the builds that waited for a release, page by page; what a
// crash leaves over is found again by settleAll.
func (s *Service) settle(ctx context.Context, number uint64) error {
	set, err := s.books.set(ctx, number)
	if err != nil || set == nil {
		return err
	}
	var after int64
	for {
		page, err := s.store.Awaiting(ctx, number, after, settlePage)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		after = page[len(page)-1].Ref
		var j judge
		settled := make([]*store.Build, 0, len(page))
		for i := range page {
			b := &page[i]
			if err := j.stored(b, set); err != nil {
				s.log.Error("a stored build cannot be judged", zap.String("build", b.ID), zap.Error(err))
				continue
			}
			b.Received = s.cfg.Now()
			settled = append(settled, b)
		}
		if err := s.commitSettled(ctx, settled); err != nil {
			return err
		}
	}
}

func (s *Service) commitSettled(ctx context.Context, builds []*store.Build) error {
	s.writing.Lock()
	defer s.writing.Unlock()
	rang := false
	err := s.store.Write(ctx, func(tx store.Tx) error {
		c := counter{tx: tx, stations: map[stationKey]*tally{}}
		for _, b := range builds {
			was, err := tx.Settle(b)
			if err != nil {
				return err
			}
			if !was {
				continue
			}
			t, err := c.station(b.Site, b.Station)
			if err != nil {
				return err
			}
			t.Awaiting--
			c.judged(t, b)
		}
		rang = len(c.deviations) > 0
		return c.save()
	})
	if err != nil {
		return fmt.Errorf("settle %d builds: %w", len(builds), err)
	}
	s.taken.ring()
	if rang {
		s.heard.ring()
	}
	return nil
}
