package station

import (
	"context"
	"sync"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/station/store"
)

// deviationsAtOnce is how many deviations are under way together; it is also
// the most that one of now can find before it.
const deviationsAtOnce = 32

// backlog is what is to be sent of the deviations: stretches of numbers, of which
// the last, the newest, goes first. A stretch begins with whatever has been logged
// since the stretch before it, so that a deviation of now never waits for those of
// an outage, and those of an outage go in their order.
type backlog struct {
	stretches []stretch
	// top is the last number that belongs to a stretch.
	top uint64
}

// stretch is the numbers after done, up to last.
type stretch struct{ done, last uint64 }

func newBacklog(sent uint64) *backlog { return &backlog{top: sent} }

// grow takes in what was logged up to last.
func (b *backlog) grow(last uint64) {
	if last <= b.top {
		return
	}
	b.stretches = append(b.stretches, stretch{done: b.top, last: last})
	b.top = last
}

// next is the stretch to go on with; nil when all is sent.
func (b *backlog) next() *stretch {
	if len(b.stretches) == 0 {
		return nil
	}
	return &b.stretches[len(b.stretches)-1]
}

// sent notes that the next stretch is sent up to seq.
func (b *backlog) sent(seq uint64) {
	r := b.next()
	if r.done = seq; r.done >= r.last {
		b.stretches = b.stretches[:len(b.stretches)-1]
	}
}

// whole is the number up to which everything is sent.
func (b *backlog) whole() uint64 {
	if len(b.stretches) == 0 {
		return b.top
	}
	return b.stretches[0].done
}

// sendDeviations sends off-spec builds at once, beside the batches, so that
// they need not wait behind a backlog, of builds or of older deviations. What
// went ahead of older ones is sent again after a restart, and counts once. Of a
// long backlog, those that the batches took along are passed over, since each
// message costs the bus a sync.
func (a *Agent) sendDeviations(ctx context.Context, js jetstream.JetStream) {
	s, _ := a.store.State()
	todo := newBacklog(s.DeviationsSent)
	for ctx.Err() == nil {
		s, changed := a.store.State()
		todo.grow(s.LastDeviation)
		r := todo.next()
		if r == nil {
			select {
			case <-changed:
			case <-ctx.Done():
			}
			continue
		}
		records, err := a.store.Deviations(ctx, r.done, r.last, deviationsAtOnce)
		if err != nil {
			if ctx.Err() == nil {
				a.log.Error("the deviations cannot be read", zap.Error(err))
			}
			a.pause(ctx, backoffMost, nil, nil)
			continue
		}
		if s, _ := a.store.State(); len(records) == deviationsAtOnce && s.BuildsSent >= records[len(records)-1].Seq {
			// There are many, and these have gone with the batches by now.
			todo.sent(min(s.BuildsSent, r.last))
			a.store.MarkDeviations(todo.whole())
			continue
		}
		var wg sync.WaitGroup
		for _, rec := range records {
			wg.Go(func() { a.send(ctx, js, bus.StreamDeviations, a.deviation(rec)) })
		}
		wg.Wait()
		if ctx.Err() != nil {
			return
		}
		if len(records) < deviationsAtOnce {
			todo.sent(r.last)
		} else {
			todo.sent(records[len(records)-1].Seq)
		}
		a.store.MarkDeviations(todo.whole())
	}
}

func (a *Agent) deviation(r store.Record) *nats.Msg {
	return bus.Event(bus.DeviationSubject(a.id.Site, a.id.Station), uuidText(r.ID)+"/d", EventDeviation, a.source(), a.cfg.Now(), r.Bytes)
}
