package bar

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
)

// Day is what was made here; an empty date is today.
func (b *Bar) Day(ctx context.Context, date string) (*Day, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if date == "" {
		date = b.day(b.cfg.Now())
	} else if _, err := time.Parse(time.DateOnly, date); err != nil {
		return nil, refuse("bad_date", "date", "%q is not a day: write it as 2026-11-02", bounded(date))
	}
	if err := b.follow(ctx); err != nil {
		return nil, err
	}
	d, err := b.dayOn(ctx, date)
	if err != nil {
		return nil, err
	}
	marks, err := b.db.marksOn(ctx, date)
	if err != nil {
		return nil, err
	}
	out := &Day{Date: date, Builds: d.builds, OffSpec: d.offSpec, Measured: d.measured, Marks: marks, Plan: b.sampler.sums(), Mended: mended(d, marks)}
	for _, s := range d.series() {
		view := s.Series
		view.Points = slices.Clone(view.Points) // the day's go on growing
		out.Series = append(out.Series, view)
		if d := drift(s, marks, b.zone); d != nil {
			out.Drifts = append(out.Drifts, *d)
		}
	}
	if out.Tastings, err = b.db.tastingsOn(ctx, date); err != nil {
		return nil, err
	}
	out.Checks, err = b.db.outcomesOn(ctx, date)
	return out, err
}

// maxPoints bounds what a day keeps of one series, and mostPoints of all together:
// the last ones. A busy machine makes some hundreds of drinks a day; at thousands,
// the memory of a small machine counts for more than the morning's readings.
const maxPoints, mostPoints = 1000, 16_000

// dayOf is a day's builds taken apart, those that nothing corrects.
type dayOf struct {
	date                      string
	builds, offSpec, measured int
	// by measure and what it is of.
	by map[[2]string]*series
	// kept is at least how many readings there are in all series.
	kept int
	// corrected are those that put a log right.
	corrected []Mended
}

type series struct {
	Series
	// pull is true for what is measured once a pull, which the grinder sets.
	pull bool
	// grown is true while it has readings that were not looked at for drifts.
	grown bool
}

// dayOn takes a day apart. Today's is kept, and grows with each build; it is read
// anew after a correction, which takes readings away.
func (b *Bar) dayOn(ctx context.Context, date string) (*dayOf, error) {
	if b.today != nil && b.today.date == date {
		return b.today, nil
	}
	d := &dayOf{date: date, by: map[[2]string]*series{}}
	err := b.db.eachMadeOn(ctx, date, func(m *made) {
		if m.correctedBy == "" {
			b.addTo(d, m.record)
		}
	})
	if err != nil {
		return nil, err
	}
	if date == b.day(b.cfg.Now()) {
		b.today = d
	}
	return d, nil
}

// grow adds what was just logged to today's; the caller holds mu.
func (b *Bar) grow(list []*pb.BuildRecord) {
	for _, r := range list {
		switch {
		case b.today == nil:
			return
		case r.GetBuild().GetCorrects() != "":
			b.today = nil
		case b.day(r.GetLoggedTime().AsTime()) == b.today.date:
			b.addTo(b.today, r)
		}
	}
}

// addTo takes one build apart.
func (b *Bar) addTo(out *dayOf, r *pb.BuildRecord) {
	d := &b.scratch
	if err := wire.BuildFromProto(r.GetBuild(), d); err != nil {
		b.log.Error("a build of the day cannot be read", zap.String("build", r.GetBuild().GetId()), zap.Error(err))
		return
	}
	held := b.agent.HeldRelease(d.Release)
	if held == nil {
		held, _ = b.agent.ReleaseInForce()
	}
	at := r.GetLoggedTime().AsTime()
	out.builds++
	if verdict.Grade(r.GetVerdict().GetGrade()) != verdict.InSpec {
		out.offSpec++
	}
	if len(d.Readings) > 0 {
		out.measured++
	}
	if d.Corrects != "" {
		out.corrected = append(out.corrected, Mended{At: at, Corrected: b.nameOf(held, d.Serving)})
	}
	if held != nil {
		b.chart(held, d, at, out.by)
		if out.kept += len(d.Readings); out.kept > mostPoints {
			out.forget()
		}
	}
}

// series with most readings first.
func (d *dayOf) series() []*series {
	out := slices.Collect(maps.Values(d.by))
	slices.SortFunc(out, func(a, b *series) int {
		if n := len(b.Points) - len(a.Points); n != 0 {
			return n
		}
		if a.Measure != b.Measure {
			return order(a.Measure) - order(b.Measure)
		}
		return compareText(a.Of, b.Of)
	})
	return out
}

// add keeps the readings in order of time, and the last ones alone.
func (s *series) add(p Point) {
	i := len(s.Points)
	for i > 0 && s.Points[i-1].At.After(p.At) {
		i--
	}
	s.Points = slices.Insert(s.Points, i, p)
	if n := len(s.Points) - maxPoints; n > 0 {
		s.Points = slices.Delete(s.Points, 0, n)
	}
	s.grown = true
}

// forget lets go of the earlier half of the readings.
func (d *dayOf) forget() {
	var times []time.Time
	for _, s := range d.by {
		for _, p := range s.Points {
			times = append(times, p.At)
		}
	}
	d.kept = 0
	if len(times) == 0 {
		return
	}
	slices.SortFunc(times, time.Time.Compare)
	from := times[len(times)/2]
	for key, s := range d.by {
		i := slices.IndexFunc(s.Points, func(p Point) bool { return !p.At.Before(from) })
		if i < 0 {
			delete(d.by, key)
			continue
		}
		s.Points = slices.Clone(s.Points[i:])
		d.kept += len(s.Points)
	}
}

func (b *Bar) nameOf(held *shelf.Held, serving string) string {
	if held == nil {
		return serving
	}
	return b.name(held, serving)
}

// order is a measure's place in the table.
func order(code string) int {
	return slices.IndexFunc(drink.Measures, func(m drink.Measure) bool { return m.Code == code })
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

// chart puts the readings of a build into their series.
func (b *Bar) chart(held *shelf.Held, d *drink.Build, at time.Time, out map[[2]string]*series) {
	s := held.Serving(d.Serving)
	if s == nil {
		return
	}
	for _, r := range d.Readings {
		i := slices.IndexFunc(s.Checks, func(k drink.Check) bool { return k.ID == r.Check })
		if i < 0 {
			continue
		}
		k := &s.Checks[i]
		m := drink.MeasureByCode(k.Measure)
		if m == nil || r.Unit != m.Unit || r.Value < m.Least || r.Value > m.Most {
			continue
		}
		of := b.name(held, s.ID)
		if k.ID != k.Measure {
			of += ", " + k.ID
		}
		if m.PerPull && houseCheck(held.Book, k) {
			of = AllPulls
		}
		key := [2]string{k.Measure, of}
		if out[key] == nil {
			out[key] = &series{Series: Series{Measure: k.Measure, Of: of}, pull: m.PerPull}
		}
		when := r.MeasuredAt
		if when.IsZero() {
			when = at
		}
		g := out[key]
		// Builds come in order, so the last one's limits stand.
		g.Low, g.Target, g.High = k.Low, k.Target, k.High
		off := r.Value < k.Low || r.Value > k.High || k.HasHardHigh() && r.Value > k.HardHigh
		g.add(Point{At: when, Value: r.Value, Build: d.ID, Off: off})
	}
}

// houseCheck is true for a check that is as the house has it for every pull.
func houseCheck(book *drink.Book, k *drink.Check) bool {
	for i := range book.House.Pull.Checks {
		if h := &book.House.Pull.Checks[i]; h.Measure == k.Measure && h.Low == k.Low && h.Target == k.Target && h.High == k.High {
			return true
		}
	}
	return false
}

// mended says what was put right: a turn of the grinder after which the shots
// were inside, and logs that were corrected.
func mended(d *dayOf, marks []Mark) []Mended {
	var out []Mended
	for _, s := range d.series() {
		if s.Measure == "shot_time" {
			out = append(out, mendedBy(s, marks)...)
		}
	}
	for _, c := range d.corrected {
		c.English = c.Corrected + ": the log was corrected"
		out = append(out, c)
	}
	return out
}

// lookBack is how many shots before a turn tell what it was for.
const lookBack = 5

func mendedBy(s *series, marks []Mark) []Mended {
	var turns []Mark
	for _, m := range marks {
		if m.Kind == markTurned {
			turns = append(turns, m)
		}
	}
	var out []Mended
	for i, turn := range turns {
		var before, after []Point
		for _, p := range s.Points {
			switch {
			case p.At.Before(turn.At) && (i == 0 || !p.At.Before(turns[i-1].At)):
				before = append(before, p)
			case !p.At.Before(turn.At) && (i+1 == len(turns) || p.At.Before(turns[i+1].At)):
				after = append(after, p)
			}
		}
		before = before[max(0, len(before)-lookBack):]
		off, still := countOff(before), countOff(after)
		if off == 0 || len(after) < 2 || still*len(before) >= off*len(after) {
			continue
		}
		m := Mended{At: turn.At, Of: s.Of, Off: off, Before: len(before), Still: still, After: len(after)}
		if len(turn.Args) > 0 {
			m.Setting = turn.Args[0]
		}
		m.English = fmt.Sprintf("%s: shot time (%s) was off in %d of the last %d before it, in %d of the %d since",
			turn.Words, s.Of, off, len(before), still, len(after))
		out = append(out, m)
	}
	return out
}

func countOff(points []Point) int {
	n := 0
	for _, p := range points {
		if p.Off {
			n++
		}
	}
	return n
}
