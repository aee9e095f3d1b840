package station

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// missedPresences is how many unanswered presences make a station offline.
const missedPresences = 3

// present reports the station every PresenceEvery, when the bus comes back,
// and when the release in force or the refusals change.
func (a *Agent) present(ctx context.Context, nc *nats.Conn) {
	var tries backoff
	for ctx.Err() == nil {
		books, up := a.books.wait(), a.up.wait()
		if err := a.presentOnce(ctx, nc); err == nil {
			tries = backoff{}
		} else if ctx.Err() == nil {
			a.complain(&tries, "the centre does not answer", err)
			tries.tries++
		}
		wait, cancel := context.WithTimeout(ctx, a.untilPresence())
		select {
		case <-books:
		case <-up:
		case <-wait.Done():
		}
		cancel()
	}
}

// untilPresence is PresenceEvery, or less if a release takes over sooner.
func (a *Agent) untilPresence() time.Duration {
	d := a.cfg.PresenceEvery
	now := a.cfg.Now()
	if next := a.shelf.Next(now); next != nil {
		d = min(d, max(next.Start.Sub(now), time.Millisecond))
	}
	return d
}

func (a *Agent) presentOnce(ctx context.Context, nc *nats.Conn) error {
	p, err := a.presence(ctx)
	if err != nil {
		return err
	}
	p.Nonce = make([]byte, release.MinNonce)
	_, _ = rand.Read(p.Nonce) // never fails
	data, err := proto.Marshal(p)
	if err != nil {
		return fmt.Errorf("marshal the presence: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, sendDeadline)
	defer cancel()
	sent := time.Now()
	m, err := nc.RequestWithContext(ctx, bus.PresenceSubject(a.id.Site, a.id.Station), data)
	if err != nil {
		return fmt.Errorf("report presence: %w", err)
	}
	trip := time.Since(sent)
	var reply pb.PresenceReply
	if err := proto.Unmarshal(m.Data, &reply); err != nil {
		return fmt.Errorf("read the answer to a presence: %w", err)
	}
	if reply.GetCentreTime().CheckValid() != nil {
		return errors.New("the answer to a presence has no time")
	}
	if len(reply.GetStanding()) == 0 {
		return errors.New("the answer to a presence has no standing: the authority is older than this station")
	}
	standing, err := a.keep.standing(reply.GetStanding(), p.Nonce)
	if r, ok := errors.AsType[*release.Refusal](err); ok {
		if r.Reason == release.UntrustedKey {
			// There may be a newer key list.
			a.behind.send()
		} else {
			a.refuse(ctx, r)
		}
	}
	if err != nil {
		return fmt.Errorf("the answer to a presence: %w", err)
	}
	// The answer is taken to be made half-way through the round trip.
	middle := p.GetSentTime().AsTime().Add(trip / 2)
	a.mu.Lock()
	a.heard = heard{at: time.Now(), offset: standing.GetCentreTime().AsTime().Sub(middle), standing: standing}
	a.mu.Unlock()
	if a.lags(standing) {
		a.behind.send()
	}
	return nil
}

// expected is the centre's last word on what is newest; nil for none.
func (a *Agent) expected() *pb.Standing {
	a.mu.Lock()
	defer a.mu.Unlock()
	return a.heard.standing
}

// lags compares what the centre has with what is held, rather than trust that
// everything was pushed.
func (a *Agent) lags(s *pb.Standing) bool {
	return s.GetKeyList() > a.keep.version() || s.GetStopList() > a.stopVersion() || s.GetAssignment() > a.shelf.Serial() || s.GetPlacement() > a.keep.placement()
}

// presence is what the station says of itself.
func (a *Agent) presence(ctx context.Context) (*pb.Presence, error) {
	refusals, err := a.store.Refusals(ctx)
	if err != nil {
		return nil, err
	}
	s := a.Status()
	p := &pb.Presence{
		Site: a.id.Site, Station: a.id.Station, Release: s.Release, NextRelease: s.NextRelease,
		OutboxDepth: s.OutboxDepth, LastSequence: s.LastSequence, SentTime: timestamppb.New(a.cfg.Now()),
		ClockOffsetMs: s.ClockOffset.Milliseconds(), Refusals: refusals,
		Assignment: s.Assignment, StopList: s.StopList, KeyList: s.KeyList, Stale: s.Stale, UsedReleases: a.used.since(a.cfg.Now()), Placement: a.keep.placement(),
	}
	if !s.LastBuild.IsZero() {
		p.LastBuildTime = timestamppb.New(s.LastBuild)
	}
	return p, nil
}

// Status is a station's state at a moment.
type Status struct {
	Site, Station string
	// Release in force, 0 for none, since ReleaseEffective, of Edition;
	// NextRelease takes over at NextAt, 0 for none.
	Release, Edition, NextRelease uint64
	ReleaseEffective, NextAt      time.Time
	// Assignment, StopList and KeyList are the versions held, 0 for none.
	Assignment, StopList, KeyList uint64
	// Stale says that what is held may be old, StaleReason why, in a sentence.
	Stale       bool
	StaleReason string
	// Online is true while the bus is connected and the centre answers.
	Online bool
	// Behind is true while the centre has, or ordered, what is not held here or
	// was refused.
	Behind bool
	// OutboxDepth is how many builds the bus has not acknowledged.
	OutboxDepth, LastSequence uint64
	// LastBuild is when the last build was logged.
	LastBuild time.Time
	// Heard is when the centre last answered; zero for never in this run.
	Heard time.Time
	// ClockOffset is the centre's clock minus the station's.
	ClockOffset time.Duration
}

// Status tells the release in force and what waits to be sent.
func (a *Agent) Status() Status {
	now := a.cfg.Now()
	log, _ := a.store.State()
	a.mu.Lock()
	h := a.heard
	a.mu.Unlock()
	s := Status{
		Site: a.id.Site, Station: a.id.Station,
		OutboxDepth: log.Depth(), LastSequence: log.Last, LastBuild: log.LastTime,
		Heard: h.at, ClockOffset: h.offset,
	}
	if o := a.shelf.InForce(now); o != nil {
		s.Release, s.ReleaseEffective, s.Edition = o.Release, o.Start, o.Held.Edition
	}
	if o := a.shelf.Next(now); o != nil {
		s.NextRelease, s.NextAt = o.Release, o.Start
	}
	s.Behind = a.shelf.Behind(now) || a.lags(h.standing)
	s.Assignment, s.StopList, s.KeyList = a.shelf.Serial(), a.stopVersion(), a.keep.version()
	if f := a.keep.fresh.Load().Freshness(a.id.Site, now, a.cfg.StaleAfter); f.Stale {
		s.Stale, s.StaleReason = true, f.Sentences[0]
	}
	if nc := a.nc.Load(); nc != nil && nc.IsConnected() {
		s.Online = !h.at.IsZero() && time.Since(h.at) < missedPresences*a.cfg.PresenceEvery
	}
	return s
}
