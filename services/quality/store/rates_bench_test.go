package store

import (
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

// BenchmarkCountBuilds asks what the test of a rollout's waves asks at each tick
// of a chain of 1,000 sites that are open 14 hours: four weeks of all of them,
// and one day that cuts the business days of each.
func BenchmarkCountBuilds(b *testing.B) {
	const sites, days, open = 1000, 35, 14
	s, err := OpenSQLite(b.Context(), filepath.Join(b.TempDir(), "quality.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	day0 := rollup.DayNumber(time.Date(2026, 9, 28, 0, 0, 0, 0, time.UTC))
	var names []string
	err = s.rollTx(b.Context(), func(r *roller) error {
		for i := range int64(sites) {
			names = append(names, fmt.Sprintf("site-%04d", i))
			if err := r.exec(`INSERT INTO rollup_sites (ref, site, time_zone, day_start) VALUES (?, ?, 'Europe/London', 4)`, i+1, names[i]); err != nil {
				return err
			}
			put := func(level rollup.Level, period int64) error {
				return r.exec(`INSERT INTO rollup_counts (level, place, serving, period, `+rollCounts+`) VALUES (?, ?, '', ?, 30, 29, 1, 0, 0, 0, 0)`, level, -i-1, period)
			}
			for day := range int64(days) {
				if err := put(rollup.Day, day0+day); err != nil {
					return err
				}
				for hour := range int64(open) {
					if err := put(rollup.Hour, (day0+day)*24+6+hour); err != nil {
						return err
					}
				}
			}
		}
		return nil
	})
	if err != nil {
		b.Fatal(err)
	}
	noon := rollup.DayTime(day0).Add(12 * time.Hour)
	for _, c := range []struct {
		name         string
		since, until time.Time
	}{
		{"four weeks", noon, noon.AddDate(0, 0, 28)},
		{"a day", noon.AddDate(0, 0, 30), noon.AddDate(0, 0, 31)},
	} {
		b.Run(c.name, func(b *testing.B) {
			for b.Loop() {
				if got, err := s.CountBuilds(b.Context(), names, c.since, c.until); err != nil || got.Builds == 0 {
					b.Fatal(got, err)
				}
			}
		})
	}
}
