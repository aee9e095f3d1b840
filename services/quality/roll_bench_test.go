package quality

import (
	"testing"
	"time"
)

// BenchmarkRoll adds builds of 12 readings, from 16 stations of one site, to
// the roll-ups, rollChunk at a time. Cells are shared by the builds of an hour,
// as after a burst; BenchmarkRollTrickle is the other end.
func BenchmarkRoll(b *testing.B) { benchRoll(b, 64, rollChunk) }

// BenchmarkRollTrickle rolls up every 16 builds by themselves.
func BenchmarkRollTrickle(b *testing.B) { benchRoll(b, 4, 16) }

func benchRoll(b *testing.B, perIteration, chunk int) {
	msgs := batches(b, perIteration)
	var s *Service
	n := 0
	for b.Loop() {
		b.StopTimer()
		s = openBench(b)
		got, err := prepareAll(b.Context(), s, msgs)
		if err != nil {
			b.Fatal(err)
		}
		if err := s.commitAndAck(b.Context(), got); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		for more := true; more; {
			done, err := s.store.Roll(b.Context(), chunk)
			if err != nil {
				b.Fatal(err)
			}
			more, n = done.More, n+done.Builds
		}
	}
	perBuild(b, n)
}

// BenchmarkIngestAndRoll is sustained: builds are committed as in
// BenchmarkIngest while the roller works all the time, which it never does in
// Run before a burst is two seconds old.
func BenchmarkIngestAndRoll(b *testing.B) {
	const perChunk, chunks = 64, 32
	msgs := batches(b, perChunk*chunks)
	n := 0
	for b.Loop() {
		b.StopTimer()
		s := openBench(b)
		b.StartTimer()
		done := make(chan error, 1)
		go func() {
			for at := range chunks {
				got, err := prepareAll(b.Context(), s, msgs[at*perChunk:(at+1)*perChunk])
				if err == nil {
					err = s.commitAndAck(b.Context(), got)
				}
				if err != nil {
					done <- err
					return
				}
			}
			done <- nil
		}()
		began, taken := time.Now(), false
		for rolled := 0; !taken || rolled < perChunk*chunks*benchBatch; {
			r, err := s.store.Roll(b.Context(), rollChunk)
			if err != nil {
				b.Fatal(err)
			}
			rolled += r.Builds
			select {
			case err := <-done:
				if err != nil {
					b.Fatal(err)
				}
				taken = true
				b.ReportMetric(perChunk*chunks*benchBatch/time.Since(began).Seconds(), "taken/s")
			default:
			}
		}
		n += perChunk * chunks * benchBatch
	}
	perBuild(b, n)
}
