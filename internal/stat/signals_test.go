package stat

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Which points the published examples find; their limits stand in statcheck.
func TestPublishedExamplesSignalWhereTheySay(t *testing.T) {
	v := chartColumns(t, "viscosity.csv")[1]
	i, err := Individuals(v, ChartOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if got := i.Location.Signals(); !cmp.Equal(got, []int{3}) {
		t.Errorf("viscosity signals at %v, want batch 4", got)
	}
	if i, err = Individuals(v, ChartOptions{SetAside: true}); err != nil || i.Location.Points[3].SetAside == "" {
		t.Errorf("batch 4 gives no reason for being set aside: %v", err)
	}
	oj := chartColumns(t, "orangejuice.csv")
	p, err := P(oj[1], oj[2], ChartOptions{Method: Normal})
	if err != nil {
		t.Fatal(err)
	}
	if got := p.Signals(); !cmp.Equal(got, []int{14, 22}) {
		t.Errorf("orange juice signals at %v, want samples 15 and 23", got)
	}
	x := []float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	z, err := EWMA(x, EWMADesign{Centre: 50, Sigma: 2.0539, Lambda: 0.3, L: 3, Asymptotic: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range z {
		if q.Signal != 0 {
			t.Errorf("EWMA point %d signals", i+1)
		}
	}
	y := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625,
		325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	sums, err := CUSUM(y, CUSUMDesign{Centre: 325, K: 0.3175, H: 4.1959})
	if err != nil {
		t.Fatal(err)
	}
	for i, q := range sums {
		if (q.Signal != 0) != (i >= 13) {
			t.Errorf("CUSUM point %d signals: %d", i+1, q.Signal)
		}
	}
	if since := sums[13].HighSince; since != 2 {
		t.Errorf("the shift began %d points ago, want 2", since)
	}
}

// A head start of nothing is no head start, and more of one finds a shift sooner.
func TestEWMAHeadStart(t *testing.T) {
	plain, err := EWMAARL(0.2, 2.962, 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	none, err := EWMAARLHeadStart(0.2, 2.962, 1, 0)
	if err != nil || none != plain {
		t.Errorf("no head start: %g, %v; want %g", none, err, plain)
	}
	half, err := EWMAARLHeadStart(0.2, 2.962, 1, 0.5)
	if err != nil || half >= plain {
		t.Errorf("half a head start: %g, %v; want below %g", half, err, plain)
	}
	for _, start := range []float64{-0.1, 1} {
		if _, err := EWMAARLHeadStart(0.2, 2.962, 1, start); err == nil {
			t.Errorf("head start %g was taken", start)
		}
	}
}

// The verdict of the published pairs depends on the limit set before.
func TestAgreeVerdictTurnsOnTheLimit(t *testing.T) {
	large := []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	mini := []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
	for limit, want := range map[float64]AgreeVerdict{200: Agrees, 20: Disagrees} {
		if r, err := Agree(mini, large, nil, limit); err != nil || r.Verdict != want {
			t.Errorf("limit %g: %q, %v; want %q", limit, r.Verdict, err, want)
		}
	}
}
