package authority

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
)

const (
	eventType   = "samecup.release.published"
	eventSource = "/samecup/authority"

	// republished is how many releases of a scope go out again when its
	// subject is empty: as many as the stream keeps.
	republished = bus.BookHistory
	// publishTries bounds the race with another authority for one subject.
	publishTries = 4
	// reconcileWait bounds one pass over all scopes and stations.
	reconcileWait = 5 * time.Minute
	// stepWait bounds one exchange with the bus within it.
	stepWait = 15 * time.Second
)

// Reconcile makes the streams, publishes what the stream BOOK lacks, and
// makes the consumers that are missing. Run calls it; so may a test or a
// command.
func (s *Service) Reconcile(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, reconcileWait)
	defer cancel()
	if err := s.ensureStreams(ctx); err != nil {
		return err
	}
	if err := s.reload(ctx); err != nil {
		return err
	}
	latest, err := s.store.LatestByScope(ctx)
	if err != nil {
		return err
	}
	stream, err := s.js.Stream(ctx, bus.StreamBook)
	if err != nil {
		return fmt.Errorf("find stream %s: %w", bus.StreamBook, err)
	}
	if err := s.adoptUnknown(ctx, stream, latest); err != nil {
		return err
	}
	var errs []error
	for _, scope := range slices.Sorted(maps.Keys(latest)) {
		step, cancel := context.WithTimeout(ctx, stepWait)
		errs = append(errs, s.publishScope(step, scope))
		cancel()
	}
	return errors.Join(append(errs, s.ensureConsumers(ctx, stream))...)
}

func (s *Service) ensureStreams(ctx context.Context) error {
	s.making.Lock()
	defer s.making.Unlock()
	return bus.EnsureStreams(ctx, s.js)
}

// publishScope publishes, in order, each release of a scope that is newer than
// the last message on its subject. All are sent, not only the newest: one that
// takes effect next week does not stand in for the one of today.
func (s *Service) publishScope(ctx context.Context, scope string) error {
	s.publishing.Lock()
	defer s.publishing.Unlock()
	for range publishTries {
		err := s.tryPublish(ctx, scope)
		if api, ok := errors.AsType[*jetstream.APIError](err); ok && api.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence {
			continue // somebody else published; look again
		}
		if err != nil {
			return fmt.Errorf("publish the releases of %s: %w", scope, err)
		}
		return nil
	}
	return fmt.Errorf("publish the releases of %s: the subject changed under us %d times", scope, publishTries)
}

func (s *Service) tryPublish(ctx context.Context, scope string) error {
	stream, err := s.js.Stream(ctx, bus.StreamBook)
	if errors.Is(err, jetstream.ErrStreamNotFound) {
		if err = s.ensureStreams(ctx); err == nil {
			stream, err = s.js.Stream(ctx, bus.StreamBook)
		}
	}
	if err != nil {
		return fmt.Errorf("find stream %s: %w", bus.StreamBook, err)
	}
	todo, seq, err := s.missing(ctx, stream, scope)
	if err != nil {
		return err
	}
	for _, number := range todo {
		envelope, err := s.store.Envelope(ctx, number)
		if err != nil {
			return err
		}
		msg := bus.Event(bus.BookSubject(scope), fmt.Sprintf("release-%d", number), eventType, eventSource, s.now(), envelope)
		// The expected sequence guards against doubles. The bus's memory of
		// message ids would swallow the mending of a purged stream.
		msg.Header.Del(nats.MsgIdHdr)
		ack, err := s.js.PublishMsg(ctx, msg, jetstream.WithExpectLastSequencePerSubject(seq))
		if err != nil {
			return fmt.Errorf("release %d: %w", number, err)
		}
		seq = ack.Sequence
		s.log.Info("release published", zap.Uint64("release", number), zap.String("scope", scope), zap.Uint64("sequence", seq))
	}
	return nil
}

// missing lists the releases of a scope that its subject lacks, and the
// sequence of the subject's last message, 0 for none.
func (s *Service) missing(ctx context.Context, stream jetstream.Stream, scope string) (todo []uint64, seq uint64, err error) {
	newest, err := s.store.ReleaseNumbers(ctx, scope, 0, 1)
	if err != nil || len(newest) == 0 {
		return nil, 0, err
	}
	last, err := stream.GetLastMsgForSubject(ctx, bus.BookSubject(scope))
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		todo, err = s.store.ReleaseNumbers(ctx, scope, 0, republished)
		return todo, 0, err
	}
	if err != nil {
		return nil, 0, fmt.Errorf("read the last message: %w", err)
	}
	envelope, err := s.store.Envelope(ctx, newest[0])
	if err != nil || bytes.Equal(envelope, last.Data) {
		return nil, last.Sequence, err
	}
	there, err := release.Verify(last.Data, []ed25519.PublicKey{s.PublicKey()})
	switch {
	case err != nil:
		s.log.Error("the last message is not a release of ours; publishing ours over it", zap.String("scope", scope), zap.Error(err))
		return newest, last.Sequence, nil
	case there.Release.Number > newest[0]:
		// Stations hold the higher number and would refuse ours.
		return nil, last.Sequence, s.adopt(ctx, there)
	case there.Release.Number == newest[0]:
		s.log.Error("the bus holds other bytes under our number; publishing ours over them",
			zap.String("scope", scope), zap.Uint64("release", newest[0]))
		return newest, last.Sequence, nil
	}
	todo, err = s.store.ReleaseNumbers(ctx, scope, there.Release.Number, republished)
	return todo, last.Sequence, err
}

// adopt keeps later numbers above a release of ours that the database does not
// know, which happens after the database was restored from an older copy.
func (s *Service) adopt(ctx context.Context, v *release.Verified) error {
	s.log.Error("the bus holds a release that this database does not know; was the database restored from an older copy? Publish the book again",
		zap.String("scope", v.Release.Scope), zap.Uint64("release", v.Release.Number))
	return s.store.RaiseNumber(ctx, v.Release.Number)
}

// adoptUnknown looks at the scopes that the bus has and the database has not.
func (s *Service) adoptUnknown(ctx context.Context, stream jetstream.Stream, known map[string]uint64) error {
	info, err := stream.Info(ctx, jetstream.WithSubjectFilter(bus.BookSubjects))
	if err != nil {
		return fmt.Errorf("list the subjects of %s: %w", bus.StreamBook, err)
	}
	expected := make(map[string]bool, len(known))
	for scope := range known {
		expected[bus.BookSubject(scope)] = true
	}
	for subject := range info.State.Subjects {
		if expected[subject] {
			continue
		}
		last, err := stream.GetLastMsgForSubject(ctx, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return fmt.Errorf("read the last message of %s: %w", subject, err)
		}
		there, err := release.Verify(last.Data, []ed25519.PublicKey{s.PublicKey()})
		if err != nil {
			s.log.Warn("the bus holds a message that is not a release of ours", zap.String("subject", subject), zap.Error(err))
			continue
		}
		if err := s.adopt(ctx, there); err != nil {
			return err
		}
	}
	return nil
}

// ensureConsumers makes the durable consumers that are missing. Those that
// exist keep their place.
func (s *Service) ensureConsumers(ctx context.Context, stream jetstream.Stream) error {
	have := map[string]bool{}
	names := stream.ConsumerNames(ctx)
	for name := range names.Name() {
		have[name] = true
	}
	if err := names.Err(); err != nil {
		return fmt.Errorf("list the consumers of %s: %w", bus.StreamBook, err)
	}
	members, err := s.store.Members(ctx)
	if err != nil {
		return err
	}
	var errs []error
	for _, m := range members {
		if have[bus.StationConsumer(m.Site, m.Station)] {
			continue
		}
		_, err := bus.EnsureStationConsumer(ctx, s.js, m.Site, m.Station, release.Scopes(m.Region, m.Site))
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}
