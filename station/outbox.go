package station

import (
	"context"
	"encoding/hex"
	"fmt"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Bounds of one batch: choices that keep a message well within the bus's limit
// and spread the cost of its sync over many builds.
const (
	batchRecords = 256
	batchBytes   = 512 << 10
)

// CloudEvents types of what a station sends.
const (
	EventBuilds    = "samecup.v1.BuildBatch"
	EventDeviation = "samecup.v1.BuildRecord"
)

// sendBuilds empties the outbox in order, one batch under way at a time.
func (a *Agent) sendBuilds(ctx context.Context, js jetstream.JetStream) {
	for ctx.Err() == nil {
		s, changed := a.store.State()
		if s.Depth() == 0 {
			select {
			case <-changed:
			case <-ctx.Done():
			}
			continue
		}
		if a.store.Lost(s.BuildsSent+1, s.Last) {
			a.store.MarkBuilds(s.Last)
			continue
		}
		var tries backoff
		m, last, err := a.nextBatch(ctx, s.BuildsSent)
		if err != nil {
			a.complain(&tries, "the outbox cannot be read", err)
			a.pause(ctx, backoffMost, nil, nil)
			continue
		}
		if a.send(ctx, js, bus.StreamBuilds, m) {
			a.store.MarkBuilds(last)
		}
	}
}

// send tries until the stream has the message, or ctx ends. A full stream is
// an outage like any other: nothing is dropped, the outbox waits. With no bus at
// all there is nothing to try, for days on end and each time that a build is logged.
func (a *Agent) send(ctx context.Context, js jetstream.JetStream, stream string, m *nats.Msg) bool {
	var tries backoff
	for {
		up := a.up.wait()
		if nc := a.nc.Load(); nc != nil && !nc.IsConnected() {
			if a.pause(ctx, backoffMost, up, nil); ctx.Err() != nil {
				return false
			}
			continue
		}
		_, news := a.store.State()
		err := publish(ctx, js, stream, m, up)
		if err == nil {
			return true
		}
		if ctx.Err() != nil {
			return false
		}
		a.complain(&tries, "the bus does not take "+m.Subject, err)
		a.pause(ctx, tries.next(), up, news)
	}
}

// nextBatch makes the message of what comes after a sequence.
func (a *Agent) nextBatch(ctx context.Context, after uint64) (*nats.Msg, uint64, error) {
	records, err := a.store.ToSend(ctx, after, batchRecords, batchBytes)
	if err != nil {
		return nil, 0, err
	}
	if len(records) == 0 || !a.store.Lost(after+1, records[0].Seq-1) {
		return nil, 0, fmt.Errorf("record %d is not in the build log", after+1)
	}
	batch := &pb.BuildBatch{Site: a.id.Site, Station: a.id.Station, Records: make([][]byte, len(records))}
	for i, r := range records {
		batch.Records[i] = r.Bytes
	}
	data, err := proto.Marshal(batch)
	if err != nil {
		return nil, 0, fmt.Errorf("marshal a batch: %w", err)
	}
	last := records[len(records)-1].Seq
	id := fmt.Sprintf("%s/%s/%d-%d", a.id.Site, a.id.Station, after+1, last)
	return bus.Event(bus.BuildSubject(a.id.Site, a.id.Station), id, EventBuilds, a.source(), a.cfg.Now(), data), last, nil
}

func (a *Agent) source() string { return "/samecup/station/" + a.id.Site + "/" + a.id.Station }

// uuidText is the canonical form of a UUID, RFC 9562 section 4.
func uuidText(id [16]byte) string {
	h := hex.EncodeToString(id[:])
	return h[:8] + "-" + h[8:12] + "-" + h[12:16] + "-" + h[16:20] + "-" + h[20:]
}
