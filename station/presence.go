package station

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
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
		d = min(d, max(next.Effective.Sub(now), time.Millisecond))
	}
	return d
}

func (a *Agent) presentOnce(ctx context.Context, nc *nats.Conn) error {
	p, err := a.presence(ctx)
	if err != nil {
		return err
	}
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
	// The answer is taken to be made half-way through the round trip.
	middle := p.GetSentTime().AsTime().Add(trip / 2)
	a.mu.Lock()
	a.heard = heard{at: time.Now(), offset: reply.GetCentreTime().AsTime().Sub(middle), releases: reply.GetReleases()}
	a.mu.Unlock()
	a.checkBehind(reply.GetReleases())
	return nil
}

// checkBehind compares what the centre expects with what is held, rather than
// trust that every release was pushed. A release may be under way when the
// centre is first asked, so only the second time counts.
func (a *Agent) checkBehind(expected map[string]uint64) {
	behind := false
	for _, scope := range a.id.Scopes {
		want, held := expected[scope], a.shelf.Held(scope)
		if want <= held {
			continue
		}
		behind = true
		if a.behindFor == 1 {
			a.log.Warn("behind the centre", zap.String("scope", scope), zap.Uint64("expected", want), zap.Uint64("held", held))
		}
	}
	if !behind {
		a.behindFor = 0
		return
	}
	if a.behindFor++; a.behindFor > 1 {
		a.behind.send()
	}
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
	}
	if !s.LastBuild.IsZero() {
		p.LastBuildTime = timestamppb.New(s.LastBuild)
	}
	return p, nil
}

// Status is a station's state at a moment.
type Status struct {
	Site, Station string
	// Release in force, 0 for none, since ReleaseEffective; NextRelease takes
	// over later, 0 for none.
	Release, NextRelease uint64
	ReleaseEffective     time.Time
	// Online is true while the bus is connected and the centre answers.
	Online bool
	// Behind is true while the centre expects a release that is not held.
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
	if r := a.shelf.InForce(now); r != nil {
		s.Release, s.ReleaseEffective = r.Number, r.Effective
	}
	if r := a.shelf.Next(now); r != nil {
		s.NextRelease = r.Number
	}
	for _, scope := range a.id.Scopes {
		s.Behind = s.Behind || h.releases[scope] > a.shelf.Held(scope)
	}
	if nc := a.nc.Load(); nc != nil && nc.IsConnected() {
		s.Online = !h.at.IsZero() && time.Since(h.at) < missedPresences*a.cfg.PresenceEvery
	}
	return s
}
