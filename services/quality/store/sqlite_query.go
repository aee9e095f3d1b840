package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
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
}

// parts splits days into the longest periods that answer: months where they
// lie whole in the range, else days; hours where the clock matters or where
// the days are another calendar's.
func (a *area) parts(span Span, first, last int64) []part {
	switch {
	case !a.own || span == SpanHour || span == SpanHourOfDay || span == SpanHourOfWeek:
		from, _ := a.calendar.Hours(first)
		_, to := a.calendar.Hours(last)
		return []part{{rollup.Hour, from, to}}
	case span == SpanDay || span == SpanWeek:
		return []part{{rollup.Day, first, last + 1}}
	}
	// The first month that begins in the range, and the first that ends after it.
	from, to := rollup.MonthOf(first), rollup.MonthOf(last+1)
	if begin, _ := rollup.Days(from); begin < first {
		from++
	}
	if from >= to {
		return []part{{rollup.Day, first, last + 1}}
	}
	begin, _ := rollup.Days(from)
	end, _ := rollup.Days(to)
	return []part{{rollup.Day, first, begin}, {rollup.Month, from, to}, {rollup.Day, end, last + 1}}
}

// key is the period of a group that a row belongs to.
func (a *area) key(span Span, level rollup.Level, period int64) int64 {
	if span == SpanAll {
		return 0
	}
	day := period
	if level == rollup.Hour {
		switch span {
		case SpanHour:
			return period
		case SpanHourOfDay, SpanHourOfWeek:
			t := rollup.HourStart(period)
			if a.calendar.Zone != nil {
				t = t.In(a.calendar.Zone)
			}
			if span == SpanHourOfDay {
				return int64(t.Hour())
			}
			return int64((int(t.Weekday())+6)%7*24 + t.Hour())
		}
		day = a.calendar.DayOf(period)
	}
	switch {
	case level == rollup.Month:
		return period
	case span == SpanWeek:
		return rollup.WeekOf(day)
	case span == SpanMonth:
		return rollup.MonthOf(day)
	}
	return day
}

// QueryRollups implements [Rollups].
func (s *SQLite) QueryRollups(ctx context.Context, q RollupQuery) ([]RollupGroup, error) {
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

func (s *SQLite) readPart(ctx context.Context, q *RollupQuery, m *places, a *area, p part, servings []string, groups map[RollupKey]*rollup.Group) error {
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
			key := RollupKey{Period: a.key(q.Span, p.level, period)}
			if q.BySite || q.ByStation {
				at := m.names[place]
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
			g := groups[key]
			if g == nil {
				g = new(rollup.Group)
				groups[key] = g
			}
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
	where := ` WHERE c.level = ? AND c.place IN (` + marks(len(places)) + `) AND c.serving IN (` +
		marks(len(servings)) + `) AND c.period >= ? AND c.period < ?`
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
func (s *SQLite) servings(ctx context.Context, f RollupFilter) ([]string, error) {
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

// places are the sites and stations that have roll-ups.
type places struct {
	sites []sitePlace
	names map[int64]placeName
}

type placeName struct{ site, station string }

type sitePlace struct {
	site     string
	place    int64
	calendar rollup.Calendar
	zone     string
	stations []stationPlace
}

type stationPlace struct {
	station string
	place   int64
}

func (s *SQLite) readPlaces(ctx context.Context) (*places, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT r.site, r.ref, r.time_zone, r.day_start, s.ref, s.station
		FROM rollup_sites r JOIN stations s USING (site) ORDER BY r.site, s.station`)
	if err != nil {
		return nil, fmt.Errorf("list places: %w", err)
	}
	m := &places{names: make(map[int64]placeName)}
	calendars := make(map[string]rollup.Calendar)
	_, err = collect(rows, "places", func(*struct{}) error {
		var at sitePlace
		var st stationPlace
		var ref int64
		var start int
		if err := rows.Scan(&at.site, &ref, &at.zone, &start, &st.place, &st.station); err != nil {
			return err
		}
		if n := len(m.sites); n == 0 || m.sites[n-1].site != at.site {
			id := fmt.Sprint(at.zone, "\x00", start)
			cal, ok := calendars[id]
			if !ok {
				if cal, err = rollup.NewCalendar(at.zone, start); err != nil {
					return fmt.Errorf("site %q: %w", at.site, err)
				}
				calendars[id] = cal
			}
			at.calendar, at.place = cal, -ref
			m.sites = append(m.sites, at)
			m.names[at.place] = placeName{site: at.site}
		}
		last := &m.sites[len(m.sites)-1]
		last.stations = append(last.stations, st)
		m.names[st.place] = placeName{at.site, st.station}
		return nil
	})
	return m, err
}

func sameCalendar(a, b rollup.Calendar) bool {
	return a.DayStart == b.DayStart && a.Zone.String() == b.Zone.String()
}

// areas are the fewest places that answer the question, by calendar.
func (m *places) areas(q *RollupQuery) []area {
	byStation := q.ByStation || len(q.Stations) > 0
	bySite := q.BySite || len(q.Sites) > 0
	if !byStation && !bySite {
		if a, ok := m.chain(q); ok {
			return []area{a}
		}
	}
	found := make(map[string]*area)
	for i := range m.sites {
		site := &m.sites[i]
		cal, own := site.calendar, true
		if q.Calendar != nil {
			cal, own = *q.Calendar, sameCalendar(*q.Calendar, site.calendar)
		}
		id := fmt.Sprint(cal.Zone, cal.DayStart, own)
		a := found[id]
		if a == nil {
			a = &area{calendar: cal, own: own}
			found[id] = a
		}
		if !byStation {
			if len(q.Sites) == 0 || slices.Contains(q.Sites, site.site) {
				a.places = append(a.places, site.place)
			}
			continue
		}
		for _, st := range site.stations {
			if q.takesPlace(site.site, st.station) {
				a.places = append(a.places, st.place)
			}
		}
	}
	out := make([]area, 0, len(found))
	for _, id := range slices.Sorted(maps.Keys(found)) {
		out = append(out, *found[id])
	}
	return out
}

// chain is the chain as one place, where its rows answer: its days are those of
// each site's own calendar, its hours can be put to days only where all sites
// share a calendar.
func (m *places) chain(q *RollupQuery) (area, bool) {
	if len(m.sites) == 0 {
		return area{}, false
	}
	a := area{calendar: m.sites[0].calendar, own: true, places: []int64{0}}
	shared := true
	for i := range m.sites {
		shared = shared && sameCalendar(m.sites[i].calendar, a.calendar)
	}
	switch {
	case q.Calendar == nil:
		return a, shared || q.Span != SpanHour && q.Span != SpanHourOfDay && q.Span != SpanHourOfWeek
	case shared && sameCalendar(a.calendar, *q.Calendar):
		return a, true
	}
	// One calendar for all: the chain's hours answer.
	return area{calendar: *q.Calendar, places: []int64{0}}, true
}

// takesPlace tells whether the filter leaves a station.
func (f *RollupFilter) takesPlace(site, station string) bool {
	return (len(f.Sites) == 0 || slices.Contains(f.Sites, site)) &&
		(len(f.Stations) == 0 || slices.Contains(f.Stations, site+"/"+station))
}
