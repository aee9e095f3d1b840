package season_test

import (
	"testing"

	"samecup.example/samecup/internal/sim/season"
	"samecup.example/samecup/internal/watch"
)

// BenchmarkRun is a whole season, with a sink that does nothing.
func BenchmarkRun(b *testing.B) {
	for _, c := range []struct {
		name  string
		truth func(*season.BuildTruth) error
	}{{"log", nil}, {"log and truth", func(*season.BuildTruth) error { return nil }}} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			builds := 0
			for i := range b.N {
				t, err := season.Run(season.Config{Seed: uint64(i)}, season.Sink{Build: func(*watch.Build) error { return nil }, Truth: c.truth})
				if err != nil {
					b.Fatal(err)
				}
				builds += t.Builds
			}
			b.ReportMetric(float64(builds)/b.Elapsed().Seconds(), "builds/s")
		})
	}
}
