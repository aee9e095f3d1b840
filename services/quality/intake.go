package quality

import (
	"context"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// message is what the intake needs of a message of the bus.
type message interface {
	Subject() string
	Data() []byte
	Ack() error
}

// prepared is a message, read and judged, ready to be committed.
type prepared struct {
	msg    message
	builds []*store.Build
	aside  []store.Quarantine
}

// takeBuilds judges one chunk while the one before it is being committed.
func (s *Service) takeBuilds(ctx context.Context, msgs <-chan jetstream.Msg) error {
	chunks := make(chan []*prepared)
	g, ctx := errgroup.WithContext(ctx)
	g.Go(func() error {
		for chunk := range chunks {
			if err := s.commitAndAck(ctx, chunk); err != nil {
				return err
			}
		}
		return nil
	})
	g.Go(func() error {
		defer close(chunks)
		for raw := gather(msgs); raw != nil; raw = gather(msgs) {
			chunk, err := prepareAll(ctx, s, raw)
			if err != nil {
				return err
			}
			select {
			case chunks <- chunk:
			case <-ctx.Done():
				return ctx.Err()
			}
		}
		return nil
	})
	return g.Wait()
}

// prepareAll reads and judges messages on every core, keeping their order.
func prepareAll[M message](ctx context.Context, s *Service, raw []M) ([]*prepared, error) {
	out := make([]*prepared, len(raw))
	workers := min(runtime.GOMAXPROCS(0), len(raw))
	errs := make([]error, workers)
	var next atomic.Int64
	var wg sync.WaitGroup
	for w := range workers {
		wg.Go(func() {
			p := preparer{ctx: ctx, service: s}
			for i := int(next.Add(1)) - 1; i < len(raw); i = int(next.Add(1)) - 1 {
				out[i] = p.prepare(raw[i])
			}
			errs[w] = p.err
		})
	}
	wg.Wait()
	for _, err := range errs {
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// preparer is one worker.
type preparer struct {
	ctx     context.Context
	service *Service
	judge   judge
	// What was used last: builds that follow one another mostly share it.
	site              string
	release, stopList uint64
	rules             *rules
	// err is a failure of ours, not of a message.
	err error
}

func (p *preparer) find(b *store.Build) *rules {
	if p.rules != nil && p.release == b.Release && p.stopList == b.StopList && (b.StopList == 0 || p.site == b.Site) {
		return p.rules
	}
	by, err := p.service.rules(p.ctx, b)
	if err != nil {
		p.err = err
		return nil
	}
	p.site, p.release, p.stopList, p.rules = b.Site, b.Release, b.StopList, by
	return by
}

func (p *preparer) prepare(msg message) *prepared {
	out := &prepared{msg: msg}
	site, station, ok := bus.SplitStationSubject(msg.Subject())
	if !ok {
		p.aside(out, msg.Data(), refuse(reasonWrongOrigin, "subject %q names no station", msg.Subject()))
		return out
	}
	if msg.Subject() == bus.DeviationSubject(site, station) {
		p.add(out, site, station, msg.Data())
		return out
	}
	var batch pb.BuildBatch
	if err := proto.Unmarshal(msg.Data(), &batch); err != nil {
		p.aside(out, msg.Data(), refuse(reasonUnreadable, "not a batch of builds: %v", err))
		return out
	}
	if batch.Site != site || batch.Station != station {
		p.aside(out, msg.Data(), refuse(reasonWrongOrigin, "the batch says it is from %q/%q, but came from %s/%s", batch.Site, batch.Station, site, station))
		return out
	}
	out.builds = make([]*store.Build, 0, len(batch.Records))
	for _, data := range batch.Records {
		p.add(out, site, station, data)
	}
	return out
}

func (p *preparer) add(out *prepared, site, station string, data []byte) {
	b, err := p.judge.record(site, station, data, p.find)
	if err != nil {
		p.aside(out, data, err)
		return
	}
	out.builds = append(out.builds, b)
}

func (p *preparer) aside(out *prepared, data []byte, err error) {
	r, ok := err.(*refusal)
	if !ok {
		r = refuse(reasonUnreadable, "%v", err)
	}
	out.aside = append(out.aside, store.Quarantine{Subject: out.msg.Subject(), Reason: r.reason, Detail: r.detail, Bytes: data})
}

// commitAndAck commits a chunk, trying again for as long as it takes: giving
// up would only bring the same messages again.
func (s *Service) commitAndAck(ctx context.Context, chunk []*prepared) error {
	wait := backoffLeast
	for {
		err := s.commit(ctx, chunk)
		if err == nil {
			break
		}
		if ctx.Err() != nil {
			return ctx.Err()
		}
		s.log.Error("storing builds failed; trying again", zap.Duration("in", wait), zap.Error(err))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(wait):
		}
		wait = min(2*wait, backoffMost)
	}
	for _, p := range chunk {
		// One that gets lost brings the message again; it counts once.
		if err := p.msg.Ack(); err != nil {
			return err
		}
	}
	return nil
}
