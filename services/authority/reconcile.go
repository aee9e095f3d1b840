package authority

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// reconcileWait bounds one pass over all that stands on the bus.
	reconcileWait = time.Minute
	// headerWait bounds the wait for the next of the stream's messages.
	headerWait = 15 * time.Second
)

// streamState tells whether a stream moved: messages never change in place.
type streamState struct {
	created     time.Time
	first, last uint64
	messages    uint64
	deleted     int
	act         uint64
}

// Reconcile makes the streams and publishes what the stream BOOK lacks or
// holds otherwise. Run calls it; so may a test or a command. A stream that did
// not move since the last pass costs one question.
func (s *Service) Reconcile(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, reconcileWait)
	defer cancel()
	if err := s.pub.lock(ctx); err != nil {
		return err
	}
	defer s.pub.unlock()
	if err := s.ensureStreams(ctx); err != nil {
		s.pub.streams = false
		return err
	}
	s.pub.streams = true
	stream, err := s.js.Stream(ctx, bus.StreamBook)
	if err != nil {
		return fmt.Errorf("find stream %s: %w", bus.StreamBook, err)
	}
	if err := s.sign(ctx); err != nil {
		return err
	}
	if state := stateOf(stream, s.pub.seen); state == s.pub.quiet && len(s.pub.waiting()) == 0 {
		return nil
	}
	have, err := s.subjects(ctx, stream)
	if err != nil {
		return err
	}
	if err := s.adopt(ctx, stream, have); err != nil {
		return err
	}
	if err := s.sign(ctx); err != nil { // above what was adopted
		return err
	}
	if err := s.lacking(ctx, have); err != nil {
		return err
	}
	lacking := len(s.pub.waiting())
	if err := s.send(ctx); err != nil {
		return err
	}
	if lacking > 0 {
		s.log.Info("the stream of documents was filled up", zap.Int("documents", lacking))
		return nil // what was sent is looked at once more
	}
	s.pub.quiet = stateOf(stream, s.pub.seen)
	return nil
}

func (s *Service) ensureStreams(ctx context.Context) error {
	s.making.Lock()
	defer s.making.Unlock()
	return bus.EnsureStreams(ctx, s.js)
}

// stateOf is the stream as it was looked at, before what came meanwhile.
func stateOf(stream jetstream.Stream, act uint64) streamState {
	i := stream.CachedInfo()
	return streamState{created: i.Created, first: i.State.FirstSeq, last: i.State.LastSeq, messages: i.State.Msgs, deleted: i.State.NumDeleted, act: act}
}

// subjects reads which bytes stand on each subject by their header: a few
// hundred bytes a message, pushed at full speed, for any number of sites.
func (s *Service) subjects(ctx context.Context, stream jetstream.Stream) (map[string]string, error) {
	have := map[string]string{}
	if stream.CachedInfo().State.Msgs == 0 {
		return have, nil
	}
	c, err := stream.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy, HeadersOnly: true,
	})
	if err != nil {
		return nil, fmt.Errorf("read stream %s: %w", bus.StreamBook, err)
	}
	if c.CachedInfo() != nil && c.CachedInfo().NumPending == 0 {
		return have, nil
	}
	msgs, err := c.Messages()
	if err != nil {
		return nil, fmt.Errorf("read stream %s: %w", bus.StreamBook, err)
	}
	defer msgs.Stop()
	for {
		step, cancel := context.WithTimeout(ctx, headerWait)
		m, err := msgs.Next(jetstream.NextContext(step))
		cancel()
		if err != nil {
			return nil, fmt.Errorf("read stream %s: %w", bus.StreamBook, err)
		}
		have[m.Subject()] = m.Headers().Get(sumHeader)
		md, err := m.Metadata()
		if err != nil {
			return nil, fmt.Errorf("read stream %s: %w", bus.StreamBook, err)
		}
		if md.NumPending == 0 {
			return have, nil
		}
	}
}

func sumOf(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}

// lacking lists for the bus what it does not hold as it should.
func (s *Service) lacking(ctx context.Context, have map[string]string) error {
	p := s.pub
	for i, l := range s.KeyLists() {
		version := uint64(i) + 1 //nolint:gosec // an index
		if subject := bus.KeyListSubject(version); have[subject] != sumOf(l) {
			p.put(subject, outgoing{version: version, envelope: l})
		}
	}
	for site, d := range p.assignments {
		if subject := bus.AssignmentSubject(site); have[subject] != sumOf(d.envelope) {
			p.put(subject, outgoing{version: d.version, envelope: d.envelope})
		}
	}
	missing := false
	for version, sum := range p.stopSums {
		missing = missing || have[bus.StopListSubject(version)] != hex.EncodeToString(sum[:])
	}
	if missing {
		docs, err := s.store.Documents(ctx, strings.TrimSuffix(bus.StopListSubjects, "*"))
		if err != nil {
			return err
		}
		for _, d := range docs {
			if have[d.Subject] != sumOf(d.Envelope) {
				p.put(d.Subject, outgoing{version: d.Version, envelope: d.Envelope})
			}
		}
	}
	var live []uint64
	var scopes []string
	s.view(func(st *govern.State) {
		for _, n := range liveReleases(st) {
			if r, ok := st.Release(n); ok {
				live, scopes = append(live, n), append(scopes, r.Scope)
			}
		}
	})
	for i, n := range live {
		sum, err := s.releaseSum(ctx, n)
		if err != nil {
			return err
		}
		if have[bus.ReleaseSubject(scopes[i], n)] != sum {
			p.put(fmt.Sprintf("release %d", n), outgoing{release: n})
		}
	}
	return nil
}

// releaseSum is the digest of a release's envelope, which changes only with
// the keys.
func (s *Service) releaseSum(ctx context.Context, number uint64) (string, error) {
	_, _, keyList := s.keys.signers()
	if s.sumsFor != keyList {
		s.sums, s.sumsFor = map[uint64]string{}, keyList
	}
	if sum, ok := s.sums[number]; ok {
		return sum, nil
	}
	envelope, err := s.envelope(ctx, number)
	if err != nil {
		return "", err
	}
	s.sums[number] = sumOf(envelope)
	return s.sums[number], nil
}

// adopt looks for documents of ours on the bus that this database does not
// know, as after it was restored from an older copy. Stations hold their
// numbers and would refuse lower ones, so that later ones must be higher.
func (s *Service) adopt(ctx context.Context, stream jetstream.Stream, have map[string]string) error {
	p := s.pub
	trust, err := trustOf(s.KeyLists())
	if err != nil {
		return err
	}
	var next uint64
	s.view(func(st *govern.State) { next = st.NextRelease() })
	highest := uint64(0)
	for subject, sum := range have {
		site, isAssignment := strings.CutPrefix(subject, bus.AssignmentSubject(""))
		isRelease, isStops := strings.HasPrefix(subject, strings.TrimSuffix(bus.BookSubjects, ">")), strings.HasPrefix(subject, strings.TrimSuffix(bus.StopListSubjects, "*"))
		number, _ := strconv.ParseUint(subject[strings.LastIndexByte(subject, '.')+1:], 10, 64)
		switch {
		case isAssignment && sum != sumOf(p.assignments[site].envelope), isRelease && number >= next, isStops && number > p.stops.version:
		default:
			continue
		}
		m, err := stream.GetLastMsgForSubject(ctx, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			continue
		}
		if err != nil {
			return fmt.Errorf("read %s: %w", subject, err)
		}
		var refused error
		switch {
		case isAssignment:
			var a pb.Assignment
			if _, refused = trust.VerifyAssignment(m.Data, site); refused == nil {
				if refused = payload(m.Data, &a); refused == nil && a.Serial >= p.assignments[site].version {
					p.floors[site] = max(p.floors[site], a.Serial)
				}
			}
		case isRelease:
			if _, refused = trust.VerifyRelease(m.Data); refused == nil {
				highest = max(highest, number)
			}
		case isStops:
			if _, refused = trust.VerifyStopList(m.Data); refused == nil {
				p.floors["stops"] = max(p.floors["stops"], number)
			}
		}
		if refused != nil {
			s.log.Warn("the bus holds a message that is not a document of ours", zap.String("subject", subject), zap.Error(refused))
		}
	}
	if highest == 0 {
		return nil
	}
	s.log.Error("the bus holds a release that this database does not know; was the database restored from an older copy? Publish the book again",
		zap.Uint64("release", highest))
	_, err = s.do(ctx, govern.Call{Actor: govern.SystemActor()}, func(t *turn) ([]govern.Act, error) {
		return t.RaiseNumber(t.Call, highest), nil
	})
	return err
}
