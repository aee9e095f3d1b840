package quality

import (
	"path/filepath"
	"testing"

	"samecup.example/samecup/services/quality/store"
)

// BenchmarkCasework has the watch follow builds of eight bars, and saves once.
func BenchmarkCasework(b *testing.B) {
	db := filled(b, filepath.Join(b.TempDir(), "q.db"))
	page, err := db.BuildsAfter(b.Context(), 0, 10_000)
	if err != nil {
		b.Fatal(err)
	}
	b.Run("take", func(b *testing.B) {
		n := 0
		for b.Loop() {
			w := worker(db, 1<<30)
			if err := w.run(b.Context(), false); err != nil {
				b.Fatal(err)
			}
			n += len(page)
		}
		b.ReportMetric(float64(n)/b.Elapsed().Seconds(), "builds/s")
	})
	b.Run("change", func(b *testing.B) {
		w := worker(db, 1<<30)
		if err := w.run(b.Context(), false); err != nil {
			b.Fatal(err)
		}
		var c *store.CaseChange
		for b.Loop() {
			if c, _, err = w.change(); err != nil {
				b.Fatal(err)
			}
		}
		size := 0
		for _, p := range c.Parts {
			size += len(p)
		}
		b.ReportMetric(float64(size)/8, "bytes/station")
	})
}
