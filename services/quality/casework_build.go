package quality

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/watch"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

// shiftsADay of equal length: until rosters are told, a business day is split
// in three, from the hour at which the site's day begins.
const shiftsADay = 3

// shiftSpans places an instant in a site's business day.
type shiftSpans struct{ sites map[string]rollup.Calendar }

func (w *caseworker) takeCalendars(ctx context.Context) error {
	list, err := w.db.Calendars(ctx)
	if err != nil {
		return err
	}
	w.spans = &shiftSpans{sites: make(map[string]rollup.Calendar, len(list))}
	for _, c := range list {
		cal, err := rollup.NewCalendar(c.TimeZone, c.DayStart)
		if err != nil {
			return fmt.Errorf("the calendar of site %s: %w", c.Site, err)
		}
		w.spans.sites[c.Site] = cal
	}
	return nil
}

// shift is the third of the business day; in UTC where the site told no zone.
func (s *shiftSpans) shift(site string, at time.Time) watch.Shift {
	cal := s.sites[site]
	day := cal.DayAt(at)
	begin := cal.Begin(day)
	no := 1 + int(shiftsADay*at.Sub(begin)/max(1, cal.Begin(day+1).Sub(begin)))
	return watch.Shift{Day: rollup.DayTime(day), No: min(shiftsADay, no)}
}

// releases is what a shelf reads.
type releases interface {
	Release(ctx context.Context, number uint64) ([]byte, error)
}

// shelf holds the servings of the releases that builds name of late.
type shelf struct {
	db    store.Casework
	books map[uint64]map[string]*drink.Serving
}

func newShelf(db store.Casework) *shelf {
	return &shelf{db: db, books: map[uint64]map[string]*drink.Serving{}}
}

// servings of a release; nil where it cannot be read, so that its builds are
// looked at for safety and charted no more.
func (s *shelf) servings(ctx context.Context, number uint64) (map[string]*drink.Serving, error) {
	if list, ok := s.books[number]; ok {
		return list, nil
	}
	db, ok := s.db.(releases)
	if !ok {
		return nil, fmt.Errorf("quality: %T holds no releases", s.db)
	}
	envelope, err := db.Release(ctx, number)
	if err != nil && !errors.Is(err, store.ErrNotFound) {
		return nil, err
	}
	var list map[string]*drink.Serving
	if err == nil {
		var env pb.Envelope
		var rel pb.Release
		if proto.Unmarshal(envelope, &env) == nil && proto.Unmarshal(env.Payload, &rel) == nil {
			if book, err := wire.BookFromProto(rel.Book); err == nil {
				list = map[string]*drink.Serving{}
				for _, sv := range book.Servings() {
					list[sv.ID] = &sv
				}
			}
		}
	}
	if len(s.books) >= maxSets {
		clear(s.books)
	}
	s.books[number] = list
	return list, nil
}

// build turns a stored build into what the watch needs. Nil for one that the
// watch is not to see: unreadable, replaced by a correction that is here, or a
// correction of what it has seen. One that is a safety matter is then looked at
// for that alone.
//
// The events are what happened at the bar before it, as its station told.
func (w *caseworker) build(ctx context.Context, row *store.WatchBuild) (_ *watch.Build, before []watch.Event, _ error) {
	var rec pb.BuildRecord
	var b drink.Build
	err := proto.Unmarshal(row.Record, &rec)
	if err == nil {
		err = wire.BuildFromProto(rec.Build, &b)
	}
	if err != nil {
		// The intake lets none in; were there one, it must not stop the rest.
		w.log.Error("a stored build cannot be read; the watch passes it by", zap.String("build", row.ID), zap.Error(err))
		return nil, nil, nil
	}
	before = events(&row.Build, rec.Build.GetEvents())
	v, err := centreVerdict(row.Grade, row.Verdict)
	if err != nil {
		w.log.Error("a stored verdict cannot be read; the watch passes it by", zap.String("build", row.ID), zap.Error(err))
		return nil, before, nil
	}
	servings, err := w.shelf.servings(ctx, row.Release)
	if err != nil {
		return nil, nil, err
	}
	out := &watch.Build{ID: b.ID, Site: row.Site, Station: row.Station, By: b.By, Serving: b.Serving, Drink: row.Drink,
		Milk: b.Milk, Vessel: b.Vessel, Release: b.Release, Started: b.StartedAt, Entered: b.FinishedAt, Sampled: b.Sampled,
		Grade: verdict.Grade(row.Grade), Findings: findings(v)}
	// A clock that runs ahead must not end everybody's day.
	if out.Started.After(row.Received.Add(verdict.FutureMost)) {
		out.Started, out.Entered = row.Received, row.Received
	}
	out.Shift = w.spans.shift(row.Site, out.Started)
	for _, lot := range b.Lots {
		kind, name, _ := strings.Cut(lot, ":")
		switch kind {
		case "coffee":
			out.CoffeeLot = name
		case "milk":
			out.MilkLot = name
		}
	}
	serving := servings[b.Serving]
	if !w.passed.sees(row, b.Corrects) {
		if out.Grade != verdict.Unsafe {
			return nil, before, nil
		}
		serving, out.Serving = nil, ""
	}
	if serving != nil {
		out.Readings = readings(&b, serving, out)
	}
	return out, before, nil
}

// readings pairs what was read with what was asked. Those that the verdict does
// not take for a reading of their check are left out.
func readings(b *drink.Build, s *drink.Serving, out *watch.Build) []watch.Reading {
	type slot struct {
		check string
		n     int
	}
	bad := map[slot]bool{}
	for i := range out.Findings {
		switch f := &out.Findings[i]; f.Kind {
		case verdict.ImpossibleValue, verdict.WrongUnit, verdict.DuplicateReading, verdict.UnknownReading:
			bad[slot{f.Check, f.Occurrence}] = true
		}
	}
	var list []watch.Reading
	for i := range b.Readings {
		r := &b.Readings[i]
		if bad[slot{r.Check, r.Occurrence}] {
			continue
		}
		for k := range s.Checks {
			c := &s.Checks[k]
			if c.ID != r.Check {
				continue
			}
			entered := r.EnteredAt
			if entered.IsZero() || entered.After(b.FinishedAt.Add(24*time.Hour)) {
				entered = out.Entered
			} else if entered.After(out.Entered) {
				out.Entered = entered
			}
			list = append(list, watch.Reading{Measure: c.Measure, Check: c.ID, Occurrence: r.Occurrence, Value: r.Value.Float(),
				Target: c.Target.Float(), Low: limit(c.Low), High: limit(c.High), Resolution: r.Resolution.Float(), Entered: entered})
		}
	}
	return list
}

func limit(m drink.Milli) float64 {
	switch m {
	case drink.NoLow:
		return math.Inf(-1)
	case drink.NoHigh:
		return math.Inf(1)
	}
	return m.Float()
}

var criticalities = map[pb.Criticality]drink.Criticality{
	pb.Criticality_CRITICALITY_APPEARANCE: drink.Appearance,
	pb.Criticality_CRITICALITY_QUALITY:    drink.Quality,
	pb.Criticality_CRITICALITY_SAFETY:     drink.Safety,
}

// findings of a stored verdict.
func findings(v *pb.Verdict) []verdict.Finding {
	list := make([]verdict.Finding, 0, len(v.GetFindings()))
	value := func(p *int64, none drink.Milli) drink.Milli {
		if p == nil {
			return none
		}
		return drink.Milli(*p)
	}
	for _, f := range v.GetFindings() {
		list = append(list, verdict.Finding{Kind: verdict.KindByName(f.Kind), Criticality: criticalities[f.Criticality], Measure: f.Measure,
			Check: f.Check, Occurrence: int(f.Occurrence), Step: f.Step, Low: value(f.LowMilli, drink.NoLow), Target: value(f.TargetMilli, 0),
			High: value(f.HighMilli, drink.NoHigh), Actual: value(f.ActualMilli, 0), By: value(f.ByMilli, 0), Expected: f.Expected, Got: f.Got})
	}
	return list
}
