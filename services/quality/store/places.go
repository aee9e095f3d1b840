package store

import (
	"context"
	"fmt"
	"maps"
	"slices"

	"samecup.example/samecup/services/quality/rollup"
)

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

func (s *SQL) readPlaces(ctx context.Context) (*places, error) {
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

// calendars are those of the stations' sites, by the ref of a station.
func (m *places) calendars() map[int64]rollup.Calendar {
	out := make(map[int64]rollup.Calendar)
	for i := range m.sites {
		for _, st := range m.sites[i].stations {
			out[st.place] = m.sites[i].calendar
		}
	}
	return out
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
	own := func(s sitePlace) bool { return sameCalendar(s.calendar, *q.Calendar) }
	if slices.ContainsFunc(m.sites, own) && cutBetween(*q.Calendar, q.FirstDay, q.LastDay+1) {
		// Some sites' own days begin within an hour, the days of others are cut at it.
		return area{}, false
	}
	// One calendar for all: the chain's hours answer.
	return area{calendar: *q.Calendar, places: []int64{0}}, true
}

// takesPlace tells whether the filter leaves a station.
func (f *RollupFilter) takesPlace(site, station string) bool {
	return (len(f.Sites) == 0 || slices.Contains(f.Sites, site)) &&
		(len(f.Stations) == 0 || slices.Contains(f.Stations, site+"/"+station))
}
