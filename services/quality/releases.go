package quality

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/services/quality/store"
)

// settlePage is how many waiting builds are judged in one transaction.
const settlePage = 1000

// resumeBook makes the consumer on the stream of books. A new or restored
// database reads the stream from its first message again.
func (s *Service) resumeBook(ctx context.Context) (jetstream.Consumer, error) {
	if s.books.count() == 0 {
		err := s.js.DeleteConsumer(ctx, bus.StreamBook, consumerName)
		if err != nil && !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return nil, fmt.Errorf("read the stream of books again: %w", err)
		}
	}
	return bus.EnsureIntakeConsumer(ctx, s.js, bus.StreamBook, consumerName, bus.BookSubjects, bus.KeyListSubjects, bus.StopListSubjects)
}

// recheckEvery is how often the intake looks on the bus for what builds wait
// for.
const recheckEvery = time.Minute

// takeDocuments stores what verifies, in order, and judges the builds that
// waited for it.
func (s *Service) takeDocuments(ctx context.Context, msgs <-chan jetstream.Msg) error {
	if err := s.fetchMissing(ctx); err != nil {
		return err
	}
	recheck := time.NewTicker(recheckEvery)
	defer recheck.Stop()
	for {
		select {
		case msg, ok := <-msgs:
			if !ok {
				return nil
			}
			if err := s.takeDocument(ctx, msg.Subject(), msg.Data()); err != nil {
				return err
			}
			if err := msg.Ack(); err != nil {
				return fmt.Errorf("acknowledge a document: %w", err)
			}
		case <-recheck.C:
			if err := s.fetchMissing(ctx); err != nil {
				return err
			}
		}
	}
}

// takeDocument takes what stands under a subject of the stream of books.
func (s *Service) takeDocument(ctx context.Context, subject string, data []byte) error {
	under := func(all string) bool { return strings.HasPrefix(subject, strings.TrimSuffix(all, "*")) }
	switch {
	case under(bus.KeyListSubjects):
		return s.takeKeyList(ctx, subject, data)
	case under(bus.StopListSubjects):
		return s.takeStopList(ctx, subject, data)
	}
	return s.takeRelease(ctx, subject, data)
}

func (s *Service) takeKeyList(ctx context.Context, subject string, data []byte) error {
	change, err := s.trust.keyList(ctx, data)
	if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.Gap {
		// Those in between stand on the bus; this one does too.
		return s.fetchKeyLists(ctx)
	}
	if err != nil {
		return s.refused(ctx, "key list", subject, data, err)
	}
	if len(change.Revoked) > 0 {
		s.log.Warn("keys were revoked; what they sign is refused from now on", zap.Uint64("key_list", change.Version), zap.Strings("keys", change.Revoked))
	}
	return nil
}

// refused sets aside what does not verify. Other errors are ours.
func (s *Service) refused(ctx context.Context, what, subject string, data []byte, err error) error {
	r, ok := errors.AsType[*release.Refusal](err)
	if !ok {
		return err
	}
	s.log.Warn(what+" refused", zap.String("subject", subject), zap.Error(err))
	return s.setAside(ctx, subject, string(r.Reason), err.Error(), data)
}

// fetchMissing reads from the bus what builds wait for, where it stands.
func (s *Service) fetchMissing(ctx context.Context) error {
	if err := s.fetchKeyLists(ctx); err != nil {
		return err
	}
	releases, err := s.store.AwaitedReleases(ctx)
	if err != nil {
		return err
	}
	for _, n := range releases {
		if s.books.holds(n) {
			continue
		}
		// A scope has one token of a subject, or two.
		for _, scope := range []string{"*", "*.*"} {
			if err := s.fetch(ctx, bus.ReleaseSubject(scope, n), s.takeRelease); err != nil {
				return err
			}
		}
	}
	lists, err := s.store.AwaitedStopLists(ctx)
	if err != nil {
		return err
	}
	for _, v := range lists {
		if s.stops.lacks(v) {
			if err := s.fetch(ctx, bus.StopListSubject(v), s.takeStopList); err != nil {
				return err
			}
		}
	}
	return nil
}

// fetchKeyLists takes every key list on the bus that follows on ours.
func (s *Service) fetchKeyLists(ctx context.Context) error {
	for {
		before := s.trust.version()
		if err := s.fetch(ctx, bus.KeyListSubject(before+1), s.takeKeyList); err != nil {
			return err
		}
		if s.trust.version() == before {
			return nil
		}
	}
}

// fetch reads the last message of a subject, which may hold wildcards; that
// there is none is no error.
func (s *Service) fetch(ctx context.Context, subject string, take func(context.Context, string, []byte) error) error {
	if s.js == nil {
		return nil
	}
	stream, err := s.js.Stream(ctx, bus.StreamBook)
	if err != nil {
		return fmt.Errorf("read %s: %w", subject, err)
	}
	msg, err := stream.GetLastMsgForSubject(ctx, subject)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read %s: %w", subject, err)
	}
	return take(ctx, msg.Subject, msg.Data)
}

func (s *Service) takeRelease(ctx context.Context, subject string, data []byte) error {
	v, err := s.trust.release(data)
	if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.UntrustedKey {
		// The key list that names the key may be behind it in the stream.
		if err := s.fetchKeyLists(ctx); err != nil {
			return err
		}
		v, err = s.trust.release(data)
	}
	if err != nil {
		return s.refused(ctx, "release", subject, data, err)
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
	return s.settleRelease(ctx, number)
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
