package quality

import (
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/quality/store"
)

const benchBatch = 64

// openBench opens a service that is not connected to any bus.
func openBench(b *testing.B) *Service {
	b.Helper()
	db, err := store.OpenSQLite(b.Context(), b.TempDir()+"/quality.db")
	if err != nil {
		b.Fatal(err)
	}
	cfg := testConfig(b)
	cfg.Log, cfg.Now, cfg.NATS = zap.NewNop(), time.Now, new(nats.Conn)
	s, err := newService(b.Context(), cfg, nil, db)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := s.Close(); err != nil {
			b.Error(err)
		}
	})
	if err := s.takeRelease(b.Context(), bus.ReleaseSubject("chain", 1), bookRelease(b, 1, latte())); err != nil {
		b.Fatal(err)
	}
	return s
}

// batches makes messages of benchBatch builds from 16 stations, one build in
// twenty off spec.
func batches(b *testing.B, n int) []*fakeMessage {
	b.Helper()
	var bars []*bar
	for i := range 16 {
		bars = append(bars, newBar(b, "tannery-row", fmt.Sprint("bar-", i)))
	}
	out := make([]*fakeMessage, n)
	for i := range out {
		bar := bars[i%len(bars)]
		records := make([][]byte, benchBatch)
		for k := range records {
			records[k] = bar.log(func(d *drink.Build) {
				d.ID = uuid.NewString() // random: the hardest on an index
				if k%20 == 7 {
					fast(d)
				}
			})
		}
		out[i] = &fakeMessage{bus.BuildSubject(bar.site, bar.station), bar.batch(records...)}
	}
	return out
}

func perBuild(b *testing.B, builds int) {
	b.ReportMetric(float64(builds)/b.Elapsed().Seconds(), "builds/s")
}

// BenchmarkJudge reads and judges batches: what one core does before the
// database.
func BenchmarkJudge(b *testing.B) {
	s := openBench(b)
	msgs := batches(b, 16)
	p := preparer{ctx: b.Context(), service: s}
	b.ReportAllocs()
	n := 0
	for b.Loop() {
		p.prepare(msgs[n%len(msgs)])
		n++
	}
	perBuild(b, n*benchBatch)
}

// BenchmarkIngest takes new builds of 12 readings and 8 steps all the way into
// the database, judging one chunk while the last one is being committed, as
// Run does. Each iteration is 64 batches of 64 builds, into a new database
// every 32 iterations.
func BenchmarkIngest(b *testing.B) {
	const perChunk, chunks = 64, 32
	msgs := batches(b, perChunk*chunks)
	b.ReportAllocs()
	n := 0
	var s *Service
	var pending chan error
	wait := func() {
		if pending != nil {
			if err := <-pending; err != nil {
				b.Fatal(err)
			}
		}
	}
	for b.Loop() {
		if n%chunks == 0 {
			wait()
			pending = nil
			b.StopTimer()
			s = openBench(b)
			b.StartTimer()
		}
		at := n % chunks * perChunk
		chunk, err := prepareAll(b.Context(), s, msgs[at:at+perChunk])
		if err != nil {
			b.Fatal(err)
		}
		wait()
		done := make(chan error, 1)
		pending = done
		go func() { done <- s.commitAndAck(b.Context(), chunk) }()
		n++
	}
	wait()
	perBuild(b, n*perChunk*benchBatch)
}
