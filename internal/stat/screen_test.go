package stat

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

var opening = time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC)

// shown draws n normal values as a device of the given step shows them.
func shown(r *rand.Rand, n int, mean, sd, step float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = math.Round((mean+sd*r.NormFloat64())/step) * step
	}
	return out
}

// honestScreens are all screens of a station that logs shot times of the given
// mean, SD 1.5 s shown to 0.1 s, as measured.
func honestScreens(t *testing.T, r *rand.Rand, mean float64) []Screen {
	t.Helper()
	const n = 120
	times := shown(r, n, mean, 1.5, 0.1)
	doses := shown(r, n, 18, 0.2, 0.1)
	hours := make([]float64, n)
	builds := make([][]float64, n)
	drifting := make([]float64, n)
	measured, entered := make([]time.Time, n), make([]time.Time, n)
	shots := make([]Shot, n)
	fails, at := 0, opening
	for i := range times {
		builds[i] = []float64{doses[i], times[i]}
		hours[i] = float64(i%40) / 10
		drifting[i] = times[i] + 0.8*hours[i]
		at = at.Add(time.Duration(60+r.IntN(300)) * time.Second)
		measured[i], entered[i] = at, at.Add(time.Duration(5+r.IntN(20))*time.Second)
		shots[i] = Shot{at, time.Duration(times[i] * float64(time.Second))}
		if r.Float64() < 0.04 {
			fails++
		}
	}
	screens, err := allOf(
		func() (Screen, error) { return LastDigitScreen(times, 0.1) },
		func() (Screen, error) { return HeapingScreen(times, 0.1) },
		func() (Screen, error) { return VarianceScreen(times, 1.5, 60) },
		func() (Screen, error) { return RunsScreen(times, 0.1, 1.5) },
		func() (Screen, error) { return DuplicatesScreen(builds, []float64{0.1, 0.1}) },
		func() (Screen, error) { return TimingScreen(shots, time.Second) },
		func() (Screen, error) { return EdgeScreen(times, 29.5, 1.5, 0.1, true) },
		func() (Screen, error) { return NoFailuresScreen(n, fails, 0.04) },
		func() (Screen, error) { return NoDriftScreen(drifting, hours, 0.8) },
		func() (Screen, error) { return BatchScreen(measured, entered) },
	)
	if err != nil {
		t.Fatal(err)
	}
	return screens
}

func allOf(fs ...func() (Screen, error)) ([]Screen, error) {
	out := make([]Screen, len(fs))
	for i, f := range fs {
		s, err := f()
		if err != nil {
			return nil, err
		}
		out[i] = s
	}
	return out, nil
}

func TestScreensSeldomStandOutOnHonestLogs(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	const sims = 500
	hits := map[string]int{}
	for range sims {
		// The mean wanders: an honest outlier has a shifted mean, normal spread.
		for i, s := range honestScreens(t, r, 26+6*r.Float64()) {
			if s.P < 0.05 || s.Hit {
				hits[fmt.Sprintf("%d %s", i, s.Kind)]++
			}
			if !(s.P >= 0 && s.P <= 1) {
				t.Fatalf("%s: p = %v", s.Kind, s.P)
			}
		}
	}
	for k, c := range hits {
		// 5 % and three standard errors of 500 draws.
		if c > sims*8/100 {
			t.Errorf("%s: %d of %d honest logs below 5 %%", k, c, sims)
		}
		t.Logf("%s: %.1f %%", k, 100*float64(c)/sims)
	}
}

// Ten months of twenty stations, one of them three seconds off: no station is
// asked anything.
func TestTheHonestOutlierIsNotAccused(t *testing.T) {
	r := rand.New(rand.NewPCG(7, 8))
	put := 0
	for range 10 {
		var all []StationScreens
		for i := range 20 {
			mean := 28.0
			if i == 0 {
				mean = 31
			}
			all = append(all, StationScreens{fmt.Sprint("tannery-row/", i), honestScreens(t, r, mean)})
		}
		qs, err := Questions(all, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		for _, q := range qs {
			if q.Put {
				put++
				t.Log(q)
			}
		}
	}
	if put > 0 {
		t.Errorf("%d questions to honest stations, want 0", put)
	}
}

// A station offline all day sends at night: measured and entered are as they
// should be and only the receipt is bunched, which no screen is given.
func TestTheHonestLateBatchIsNotAccused(t *testing.T) {
	var measured, entered []time.Time
	for i := range 100 {
		m := opening.Add(time.Duration(i) * 4 * time.Minute)
		measured, entered = append(measured, m), append(entered, m.Add(20*time.Second))
	}
	s, err := BatchScreen(measured, entered)
	if err != nil || s.Hit {
		t.Errorf("got %+v, %v; want no hit", s, err)
	}
}

func TestAnInventedLogIsAsked(t *testing.T) {
	r := rand.New(rand.NewPCG(9, 10))
	var all []StationScreens
	for i := range 19 {
		all = append(all, StationScreens{fmt.Sprint("lantern-hill/", i), honestScreens(t, r, 28)})
	}
	var values []float64
	var measured, entered []time.Time
	for i := range 120 {
		values = append(values, []float64{27.5, 28, 28, 28.5, 28}[r.IntN(5)])
		measured = append(measured, opening.Add(time.Duration(i)*4*time.Minute))
		entered = append(entered, opening.Add(9*time.Hour+time.Duration(i)*5*time.Second))
	}
	invented, err := allOf(
		func() (Screen, error) { return LastDigitScreen(values, 0.1) },
		func() (Screen, error) { return VarianceScreen(values, 1.5, 60) },
		func() (Screen, error) { return RunsScreen(values, 0.1, 1.5) },
		func() (Screen, error) { return BatchScreen(measured, entered) },
	)
	if err != nil {
		t.Fatal(err)
	}
	qs, err := Questions(append(all, StationScreens{"quillmaker-street/1", invented}), 0.05)
	if err != nil {
		t.Fatal(err)
	}
	put := ""
	for _, q := range qs {
		if q.Put {
			put += q.Station
		}
	}
	if put != "quillmaker-street/1" {
		t.Errorf("asked %q, want quillmaker-street/1 alone", put)
	}
}

// Figures of common use: 1 - chi-square tables and the arithmetic beside them.
func TestScreenFigures(t *testing.T) {
	s, err := NoFailuresScreen(200, 0, 0.04)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "none of 200 at 4 %", s.P, math.Pow(0.96, 200), 1e-12)
	near(t, "binomial tail", upperBinomial(2, 3, 0.5), 0.5, 1e-12)
	near(t, "poisson tail", upperPoisson(1, 2), 1-math.Exp(-2), 1e-12)
	// s = 0.60 sigma at n = 20 is the 0.5 % point: 19 df, 6.84 in tables.
	values := make([]float64, 20)
	for i := range values {
		values[i] = float64(i%2)*2 - 1
	}
	_, sd := spread(values)
	s, err = VarianceScreen(values, sd/math.Sqrt(6.844/19), 0)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "too little spread", s.P, 0.005, 1e-5)

	// Dose of SD 0.1 g on a 0.1 g scale says nothing by its last digit.
	r := rand.New(rand.NewPCG(11, 12))
	if s, err = LastDigitScreen(shown(r, 100, 18, 0.1, 0.1), 0.1); err != nil || s.Applies {
		t.Errorf("got %+v, %v; want not applied", s, err)
	}
	// Two 28 s shots 10 s apart on one group, twice.
	at := func(sec int) Shot { return Shot{opening.Add(time.Duration(sec) * time.Second), 28 * time.Second} }
	if s, err = TimingScreen([]Shot{at(0), at(10), at(100), at(110)}, time.Second); err != nil || !s.Hit {
		t.Errorf("got %+v, %v; want a hit", s, err)
	}
	// Values past 31 moved just inside.
	moved := shown(r, 300, 29.5, 1.5, 0.1)
	for i, v := range moved {
		if v > 31.05 && v < 32.5 {
			moved[i] = 31 - float64(r.IntN(5))/10
		}
	}
	if s, err = EdgeScreen(moved, 31, 1.5, 0.1, true); err != nil || s.P > 0.001 {
		t.Errorf("got %+v, %v; want p below 0.001", s, err)
	}
}

// Worked by hand from the definition, for the p-values of the first example in
// Benjamini and Hochberg 1995 (15 tests, 4 kept at 5 %), from memory.
func TestBenjaminiHochberg(t *testing.T) {
	p := []float64{.0001, .0004, .0019, .0095, .0201, .0278, .0298, .0344, .0459, .3240, .4262, .5719, .6528, .7590, 1}
	got, err := BenjaminiHochberg(p)
	if err != nil {
		t.Fatal(err)
	}
	kept := 0
	for _, a := range got {
		if a <= 0.05 {
			kept++
		}
	}
	if kept != 4 {
		t.Errorf("kept %d, want 4", kept)
	}
	near(t, "first", got[0], .0015, 1e-12)
	if _, err := BenjaminiHochberg([]float64{math.NaN()}); !errors.Is(err, ErrInput) {
		t.Errorf("got %v, want ErrInput", err)
	}
}

func TestScreensRefuseWhatIsNotANumber(t *testing.T) {
	bad := []float64{1, math.NaN()}
	for name, f := range map[string]func() (Screen, error){
		"last digit":   func() (Screen, error) { return LastDigitScreen(bad, 0.1) },
		"no step":      func() (Screen, error) { return HeapingScreen([]float64{1}, 0) },
		"spread":       func() (Screen, error) { return VarianceScreen(bad, 1, 0) },
		"runs":         func() (Screen, error) { return RunsScreen(bad, 0.1, 0) },
		"edge":         func() (Screen, error) { return EdgeScreen([]float64{1}, 0, 0, 0.1, true) },
		"failures":     func() (Screen, error) { return NoFailuresScreen(3, 4, 0.1) },
		"drift":        func() (Screen, error) { return NoDriftScreen(bad, bad[:1], 1) },
		"batch length": func() (Screen, error) { return BatchScreen(nil, make([]time.Time, 1)) },
	} {
		if _, err := f(); !errors.Is(err, ErrInput) {
			t.Errorf("%s: got %v, want ErrInput", name, err)
		}
	}
}

func TestImpossibleTimesAreAsked(t *testing.T) {
	at := func(h, m, sec int) time.Time { return time.Date(2026, 3, 2, h, m, sec, 0, time.UTC) }
	opens, closes, grace := 7*time.Hour, 19*time.Hour, 30*time.Minute
	for _, c := range []struct {
		name          string
		entered       []time.Time
		opens, closes time.Duration
		hit           bool
	}{
		{"in hours, and clearing away", []time.Time{at(6, 45, 0), at(12, 0, 0), at(19, 20, 0), at(19, 29, 0)}, opens, closes, false},
		{"one slip", []time.Time{at(12, 0, 0), at(23, 0, 0)}, opens, closes, false},
		{"in the night", []time.Time{at(23, 0, 0), at(3, 0, 0)}, opens, closes, true},
		{"a late bar", []time.Time{at(0, 30, 0), at(1, 0, 0), at(18, 0, 0)}, 16 * time.Hour, time.Hour, false},
		{"a late bar at noon", []time.Time{at(12, 0, 0), at(12, 1, 0)}, 16 * time.Hour, time.Hour, true},
	} {
		s, err := ClosedScreen(c.entered, c.opens, c.closes, grace)
		if err != nil || s.Hit != c.hit || !s.ByRule {
			t.Errorf("%s: %+v, %v; want hit %v", c.name, s, err, c.hit)
		}
	}
	s, err := ProbeScreen([]time.Time{at(9, 0, 0), at(9, 0, 2), at(9, 0, 3), at(9, 1, 0)}, 5*time.Second)
	if err != nil || !s.Hit {
		t.Errorf("three readings in 3 s: %+v, %v", s, err)
	}
	if s, err = ProbeScreen([]time.Time{at(9, 0, 0), at(9, 0, 5), at(9, 0, 11)}, 5*time.Second); err != nil || s.Hit {
		t.Errorf("a settled probe: %+v, %v", s, err)
	}
	for name, err := range map[string]error{
		"unordered":   func() error { _, err := ProbeScreen([]time.Time{at(9, 1, 0), at(9, 0, 0)}, time.Second); return err }(),
		"no response": func() error { _, err := ProbeScreen(nil, 0); return err }(),
		"25 o'clock":  func() error { _, err := ClosedScreen(nil, 25*time.Hour, closes, grace); return err }(),
	} {
		if !errors.Is(err, ErrInput) {
			t.Errorf("%s: %v, want ErrInput", name, err)
		}
	}
}

func TestNoFailuresScreenUpToAllFailed(t *testing.T) {
	for _, c := range []struct {
		n, failures int
		rate, want  float64
	}{
		{10, 0, 0.1, math.Pow(0.9, 10)},
		{2, 1, 0.25, 1 - 0.25*0.25},
		{1, 1, 0.04, 1},
		{10, 10, 0.04, 1},
		{3, 3, 0.999, 1},
		{3, 2, 0.5, 0.875},
		// Far below the double spacing at 1: the tail must not be taken off 1.
		{200, 1, 0.5, 201 * math.Pow(0.5, 200)},
	} {
		s, err := NoFailuresScreen(c.n, c.failures, c.rate)
		if err != nil || !s.Applies || math.Abs(s.P-c.want) > 1e-9*c.want {
			t.Errorf("%d of %d at %g: p %g, error %v; want %g", c.failures, c.n, c.rate, s.P, err, c.want)
		}
	}
}
