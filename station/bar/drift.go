package bar

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"samecup.example/samecup/internal/drink"
)

// When a drift is said. The numbers are a choice: a look after every drink would
// cry wolf at the usual 95 %.
const (
	driftPoints     = 8
	driftSpan       = 20 * time.Minute
	driftConfidence = 0.99
	// driftAhead is how far ahead the line must leave the tolerance for it to
	// matter in this shift.
	driftAhead = 4 * time.Hour
	// runOff readings running beyond the same limit are said at once.
	runOff = 3
)

// drift says where a series goes since the last thing that was done about it; nil
// where nothing can be said.
func drift(s *series, marks []Mark, zone *time.Location) *Drift {
	points := since(s, marks)
	m := drink.MeasureByCode(s.Measure)
	if m == nil {
		return nil
	}
	out := &Drift{Measure: s.Measure, Of: s.Of}
	name := m.Label + " (" + s.Of + ")"
	if offRun(out, s, points) {
		word, mend := m.Below, m.MendBelow
		if out.Above {
			word, mend = m.Above, m.MendAbove
		}
		out.English = fmt.Sprintf("%s: the last %d readings running are %s", name, out.Run, word)
		if mend != "" {
			out.English += "; " + mend
		}
		return out
	}
	n := len(points)
	if n < driftPoints || points[n-1].At.Sub(points[0].At) < driftSpan {
		return nil
	}
	l := fitLine(points)
	out.N, out.Since, out.Above = n, points[0].At, l.slope > 0
	out.Slope, out.Low, out.High, out.Limit = math.Abs(l.slope), l.slope-l.half, l.slope+l.half, s.High
	if out.Low <= 0 && out.High >= 0 {
		return nil
	}
	toward := "rises"
	if !out.Above {
		toward, out.Limit = "falls", s.Low
		out.Low, out.High = -out.High, -out.Low
	}
	if out.Limit == drink.NoHigh || out.Limit == drink.NoLow {
		return nil
	}
	out.Ahead = time.Duration((out.Limit.Float() - l.end) / l.slope * float64(time.Hour))
	if out.Ahead > driftAhead {
		return nil
	}
	when := fmt.Sprintf("at that rate it reaches %s in about %s", drink.FormatQuantity(out.Limit, m.Unit), roughly(out.Ahead))
	if out.Ahead <= 0 {
		when = "the line is past " + drink.FormatQuantity(out.Limit, m.Unit) + " already"
	}
	out.English = fmt.Sprintf("%s %s by %.2g %s an hour (99 %% between %.2g and %.2g; a straight line through %d readings since %s): %s",
		name, toward, out.Slope, m.Unit.Symbol(), out.Low, out.High, n, out.Since.In(zone).Format("15:04"), when)
	return out
}

// since are the readings after the last turn or dial-in, which begin a line anew
// for what the grinder sets, or after the last release.
func since(s *series, marks []Mark) []Point {
	var from time.Time
	for _, m := range marks {
		if m.Kind == markRelease || s.pull && (m.Kind == markTurned || m.Kind == markDialIn) {
			from = latest(from, m.At)
		}
	}
	i := 0
	for i < len(s.Points) && s.Points[i].At.Before(from) {
		i++
	}
	return s.Points[i:]
}

// offRun is true where the last readings running lie beyond one limit.
func offRun(out *Drift, s *series, points []Point) bool {
	n, above := 0, false
	for i := len(points) - 1; i >= 0; i-- {
		p := points[i]
		if !p.Off || n > 0 && (p.Value > s.Target) != above {
			break
		}
		above = p.Value > s.Target
		n++
	}
	if n < runOff {
		return false
	}
	out.Run, out.Above = n, above
	return true
}

// line is a straight line by least squares, in units an hour.
type line struct {
	slope float64
	// half is half the width of the slope's interval, end the line's value at the
	// last reading.
	half, end float64
}

func fitLine(points []Point) line {
	n := float64(len(points))
	var mx, my float64
	x := make([]float64, len(points))
	for i, p := range points {
		x[i] = p.At.Sub(points[0].At).Hours()
		mx += x[i] / n
		my += p.Value.Float() / n
	}
	var sxx, sxy float64
	for i, p := range points {
		sxx += (x[i] - mx) * (x[i] - mx)
		sxy += (x[i] - mx) * (p.Value.Float() - my)
	}
	l := line{slope: sxy / sxx}
	l.end = my + l.slope*(x[len(x)-1]-mx)
	var rss float64
	for i, p := range points {
		e := p.Value.Float() - my - l.slope*(x[i]-mx)
		rss += e * e
	}
	t := distuv.StudentsT{Sigma: 1, Nu: n - 2}.Quantile((1 + driftConfidence) / 2)
	l.half = t * math.Sqrt(rss/(n-2)/sxx)
	return l
}

// roughly says a time ahead no more sharply than it is known.
func roughly(d time.Duration) string {
	if d < 90*time.Minute {
		return fmt.Sprintf("%d min", int(math.Ceil(d.Minutes()/10))*10)
	}
	return fmt.Sprintf("%.0f h", d.Hours())
}

// lookForDrift has the plan look more closely where a series of today drifts.
func (b *Bar) lookForDrift(ctx context.Context, now time.Time) error {
	if !b.grown {
		return nil
	}
	day := b.day(now)
	d, err := b.dayOn(ctx, day)
	if err != nil {
		return err
	}
	marks, err := b.db.marksOn(ctx, day)
	if err != nil {
		return err
	}
	b.grown = false
	for _, s := range d.series() {
		if !s.grown {
			continue
		}
		s.grown = false
		d := drift(s, marks, b.zone)
		if d == nil || !b.sampler.drifts(s.Measure+" of "+s.Of, now) {
			continue
		}
		if err := b.db.change(ctx, func(t tx) error { return errors.Join(t.mark(now, day, markDrift, d.English), b.sampler.put(t)) }); err != nil {
			b.sampler.reload(ctx)
			return err
		}
	}
	return nil
}
