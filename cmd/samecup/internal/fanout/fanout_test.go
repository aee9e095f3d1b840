package fanout

import (
	"testing"

	"samecup.example/samecup/internal/bench"
)

// TestMeasure runs the bench small: all stations must have each release in
// force, or it fails. The figures mean nothing here.
func TestMeasure(t *testing.T) {
	rows, err := Measure(t.Context(), 20, bench.Options{Rounds: 2, Dir: t.TempDir()})
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.Ours <= 0 || r.Peer <= 0 || r.Ratio <= 0 || r.Unit != "ms" {
			t.Errorf("row %+v", r)
		}
	}
	if _, err := Measure(t.Context(), 0, bench.Options{}); err == nil {
		t.Error("no stations were measured")
	}
}

// TestAForgedReleaseIsNoRelease proves that what is measured checks anything.
func TestAForgedReleaseIsNoRelease(t *testing.T) {
	f, err := open(t.Context(), t.TempDir(), 1)
	if err != nil {
		t.Fatal(err)
	}
	defer f.close()
	d, err := f.sign()
	if err != nil {
		t.Fatal(err)
	}
	d.release[len(d.release)/2] ^= 1
	w := newWait(1)
	f.stations[0].expect(d.number, true, w)
	if err := f.publish(t.Context(), d); err != nil {
		t.Fatal(err)
	}
	select {
	case <-w.failed:
	case <-w.all:
		t.Error("a release whose bytes were changed came into force")
	case <-t.Context().Done():
	}
}
