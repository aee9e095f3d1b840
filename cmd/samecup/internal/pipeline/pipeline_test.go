package pipeline

import (
	"io/fs"
	"testing"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/testdata"
)

func book(t testing.TB) map[string][]byte {
	t.Helper()
	sub, err := fs.Sub(testdata.FS, "harbour-finch")
	if err != nil {
		t.Fatal(err)
	}
	files, problems := drink.ReadFiles(sub)
	if problems.HasErrors() {
		t.Fatal(problems)
	}
	return files
}

// Round fails by itself when a build is lost or counted twice, so that a fast
// figure cannot come of dropped work.
func TestARoundCountsEveryBuildOnBothSides(t *testing.T) {
	r, err := Round(t.Context(), book(t), 600)
	if err != nil {
		t.Fatal(err)
	}
	if r.Ours <= 0 || r.SameMessages <= 0 || r.MessageEach <= 0 || r.BatchMean < 1 {
		t.Fatalf("%+v", r)
	}
}

func BenchmarkRound(b *testing.B) {
	files := book(b)
	for b.Loop() {
		r, err := Round(b.Context(), files, buildsPerRound)
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(r.Ours, "builds/s")
		b.ReportMetric(r.Ours/r.SameMessages, "of-raw")
	}
}
