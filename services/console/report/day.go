package report

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/console/chart"
	"samecup.example/samecup/services/console/method"
)

// mostDayPanels are the measures of a day that are drawn.
const mostDayPanels = 2

// day finds the station's day of the week with the most builds off and lists it.
func (g *gatherer) day() error {
	if g.q.Scope.Site == "" {
		return nil
	}
	var worst *pb.Rollup
	monday := g.q.Week.Monday().Format(time.DateOnly)
	for _, r := range g.d.PlaceDays {
		if bad, _ := judged(r.Builds); r.Period < monday || bad == 0 {
			continue
		} else if most, _ := judged(worst.GetBuilds()); worst == nil || bad > most {
			worst = r
		}
	}
	if worst == nil {
		return nil
	}
	_, station, _ := strings.Cut(stationKey(worst), "/")
	d := &StationDay{Site: g.q.Scope.Site, Station: station, Date: worst.Period}
	f := &pb.RollupFilter{Stations: []string{d.Site + "/" + d.Station}, FirstDay: d.Date, LastDay: d.Date}
	err := g.pages(func(ctx context.Context, token string) (string, error) {
		res, err := g.Insight.ListBuilds(ctx, &pb.ListBuildsRequest{Filter: f, PageSize: 1000, PageToken: token})
		d.Builds = append(d.Builds, res.GetBuilds()...)
		return res.GetNextPageToken(), err
	})
	if err != nil || len(d.Builds) == 0 {
		return err
	}
	slices.SortStableFunc(d.Builds, func(a, b *pb.JudgedBuild) int {
		return a.Build.StartedTime.AsTime().Compare(b.Build.StartedTime.AsTime())
	})
	g.d.Day = d
	return g.dayLimits(d)
}

// dayLimits finds the tolerances that all servings of the day share.
func (g *gatherer) dayLimits(d *StationDay) error {
	d.Limits = map[string]*drink.Check{}
	differ := map[string]bool{}
	books := map[uint64]*drink.Book{}
	for _, b := range d.Builds {
		book, ok := books[b.Build.Release]
		if !ok && b.Build.Release > 0 {
			var err error
			if book, err = g.book(b.Build.Release); err != nil {
				return err
			}
			books[b.Build.Release] = book
		}
		if book == nil {
			continue
		}
		s, ok := book.ServingByID(b.Build.Serving)
		if !ok {
			continue
		}
		for i := range s.Checks {
			k := &s.Checks[i]
			if had := d.Limits[k.ID]; had == nil {
				d.Limits[k.ID] = k
			} else if had.Low != k.Low || had.High != k.High {
				differ[k.ID] = true
			}
		}
	}
	maps.DeleteFunc(d.Limits, func(id string, _ *drink.Check) bool { return differ[id] })
	return nil
}

// stationDay draws the day on one axis of time.
func (b *builder) stationDay() error {
	d := b.d.Day
	if d == nil || len(d.Builds) == 0 {
		return nil
	}
	loc := b.d.zone(d.Site)
	off := map[string]int{}
	all := map[string][]chart.Timed{}
	for _, j := range d.Builds {
		why := map[string]string{}
		for _, f := range j.Verdict.GetFindings() {
			if f.Check != "" {
				why[fmt.Sprint(f.Check, max(1, f.Occurrence))] = f.Text
			}
		}
		for _, r := range j.Build.Readings {
			m, _ := b.measureOfCheck(r.Check)
			q := chart.Timed{At: j.Build.StartedTime.AsTime().In(loc), Value: b.read.Value(float64(r.ValueMilli)/1000, measureUnit(m)), Off: why[fmt.Sprint(r.Check, max(1, r.Occurrence))],
				Text: capital(b.serving(j.Build.Serving))}
			if q.Off != "" {
				off[r.Check]++
			}
			all[r.Check] = append(all[r.Check], q)
		}
	}
	ids := slices.SortedFunc(maps.Keys(off), func(x, y string) int { return cmp.Or(cmp.Compare(off[y], off[x]), cmp.Compare(x, y)) })
	if len(ids) == 0 {
		return nil
	}
	var series []chart.Series
	for _, id := range ids[:min(len(ids), mostDayPanels)] {
		m, label := b.measureOfCheck(id)
		s := chart.Series{Name: label, Points: all[id]}
		if u := b.read.Symbol(measureUnit(m)); u != "" {
			s.Name += ", " + u
		}
		if k := d.Limits[id]; k != nil {
			s.Tolerance = tolerance(k, func(v float64) float64 { return b.read.Value(v, measureUnit(m)) })
		}
		series = append(series, s)
	}
	from, to := dayBounds(d.Builds, loc)
	date, err := time.Parse(time.DateOnly, d.Date)
	if err != nil {
		return fmt.Errorf("day %q of a roll-up: %w", d.Date, err)
	}
	c := chart.Day("day", fmt.Sprintf("The day worth a look: %s, %s", b.place(d.Site, d.Station), b.day(date)), from, to, series, b.dayEvents(d, from, to))
	c.Diamond = "out of its tolerance"
	c.PanelHeight = 200
	b.use(method.Day)
	b.add(Figure{c})
	return nil
}

func metric(v float64) float64 { return v }

func measureUnit(m *drink.Measure) drink.Unit {
	if m == nil {
		return ""
	}
	return m.Unit
}

// tolerance of a check, each end through value.
func tolerance(k *drink.Check, value func(float64) float64) *chart.Tolerance {
	t := &chart.Tolerance{Label: "tolerance"}
	if k.Low != drink.NoLow {
		v := value(k.Low.Float())
		t.Low = &v
	}
	if k.High != drink.NoHigh {
		v := value(k.High.Float())
		t.High = &v
	}
	return t
}

// dayBounds are the whole hours around the builds.
func dayBounds(builds []*pb.JudgedBuild, loc *time.Location) (from, to time.Time) {
	first := builds[0].Build.StartedTime.AsTime().In(loc)
	last := builds[len(builds)-1].Build.StartedTime.AsTime().In(loc)
	return time.Date(first.Year(), first.Month(), first.Day(), first.Hour(), 0, 0, 0, loc),
		time.Date(last.Year(), last.Month(), last.Day(), last.Hour()+1, 0, 0, 0, loc)
}

// dayEvents are what the builds and the record tell of the day: another release,
// another lot, a stop.
func (b *builder) dayEvents(d *StationDay, from, to time.Time) []chart.Event {
	var out []chart.Event
	release, lots := uint64(0), ""
	for _, j := range d.Builds {
		at := j.Build.StartedTime.AsTime()
		if r := j.Build.Release; r != release && release > 0 && r > 0 {
			out = append(out, chart.Event{At: at, Label: fmt.Sprintf("release %d", r)})
		}
		if l := strings.Join(j.Build.Lots, ", "); l != lots && lots != "" && l != "" {
			out = append(out, chart.Event{At: at, Label: "lot " + l})
		}
		release, lots = cmp.Or(j.Build.Release, release), cmp.Or(strings.Join(j.Build.Lots, ", "), lots)
	}
	for _, s := range b.d.Stops {
		if at := s.Stop.GetCreateTime().AsTime(); !at.Before(from) && at.Before(to) {
			out = append(out, chart.Event{At: at, Label: "stop of " + b.thing(s.Stop.GetTarget())})
		}
	}
	return out
}
