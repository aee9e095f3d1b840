package bench

import (
	"bytes"
	"context"
	"strings"
	"testing"
	"time"
)

// The rows' shape and the peers' agreement are tested, never the speed: that
// depends on who else uses the machine.
var all = []Bench{{Name: "verdict", Run: Verdict}}

func TestVerdictRows(t *testing.T) {
	var progress bytes.Buffer
	rows, err := Run(t.Context(), all, "verdict", Options{Rounds: 3, RoundTime: time.Millisecond, Progress: &progress})
	if err != nil {
		t.Fatal(err)
	}
	if len(rows) != 2 || rows[0].Name != "verdict_cel" || rows[1].Name != "verdict_schema" {
		t.Fatalf("got %+v", rows)
	}
	for _, r := range rows {
		if r.Ours <= 0 || r.Peer <= 0 || r.Ratio != r.Peer/r.Ours || r.Unit != "ns/op" || r.HigherIsBetter || r.PeerName == "" {
			t.Errorf("got %+v", r)
		}
	}
	if progress.Len() == 0 {
		t.Error("no progress")
	}
	var table strings.Builder
	if err := WriteTable(&table, rows); err != nil || strings.Count(table.String(), "\n") != 3 {
		t.Errorf("table: %v\n%s", err, &table)
	}
}

func TestRunRefusesAnUnknownBench(t *testing.T) {
	if _, err := Run(t.Context(), all, "dance", Options{}); err == nil || !strings.Contains(err.Error(), "verdict") {
		t.Errorf("got %v", err)
	}
}

func TestRunStopsWhenCancelled(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := Run(ctx, all, "verdict", Options{RoundTime: time.Millisecond}); err == nil {
		t.Error("it went on")
	}
}

func TestMedian(t *testing.T) {
	if got := Median([]float64{9, 1, 2}); got != 2 {
		t.Error(got)
	}
	if got := Median([]float64{9, 1, 2, 4}); got != 3 {
		t.Error(got)
	}
}
