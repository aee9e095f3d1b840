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
	"samecup.example/samecup/services/authority/store"
)

const (
	// askWait bounds one question to the bus.
	askWait = 5 * time.Second
	// headersAtOnce are asked for together.
	headersAtOnce = 1000
	// readerLife is how long the bus keeps a reader that asks no more.
	readerLife = time.Minute
)

// streamState tells whether a stream moved: messages never change in place.
type streamState struct {
	created     time.Time
	first, last uint64
	messages    uint64
	deleted     int
	act         uint64
}

// ask bounds one question to the bus: it ends after askWait, and at once when
// the connection is lost, whose answer will not come.
func (s *Service) ask(ctx context.Context) (context.Context, context.CancelFunc) {
	ctx, forget := bus.WhileConnected(ctx, s.nats)
	ctx, cancel := context.WithTimeout(ctx, s.pub.askWait)
	return ctx, func() { cancel(); forget() }
}

// Reconcile makes the streams and publishes what the stream BOOK lacks or
// holds otherwise. Run calls it; so may a test or a command. A stream that did
// not move since the last pass is not read. The publisher is not held while it
// is, so that a stop waits for no comparison.
func (s *Service) Reconcile(ctx context.Context) error {
	if err := s.pub.pass.enter(ctx, "the comparison that is on its way"); err != nil {
		return err
	}
	defer s.pub.pass.leave()
	if err := s.ensureStreams(ctx); err != nil {
		return err
	}
	ask, done := s.ask(ctx)
	stream, err := s.js.Stream(ask, bus.StreamBook)
	err = bus.Why(ask, err)
	done()
	if err != nil {
		return fmt.Errorf("find stream %s: %w", bus.StreamBook, err)
	}
	if moved, err := s.catchUp(ctx, stream); err != nil || !moved {
		return err
	}
	have, err := s.subjects(ctx, stream)
	if err != nil {
		return fmt.Errorf("read stream %s: %w", bus.StreamBook, err)
	}
	lacking, err := s.compare(ctx, stream, have)
	if err != nil || lacking == 0 {
		return err
	}
	if err := s.publish(ctx); err != nil {
		return err
	}
	// What was sent is looked at once more by the next pass.
	s.log.Info("the stream of documents was filled up", zap.Int("documents", lacking))
	return nil
}

// catchUp sends what is known to be lacking and tells whether the stream has to
// be read. Before the first comparison nothing is sent: the bus may hold
// documents above ours.
func (s *Service) catchUp(ctx context.Context, stream jetstream.Stream) (moved bool, err error) {
	if err := s.pub.lock(ctx); err != nil {
		return false, err
	}
	err = s.sign(ctx)
	moved = stateOf(stream, s.pub.seen) != s.pub.quiet || len(s.pub.waiting()) > 0
	s.pub.unlock()
	if err != nil || !moved || !s.pub.compared.Load() {
		return moved, err
	}
	return true, s.publish(ctx)
}

// compare lists for the publisher what the stream lacks, given what it has, and
// counts it.
func (s *Service) compare(ctx context.Context, stream jetstream.Stream, have map[string]string) (lacking int, err error) {
	if err := s.pub.lock(ctx); err != nil {
		return 0, err
	}
	defer s.pub.unlock()
	if err := s.adopt(ctx, stream, have); err != nil {
		return 0, err
	}
	s.pub.compared.Store(true)
	if err := s.sign(ctx); err != nil { // above what was adopted
		return 0, err
	}
	if err := s.lacking(ctx, have); err != nil {
		return 0, err
	}
	if lacking = len(s.pub.waiting()); lacking == 0 {
		s.pub.quiet = stateOf(stream, s.pub.seen)
	}
	return lacking, nil
}

// ensureStreams makes the streams. The loops that need them take turns, so that
// none may wait for a lost answer.
func (s *Service) ensureStreams(ctx context.Context) error {
	s.making.Lock()
	defer s.making.Unlock()
	ctx, done := s.ask(ctx)
	defer done()
	err := bus.Why(ctx, bus.EnsureReplicated(ctx, s.js, s.replicas))
	if !errors.Is(err, bus.ErrAway) {
		s.pub.streams.Store(err == nil)
	}
	return err
}

// stateOf is the stream as it was looked at, before what came meanwhile.
func stateOf(stream jetstream.Stream, act uint64) streamState {
	i := stream.CachedInfo()
	return streamState{created: i.Created, first: i.State.FirstSeq, last: i.State.LastSeq, messages: i.State.Msgs, deleted: i.State.NumDeleted, act: act}
}

// subjects reads which bytes stand on each subject by their header: a few
// hundred bytes a message, for any number of sites. The library's own ordered
// reader is no use here: it asks without end and heeds no context.
func (s *Service) subjects(ctx context.Context, stream jetstream.Stream) (map[string]string, error) {
	have := map[string]string{}
	if stream.CachedInfo().State.Msgs == 0 {
		return have, nil
	}
	ask, done := s.ask(ctx)
	c, err := stream.CreateConsumer(ask, jetstream.ConsumerConfig{
		DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy, FilterSubject: ">", HeadersOnly: true,
		AckPolicy: jetstream.AckNonePolicy, MemoryStorage: true, Replicas: 1, InactiveThreshold: readerLife,
	})
	err = bus.Why(ask, err)
	done()
	if err != nil {
		return nil, err
	}
	left, read := c.CachedInfo().NumPending, uint64(0)
	for left > 0 {
		before := read
		if left, err = s.headers(ctx, c, &read, have); err != nil {
			return nil, err
		}
		if read > before || left == 0 {
			continue
		}
		// What was to come may have been replaced meanwhile, and be of no account.
		ask, done := s.ask(ctx)
		info, err := c.Info(ask)
		err = bus.Why(ask, err)
		done()
		if err != nil {
			return nil, err
		}
		if info.NumPending > 0 {
			return nil, fmt.Errorf("%d messages were announced and none came", info.NumPending)
		}
		return have, nil
	}
	return have, nil
}

// headers reads the next of them and tells how many are left; read counts them.
func (s *Service) headers(ctx context.Context, c jetstream.Consumer, read *uint64, have map[string]string) (left uint64, err error) {
	ask, done := s.ask(ctx)
	defer done()
	batch, err := c.FetchNoWait(headersAtOnce)
	if err != nil {
		return 0, err
	}
	left = 1 // until a message says otherwise
	for {
		select {
		case m, open := <-batch.Messages():
			if !open {
				return left, batch.Error()
			}
			md, err := m.Metadata()
			if err != nil {
				return 0, err
			}
			if *read++; md.Sequence.Consumer != *read {
				return 0, fmt.Errorf("message %d came in the place of %d", md.Sequence.Consumer, *read)
			}
			have[m.Subject()] = m.Headers().Get(sumHeader)
			left = md.NumPending
		case <-ask.Done():
			return 0, bus.Why(ask, ask.Err())
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
	for key, d := range p.placements {
		if subject := placementSubject(key); have[subject] != sumOf(d.envelope) {
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
		var key store.StationKey
		isPlacement := strings.HasPrefix(subject, strings.TrimSuffix(bus.PlacementSubjects, "*.*"))
		if isPlacement {
			key.Site, key.Station, isPlacement = bus.SplitStationSubject(subject)
		}
		switch {
		case isAssignment && sum != sumOf(p.assignments[site].envelope), isPlacement && sum != sumOf(p.placements[key].envelope), isRelease && number >= next, isStops && number > p.stops.version:
		default:
			continue
		}
		ask, done := s.ask(ctx)
		m, err := stream.GetLastMsgForSubject(ask, subject)
		err = bus.Why(ask, err)
		done()
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
		case isPlacement:
			var x *pb.Placement
			if x, refused = trust.VerifyPlacement(m.Data, key.Site, key.Station); refused == nil && x.Serial >= p.placements[key].version {
				p.floors[subject] = max(p.floors[subject], x.Serial)
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
