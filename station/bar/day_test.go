package bar

import (
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"samecup.example/samecup/internal/drink"
)

// driftingShots pulls shots that run ever faster, one every five minutes.
func (r *rigged) driftingShots(n int, from, step drink.Milli) {
	r.t.Helper()
	for i := range n {
		wobble := drink.Milli((i%3 - 1) * 200)
		r.measured("latte/mug", from+drink.Milli(i)*step+wobble)
		r.Clock.Add(5*time.Minute - 40*time.Second)
	}
}

func TestADriftIsSaidWithWhatItRestsOn(t *testing.T) {
	r := setUp(t)
	r.driftingShots(12, 31_000, -300)
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if d.Builds != 12 || d.Measured != 12 || d.Series[0].Measure != "dose" && len(d.Series[0].Points) != 12 {
		t.Fatalf("%+v", d)
	}
	i := slices.IndexFunc(d.Series, func(s Series) bool { return s.Measure == "shot_time" })
	if s := d.Series[i]; s.Of != AllPulls || s.Low != 26_000 || s.High != 32_000 || len(s.Points) != 12 || s.Points[0].Off {
		t.Errorf("%+v", s)
	}
	if len(d.Drifts) != 1 || !strings.HasPrefix(d.Drifts[0].English, "shot time (all pulls) falls by 3.5 s an hour (99 % between") ||
		!strings.Contains(d.Drifts[0].English, "a straight line through 12 readings since 10:00") || !strings.Contains(d.Drifts[0].English, "reaches 26 s") {
		t.Fatalf("%+v", d.Drifts)
	}
	if len(r.bar.sampler.s.Signals) != 1 {
		t.Errorf("the plan looks no more closely: %+v", r.bar.sampler.s)
	}
	if !slices.ContainsFunc(d.Marks, func(m Mark) bool {
		return m.Words == d.Drifts[0].English || strings.HasPrefix(m.Words, "shot time (all pulls) falls")
	}) {
		t.Errorf("%+v", d.Marks)
	}
}

func TestARunOffIsSaidAndWhatPutItRight(t *testing.T) {
	r := setUp(t)
	for range 3 {
		r.measured("latte/mug", 24_000)
	}
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if d.OffSpec != 3 || len(d.Drifts) != 1 || d.Drifts[0].English != "shot time (all pulls): the last 3 readings running are fast; grind finer" {
		t.Fatalf("%d %+v", d.OffSpec, d.Drifts)
	}
	r.must(r.bar.TurnGrinder(t.Context(), 4_000))
	for range 2 {
		r.measured("latte/mug", 29_000)
	}
	d, err = r.bar.Day(t.Context(), "")
	r.must(err)
	if len(d.Drifts) != 0 || len(d.Mended) != 1 || !strings.HasSuffix(d.Mended[0].English, "grinder turned to 4: shot time (all pulls) was off in 3 of the last 3 before it, in 0 of the 2 since") {
		t.Fatalf("%+v %+v", d.Drifts, d.Mended)
	}
}

func TestSteadyShotsAreNotCalledADrift(t *testing.T) {
	r := setUp(t)
	r.driftingShots(12, 29_000, 0)
	r.tick()
	d, err := r.bar.Day(t.Context(), "")
	r.must(err)
	if len(d.Drifts) != 0 || len(r.bar.sampler.s.Signals) != 0 {
		t.Errorf("%+v", d.Drifts)
	}
}

func TestTheDayIsTheBusinessDayAndIsPruned(t *testing.T) {
	r := setUp(t)
	r.Clock.Add(16 * time.Hour) // two in the morning
	r.measured("latte/mug", 29_000)
	d, err := r.bar.Day(t.Context(), "2026-11-02")
	r.must(err)
	if d.Builds != 1 {
		t.Errorf("%+v", d)
	}
	if _, err := r.bar.Day(t.Context(), "yesterday"); err == nil {
		t.Error("took a day that is none")
	}
	r.Clock.Add(15 * 24 * time.Hour)
	r.tick()
	if d, err = r.bar.Day(t.Context(), "2026-11-02"); err != nil || d.Builds != 0 || len(d.Marks) != 0 {
		t.Errorf("%+v %v", d, err)
	}
}

// A day beyond all measure keeps its last readings, in every series alike.
func TestADayIsBounded(t *testing.T) {
	start := time.Date(2026, 11, 2, 0, 0, 0, 0, time.UTC)
	d := &dayOf{by: map[[2]string]*series{}}
	const n = 3 * mostPoints
	for i := range n {
		key := [2]string{"yield", strconv.Itoa(i % 100)}
		if d.by[key] == nil {
			d.by[key] = &series{}
		}
		d.by[key].add(Point{At: start.Add(time.Duration(i) * time.Second)})
		if d.kept++; d.kept > mostPoints {
			d.forget()
		}
	}
	kept := 0
	for key, s := range d.by {
		kept += len(s.Points)
		if last := s.Points[len(s.Points)-1].At; last.Before(start.Add((n - 100) * time.Second)) {
			t.Errorf("the last of %s is of %s", key, last)
		}
	}
	if kept < mostPoints/2 || kept > mostPoints || len(d.by) != 100 {
		t.Errorf("%d readings in %d series are kept; want %d to %d in 100", kept, len(d.by), mostPoints/2, mostPoints)
	}
}
