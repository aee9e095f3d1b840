package watch

import (
	"math"
	"testing"
)

// TestANullStreamRingsAboutAsOftenAsWished runs chains with nothing wrong. The
// wish is Config.FalseAlarms a station-month for the station's own charts.
// Charts number fewer here than the 20 that share the wish, and the run of a
// cumulative sum of conservative scores is longer, so the count is below it.
func TestANullStreamRingsAboutAsOftenAsWished(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	const seeds, days = 12, 56
	kinds := map[SignalKind]int{}
	stationMonths := 0.0
	for seed := range uint64(seeds) {
		w, wt := newWorld(seed), newWatch(t)
		out := w.run(t, wt, nil, 0, days)
		for _, s := range out.Signals {
			kinds[s.Kind]++
		}
		stationMonths += float64(len(w.sites)*len(w.bars)) * days / 28
	}
	own := kinds[SignalLevel] + kinds[SignalSpread] + kinds[SignalTrend] + kinds[SignalSetting] + kinds[SignalRate]
	got := float64(own) / stationMonths
	t.Logf("%.0f station-months: own charts %.3f a station-month (wished at most 0.5), by kind %v", stationMonths, got, kinds)
	// Two standard errors of a Poisson count above the wish.
	if wish := 0.5; got > wish+2*math.Sqrt(wish/stationMonths) {
		t.Errorf("%.3f false alarms a station-month, wished at most %.2f", got, wish)
	}
	if n := kinds[SignalQuestion]; n > 0 {
		t.Errorf("%d questions about honest logs, want none", n)
	}
	if n := kinds[SignalLot] + kinds[SignalBarista] + kinds[SignalRelease] + kinds[SignalStale] + kinds[SignalSafety]; n > 1 {
		t.Errorf("%d signals of lots, baristas, releases, stale specs or safety: %v", n, kinds)
	}
}

// TestTheRunLengthOfALevelChartIsTheOneDesigned runs one chart on independent
// normal subgroups of unknown mean and spread.
func TestTheRunLengthOfALevelChartIsTheOneDesigned(t *testing.T) {
	cfg := Config{FalseAlarms: 15}.filled() // a short run, so that it can be counted: 112
	d, err := design(cfg)
	if err != nil {
		t.Fatal(err)
	}
	w := newWorld(5)
	const want = 112.0
	if math.Abs(d.RunLength-want) > 1e-9 {
		t.Fatalf("designed run length %v, want %v", d.RunLength, want)
	}
	sum, runs := 0.0, 1500
	for range runs {
		var c chart
		for range cfg.Baseline {
			c.step(3+2*w.rng.NormFloat64(), 1, day0, &d, cfg.Baseline, true)
		}
		for n := 1; ; n++ {
			if c.step(3+2*w.rng.NormFloat64(), 1, day0, &d, cfg.Baseline, true).dir != 0 {
				sum += float64(n)
				break
			}
		}
	}
	got := sum / float64(runs)
	t.Logf("run length %.0f, designed at least %.0f", got, want)
	// Two charts of 224 each times heldCost, in part alarming together: at
	// least 112 less three standard errors, and below the run of one of them.
	if got < want-3*want/math.Sqrt(float64(runs)) || got > 2*heldCost*want {
		t.Errorf("run length %.1f, want %.0f to %.0f", got, want, 2*heldCost*want)
	}
}
