package authority

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	actsConsumer = "authority"
	maxActBytes  = 16 << 10
	maxActNote   = 500
	// actRetry is the wait before an act that could not be stored comes again.
	actRetry = 2 * time.Second
)

// actsLoop takes in what people at stations did until ctx ends.
func (s *Service) actsLoop(ctx context.Context) {
	wait := firstRetry
	for ctx.Err() == nil {
		began := time.Now()
		if err := s.takeActs(ctx); err != nil && ctx.Err() == nil {
			s.log.Warn("acts of stations are not taken in; trying again", zap.Duration("in", wait), zap.Error(err))
		}
		if time.Since(began) > time.Minute {
			wait = firstRetry
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, s.reconcileEvery)
	}
}

func (s *Service) takeActs(ctx context.Context) error {
	if err := s.ensureStreams(ctx); err != nil {
		return err
	}
	c, err := bus.EnsureIntakeConsumer(ctx, s.js, bus.StreamActs, actsConsumer)
	if err != nil {
		return err
	}
	msgs, err := c.Messages()
	if err != nil {
		return fmt.Errorf("read stream %s: %w", bus.StreamActs, err)
	}
	defer msgs.Stop()
	for {
		m, err := msgs.Next(jetstream.NextContext(ctx))
		if err != nil {
			return fmt.Errorf("read stream %s: %w", bus.StreamActs, err)
		}
		if err := s.takeAct(ctx, m); err != nil {
			return err
		}
	}
}

// takeAct decides one act and answers the bus: acknowledged once it is in the
// record, terminated where it never can be, sent again where we failed.
func (s *Service) takeAct(ctx context.Context, m jetstream.Msg) error {
	err := s.stationAct(ctx, m.Subject(), m.Data())
	switch {
	case err == nil:
		return m.Ack()
	case errors.Is(err, errBadAct) || neverTaken(err):
		s.log.Warn("a station's act is not taken", zap.String("subject", m.Subject()), zap.Error(err))
		return m.TermWithReason(clip(err.Error(), 200))
	case ctx.Err() != nil:
		return ctx.Err()
	}
	s.log.Error("a station's act could not be stored; it comes again", zap.String("subject", m.Subject()), zap.Error(err))
	return m.NakWithDelay(actRetry)
}

// neverTaken: the decision refused it, and will when it comes again.
func neverTaken(err error) bool {
	switch status.Code(err) {
	case codes.InvalidArgument, codes.NotFound, codes.AlreadyExists, codes.PermissionDenied, codes.FailedPrecondition:
		return true
	}
	return false
}

var errBadAct = errors.New("not an act of a station")

func badAct(format string, args ...any) error {
	return fmt.Errorf("%w: %s", errBadAct, fmt.Sprintf(format, args...))
}

// stationAct puts what a person at a station did into the record. The subject
// is what the bus lets the station use, so the payload must agree with it.
func (s *Service) stationAct(ctx context.Context, subject string, data []byte) error {
	site, station, ok := bus.SplitStationSubject(subject)
	if !ok {
		return badAct("the subject names no station")
	}
	if len(data) > maxActBytes {
		return badAct("%d bytes; at most %d are taken", len(data), maxActBytes)
	}
	var a pb.StationAct
	if err := proto.Unmarshal(data, &a); err != nil {
		return badAct("%v", err)
	}
	id, err := uuid.Parse(a.Id)
	switch {
	case err != nil || len(a.Id) != 36:
		return badAct("id is %q; a UUID is wanted", clip(a.Id, 80))
	case a.Site != site || a.Station != station:
		return badAct("payload names %q/%q, and the subject another station", clip(a.Site, 80), clip(a.Station, 80))
	case !s.dir.has(store.StationKey{Site: site, Station: station}):
		return badAct("station %s/%s is not enrolled", site, station)
	case strings.TrimSpace(a.Person) == "" || utf8.RuneCountInString(a.Person) > maxNameRunes:
		return badAct("person has %d characters; 1 to %d are taken", utf8.RuneCountInString(a.Person), maxNameRunes)
	case !a.ActTime.IsValid():
		return badAct("act_time is missing or no time")
	}
	call := govern.Call{Actor: govern.StationActor(site, station), At: s.now(), RequestID: id.String(), RequestDigest: sha256.Sum256(data)}
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		switch act := a.Act.(type) {
		case *pb.StationAct_StopSeen:
			if n := utf8.RuneCountInString(act.StopSeen.GetNote()); n > maxActNote {
				return nil, badAct("note has %d characters; at most %d are kept", n, maxActNote)
			}
			return t.AcknowledgeStop(t.Call, govern.StopSeen{Stop: act.StopSeen.GetStop(), Site: site, Person: strings.TrimSpace(a.Person),
				Note: act.StopSeen.GetNote(), Seen: a.ActTime.AsTime()})
		case *pb.StationAct_CardSeen:
			return t.AcknowledgeCard(t.Call, rules(), govern.CardSeen{Site: site, Edition: act.CardSeen.GetEdition(), Person: strings.TrimSpace(a.Person)})
		}
		return nil, badAct("of a kind that this version does not know")
	})
	return err
}
