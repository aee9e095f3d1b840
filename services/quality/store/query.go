package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/services/quality/rollup"
)

// area is a set of places whose business days are counted alike.
type area struct {
	calendar rollup.Calendar
	// own is true where the calendar is that of their day and month rows.
	own    bool
	places []int64
}

// part is a run of periods of one level, [from, to).
type part struct {
	level    rollup.Level
	from, to int64
	// cuts are hours of it that lie only in part in the range, so that their builds
	// answer and not their cells.
	cuts []int64
}

// parts splits days into the longest periods that answer: months where they
// lie whole in the range, else days; hours where the clock matters or where
// the days are another calendar's, and the builds of hours within which the range
// begins or ends. Days of another calendar are cut at the hour: at a thousand
// sites it may be a busy one, on each of them.
func (a *area) parts(span Span, first, last int64) []part {
	switch {
	case !a.own:
		from, _ := a.calendar.Hours(first)
		_, to := a.calendar.Hours(last)
		return []part{{rollup.Hour, from, to, nil}}
	case span == SpanHour || span == SpanHourOfDay || span == SpanHourOfWeek:
		from, to := a.calendar.Around(first, last)
		var cuts []int64
		for _, day := range [...]int64{first, last + 1} {
			if hour, cut := a.calendar.Cut(day); cut {
				cuts = append(cuts, hour)
			}
		}
		return []part{{rollup.Hour, from, to, cuts}}
	case span == SpanDay || span == SpanWeek:
		return []part{{rollup.Day, first, last + 1, nil}}
	}
	// The first month that begins in the range, and the first that ends after it.
	from, to := rollup.MonthOf(first), rollup.MonthOf(last+1)
	if begin, _ := rollup.Days(from); begin < first {
		from++
	}
	if from >= to {
		return []part{{rollup.Day, first, last + 1, nil}}
	}
	begin, _ := rollup.Days(from)
	end, _ := rollup.Days(to)
	return []part{{rollup.Day, first, begin, nil}, {rollup.Month, from, to, nil}, {rollup.Day, end, last + 1, nil}}
}

// key is the period of a group that a row belongs to.
func (a *area) key(span Span, level rollup.Level, period int64) int64 {
	if span == SpanAll {
		return 0
	}
	if level == rollup.Hour {
		return a.hourKey(span, period, a.calendar.DayOf(period))
	}
	if level == rollup.Month {
		return period
	}
	return dayKey(span, period)
}

// hourKey is key of what was made in an hour and on a day.
func (a *area) hourKey(span Span, hour, day int64) int64 {
	switch span {
	case SpanAll:
		return 0
	case SpanHour:
		return hour
	case SpanHourOfDay, SpanHourOfWeek:
		t := rollup.HourStart(hour)
		if a.calendar.Zone != nil {
			t = t.In(a.calendar.Zone)
		}
		if span == SpanHourOfDay {
			return int64(t.Hour())
		}
		return int64((int(t.Weekday())+6)%7*24 + t.Hour())
	}
	return dayKey(span, day)
}

func dayKey(span Span, day int64) int64 {
	switch span {
	case SpanWeek:
		return rollup.WeekOf(day)
	case SpanMonth:
		return rollup.MonthOf(day)
	}
	return day
}

// QueryRollups implements [Rollups].
func (s *SQL) QueryRollups(ctx context.Context, q RollupQuery) ([]RollupGroup, error) {
	m, err := s.readPlaces(ctx)
	if err != nil {
		return nil, err
	}
	servings := []string{""}
	if q.ByServing || q.ByDrink || len(q.Servings)+len(q.Drinks) > 0 {
		if servings, err = s.servings(ctx, q.RollupFilter); err != nil {
			return nil, err
		}
	}
	if len(servings) == 0 {
		return nil, nil
	}
	groups := make(map[RollupKey]*rollup.Group)
	for _, a := range m.areas(&q) {
		for _, p := range a.parts(q.Span, q.FirstDay, q.LastDay) {
			if p.from >= p.to {
				continue
			}
			if err := s.readPart(ctx, &q, m, &a, p, servings, groups); err != nil {
				return nil, err
			}
			if err := s.readCuts(ctx, &q, m, &a, p.cuts, servings, groups); err != nil {
				return nil, err
			}
		}
	}
	out := make([]RollupGroup, 0, len(groups))
	for key, g := range groups {
		out = append(out, RollupGroup{key, *g})
	}
	slices.SortFunc(out, func(a, b RollupGroup) int { return a.RollupKey.Compare(b.RollupKey) })
	return out, nil
}

// Compare orders keys by site, station, drink, serving and period.
func (k RollupKey) Compare(o RollupKey) int {
	return cmp.Or(cmp.Compare(k.Site, o.Site), cmp.Compare(k.Station, o.Station), cmp.Compare(k.Drink, o.Drink),
		cmp.Compare(k.Serving, o.Serving), cmp.Compare(k.Period, o.Period))
}

// placesAtOnce go into one statement.
const placesAtOnce = 2000

func (s *SQL) readPart(ctx context.Context, q *RollupQuery, m *places, a *area, p part, servings []string, groups map[RollupKey]*rollup.Group) error {
	wants := func(check string) bool { return len(q.Checks) == 0 || slices.Contains(q.Checks, check) }
	for some := range slices.Chunk(a.places, placesAtOnce) {
		query, args := partSQL(q, p, some, servings)
		rows, err := s.db.Read.QueryContext(ctx, query, args...)
		if err != nil {
			return fmt.Errorf("read roll-ups: %w", err)
		}
		var place, period int64
		var serving string
		var counts rollup.Counts
		var detail []byte
		into := append([]any{&place, &serving, &period}, countFields(&counts)...)
		if q.Detail {
			into = append(into, &detail)
		}
		_, err = collect(rows, "roll-ups", func(*struct{}) error {
			if err := rows.Scan(into...); err != nil {
				return err
			}
			g := groupOf(groups, q.key(m.names[place], serving, a.key(q.Span, p.level, period)))
			g.Counts.Add(counts)
			if q.Detail {
				return g.MergeDetail(detail, wants)
			}
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// key is what a cell or a build is grouped under.
func (q *RollupQuery) key(at placeName, serving string, period int64) RollupKey {
	key := RollupKey{Period: period}
	if q.BySite || q.ByStation {
		key.Site = at.site
		if q.ByStation {
			key.Station = at.station
		}
	}
	if q.ByServing {
		key.Serving = serving
	}
	if q.ByDrink {
		key.Drink = drinkOf(serving)
	}
	return key
}

// partSQL reads the cells of a part. Where only counts are asked for and the
// periods do not matter, the database adds them up.
func partSQL(q *RollupQuery, p part, places []int64, servings []string) (string, []any) {
	args := []any{p.level}
	for _, place := range places {
		args = append(args, place)
	}
	for _, serving := range servings {
		args = append(args, serving)
	}
	args = append(args, p.from, p.to)
	for _, hour := range p.cuts {
		args = append(args, hour)
	}
	where := ` WHERE c.level = ? AND c.place IN (` + marks(len(places)) + `) AND c.serving IN (` +
		marks(len(servings)) + `) AND c.period >= ? AND c.period < ?`
	if len(p.cuts) > 0 {
		where += ` AND c.period NOT IN (` + marks(len(p.cuts)) + `)`
	}
	switch {
	case q.Detail:
		return `SELECT c.place, c.serving, c.period, ` + rollCounts + `, d.detail
			FROM rollup_counts c JOIN rollup_details d USING (level, place, serving, period)` + where, args
	case q.Span == SpanAll:
		return `SELECT c.place, c.serving, 0, sum(builds), sum(in_spec), sum(off_spec), sum(unknown), sum(unsafe),
			sum(awaiting), sum(disputed) FROM rollup_counts c` + where + ` GROUP BY c.place, c.serving`, args
	}
	return `SELECT c.place, c.serving, c.period, ` + rollCounts + ` FROM rollup_counts c` + where, args
}

func marks(n int) string { return strings.TrimSuffix(strings.Repeat("?,", n), ",") }

func drinkOf(serving string) string {
	d, _, _ := strings.Cut(serving, "/")
	return d
}

// servings lists those that the filter leaves.
func (s *SQL) servings(ctx context.Context, f RollupFilter) ([]string, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT serving FROM rollup_servings ORDER BY serving`)
	if err != nil {
		return nil, fmt.Errorf("list servings: %w", err)
	}
	all, err := collect(rows, "servings", func(v *string) error { return rows.Scan(v) })
	if err != nil {
		return nil, err
	}
	return slices.DeleteFunc(all, func(v string) bool { return !f.takes(v) }), nil
}

// takes tells whether the filter leaves a serving.
func (f *RollupFilter) takes(serving string) bool {
	return (len(f.Servings) == 0 || slices.Contains(f.Servings, serving)) &&
		(len(f.Drinks) == 0 || slices.Contains(f.Drinks, drinkOf(serving)))
}
