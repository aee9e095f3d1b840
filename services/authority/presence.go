package authority

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	maxPresenceBytes = 64 << 10
	maxRefusals      = 16
	maxReasonBytes   = 64
	maxDetailBytes   = 512
	maxUsedReleases  = 64
	maxNonceBytes    = 64
)

// presences holds the last presence of each station until it is written.
// Stations that are not enrolled never get in, so the fleet bounds it.
type presences struct {
	mu   sync.Mutex
	wait map[store.StationKey]store.Presence
}

func (p *presences) put(row store.Presence) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.wait == nil {
		p.wait = map[store.StationKey]store.Presence{}
	}
	p.wait[row.StationKey] = row
}

func (p *presences) get(key store.StationKey) (store.Presence, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	row, ok := p.wait[key]
	return row, ok
}

func (p *presences) all() []store.Presence {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := make([]store.Presence, 0, len(p.wait))
	for _, row := range p.wait {
		out = append(out, row)
	}
	return out
}

// written drops the rows unless a newer presence has taken their place.
func (p *presences) written(rows []store.Presence) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, row := range rows {
		if p.wait[row.StationKey].SeenAt.Equal(row.SeenAt) {
			delete(p.wait, row.StationKey)
		}
	}
}

// flush writes what waits; on failure it stays and is tried again.
func (s *Service) flush(ctx context.Context) {
	rows := s.seen.all()
	if len(rows) == 0 {
		return
	}
	if err := s.store.SavePresence(ctx, rows); err != nil {
		if ctx.Err() == nil {
			s.log.Error("presences not written; trying again", zap.Int("stations", len(rows)), zap.Error(err))
		}
		return
	}
	s.seen.written(rows)
}

func (s *Service) handlePresence(msg *nats.Msg) {
	reply, err := s.takePresence(msg.Subject, msg.Data)
	if err != nil {
		s.log.Warn("presence ignored", zap.String("subject", msg.Subject), zap.Error(err))
		return
	}
	if msg.Reply == "" {
		return
	}
	data, err := proto.Marshal(reply)
	if err == nil {
		err = msg.Respond(data)
	}
	if err != nil {
		s.log.Warn("presence not answered", zap.String("subject", msg.Subject), zap.Error(err))
	}
}

// takePresence notes what a station says and makes the answer. The subject is
// what the bus lets a station use, so the payload must agree with it.
func (s *Service) takePresence(subject string, data []byte) (*pb.PresenceReply, error) {
	now := s.now().Truncate(time.Microsecond)
	site, station, ok := bus.SplitStationSubject(subject)
	if !ok {
		return nil, fmt.Errorf("subject does not name a site and a station")
	}
	if len(data) > maxPresenceBytes {
		return nil, fmt.Errorf("%d bytes; at most %d are taken", len(data), maxPresenceBytes)
	}
	var p pb.Presence
	if err := proto.Unmarshal(data, &p); err != nil {
		return nil, fmt.Errorf("not a presence: %w", err)
	}
	if p.Site != site || p.Station != station {
		return nil, fmt.Errorf("payload names %q/%q, and the subject another station", clip(p.Site, 80), clip(p.Station, 80))
	}
	key := store.StationKey{Site: site, Station: station}
	if !s.dir.has(key) {
		return nil, fmt.Errorf("station %s/%s is not enrolled; enrol it with a code from samecup station-code", site, station)
	}
	if len(p.UsedReleases) > maxUsedReleases {
		p.UsedReleases = p.UsedReleases[:maxUsedReleases]
	}
	row := store.Presence{StationKey: key, SeenAt: now, Refusals: refusals(&p, now)}
	var err error
	if row.Body, err = proto.Marshal(&p); err != nil {
		return nil, fmt.Errorf("marshal the presence: %w", err)
	}
	s.seen.put(row)
	reply := &pb.PresenceReply{CentreTime: timestamppb.New(now)}
	if len(p.Nonce) < release.MinNonce || len(p.Nonce) > maxNonceBytes {
		return reply, nil // a standing without a nonce could be sent again
	}
	if reply.Standing, err = s.stand(key, p.Nonce, now); err != nil {
		// The time is worth an answer all the same.
		s.log.Error("no standing signed", zap.String("site", site), zap.Error(err))
	}
	return reply, nil
}

// stand signs what is newest for a station now.
func (s *Service) stand(key store.StationKey, nonce []byte, now time.Time) ([]byte, error) {
	_, online, keyList := s.keys.signers()
	standing := &pb.Standing{Site: key.Site, Station: key.Station, Nonce: nonce, CentreTime: timestamppb.New(now),
		StopList: s.pub.stopVer.Load(), KeyList: keyList, Placement: s.pub.placedAt(key)}
	if v, ok := s.pub.standing.Load(key.Site); ok {
		standing.Assignment, _ = v.(uint64)
	}
	envelope, _, err := online.Standing(standing)
	return envelope, err
}

// refusals cuts a presence's refusals to what is kept and returns them as rows.
func refusals(p *pb.Presence, now time.Time) []store.Refusal {
	if extra := len(p.Refusals) - maxRefusals; extra > 0 {
		p.Refusals = p.Refusals[extra:]
	}
	rows := make([]store.Refusal, 0, len(p.Refusals))
	for _, r := range p.Refusals {
		r.Reason, r.Detail = clip(r.Reason, maxReasonBytes), clip(r.Detail, maxDetailBytes)
		if !r.RefusedTime.IsValid() {
			r.RefusedTime = timestamppb.New(now)
		}
		rows = append(rows, store.Refusal{Release: r.Release, Reason: r.Reason, Detail: r.Detail, RefusedAt: r.RefusedTime.AsTime()})
	}
	return rows
}
