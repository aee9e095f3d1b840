package season

import (
	"math"
	"testing"
)

// bench is a station on a run without events to take.
func bench(t *testing.T) *station {
	t.Helper()
	r, err := newRun(Config{Seed: 1}, Sink{})
	if err != nil {
		t.Fatal(err)
	}
	return r.stations[0]
}

// 60 % of an adjustment is in the next shot, and all of it after two.
func TestRetentionHoldsAnAdjustmentBack(t *testing.T) {
	s := bench(t)
	s.owed, s.since = 0.015, 0
	for i, want := range []float64{0.6, 0.8, 1, 1} {
		// The old grind is 0, the new one 0.015.
		if got := s.effective(0.015) / 0.015; math.Abs(got-want) > 1e-12 {
			t.Errorf("shot %d gets %.2f of the adjustment, want %.2f", i+1, got, want)
		}
	}
}

func TestHumidityKeepsItsSpread(t *testing.T) {
	s := bench(t)
	sum, n := 0.0, 0.0
	for s.day = range 2000 {
		s.openedAt = float64(s.day)*day + opening
		s.startHumidity()
		s.ground(s.openedAt + 8*3600)
		sum += s.humid * s.humid
		n++
	}
	// 4 SE of a standard deviation of 2000 independent days: 6 %.
	if sd := math.Sqrt(sum / n); math.Abs(sd-0.006) > 0.006*4/math.Sqrt(2*n) {
		t.Errorf("SD of humidity %.5f, want 0.006", sd)
	}
}

func TestNegativeBinomialCounts(t *testing.T) {
	d := newDice()
	d.set(1, 1)
	sum, squares, n := 0.0, 0.0, 20_000.0
	for range int(n) {
		x := float64(d.negativeBinomial(250, 25))
		sum += x
		squares += x * x
	}
	mean := sum / n
	variance := squares/n - mean*mean
	want := 250 + 250*250/25.0
	// SE of the mean sqrt(2750/n) = 0.37; of the variance some 2750 sqrt(2.3/n) = 30.
	if math.Abs(mean-250) > 1.5 || math.Abs(variance-want) > 120 {
		t.Errorf("mean %.1f and variance %.0f, want 250 and %.0f", mean, variance, want)
	}
}

// The nominal figures of the hot drinks, as the book and its derivation have
// them: a medium latte weighs 54 + 201 × 1.033 × 1.09 = 280 g and leaves 4 mm.
func TestNominalsAgreeWithTheBook(t *testing.T) {
	m, err := theMenu()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range m.recipes {
		if !r.hot {
			continue
		}
		// The book rounds targets to whole grams and millimetres, and takes one
		// hot factor of 1.11.
		if mass := r.specs[0].mass; math.Abs(r.nominalMass()-mass.target) > 3 {
			t.Errorf("%s weighs %.1f g by the model, %.1f g by its check", r.id, r.nominalMass(), mass.target)
		}
		if depth := r.specs[0].depth; math.Abs(r.nominalDepth()-depth.target) > 1 {
			t.Errorf("%s stands %.1f mm of froth by the model, %.1f mm by its check", r.id, r.nominalDepth(), depth.target)
		}
	}
}

func TestASubstituteCupHasItsBrim(t *testing.T) {
	v, err := newVessel(58, 104, 66.1)
	if err != nil {
		t.Fatal(err)
	}
	w, err := v.substitute(0.94, 1.08)
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(w.brim/v.brim-0.94) > 1e-12 || math.Abs(w.top/v.top-1.08) > 1e-12 {
		t.Errorf("brim %.4f and top %.4f of the old, want 0.94 and 1.08", w.brim/v.brim, w.top/v.top)
	}
}
