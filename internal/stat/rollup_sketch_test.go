package stat

import "testing"

// BenchmarkExactRollupMerge merges a day of one check into a year.
func BenchmarkExactRollupMerge(b *testing.B) {
	var day, year ExactRollup
	for i := range int64(60) {
		if err := day.Add(58_000+i*i%41*100, 100); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		year.Merge(&day)
	}
}
