package station

import (
	"context"
	"sync"
	"testing"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// BenchmarkLogBuild measures durable builds with many callers at once, which is
// what group commit is for, with nobody reading and with an outbox that sends.
func BenchmarkLogBuild(b *testing.B) {
	b.Run("offline", func(b *testing.B) { benchmarkLog(b, offline(b)) })
	b.Run("sending", func(b *testing.B) {
		c := startCentre(b)
		dir := b.TempDir()
		enrolled(b, dir, c.srv.URL())
		a := open(b, Config{Dir: dir})
		give(b, a, sign(b, 1, "chain", opening, 26_000))
		run(b, a)
		benchmarkLog(b, a)
		if err := a.Drained(context.Background()); err != nil {
			b.Fatal(err)
		}
	})
}

func benchmarkLog(b *testing.B, a *Agent) {
	builds := make([]*pb.Build, b.N)
	for i := range builds {
		builds[i] = build()
	}
	const callers = 256
	b.ReportAllocs()
	b.ResetTimer()
	var wg sync.WaitGroup
	for k := range callers {
		wg.Go(func() {
			for i := k; i < b.N; i += callers {
				if _, err := a.LogBuild(context.Background(), &pb.LogBuildRequest{Build: builds[i]}); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "builds/s")
}
