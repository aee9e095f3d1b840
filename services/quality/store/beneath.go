package store

import (
	"cmp"
	"context"
	"fmt"
	"slices"

	"samecup.example/samecup/services/quality/rollup"
)

// BuildsBeneath implements [Rollups]. It lists what the figures count: builds
// that are rolled up and that nothing corrects, by station, hour and arrival.
func (s *SQL) BuildsBeneath(ctx context.Context, q BuildQuery) ([]Build, error) {
	m, err := s.readPlaces(ctx)
	if err != nil {
		return nil, err
	}
	type run struct {
		station, from, to int64
		// since and until are the days' ends in milliseconds, within the hours.
		since, until int64
	}
	var runs []run
	for i := range m.sites {
		site := &m.sites[i]
		cal := site.calendar
		if q.Calendar != nil {
			cal = *q.Calendar
		}
		from, to := cal.Around(q.FirstDay, q.LastDay)
		since, until := cal.Begin(q.FirstDay), cal.Begin(q.LastDay+1)
		if !sameCalendar(cal, site.calendar) { // as for the figures
			from, _ = cal.Hours(q.FirstDay)
			since, until = rollup.HourStart(from), rollup.HourStart(to)
		}
		if q.Hour != nil {
			from, to = max(from, *q.Hour), min(to, *q.Hour+1)
		}
		for _, st := range site.stations {
			if q.takesPlace(site.site, st.station) && from < to && st.place >= q.After.StationRef {
				runs = append(runs, run{st.place, from, to, since.UnixMilli(), until.UnixMilli()})
			}
		}
	}
	slices.SortFunc(runs, func(a, b run) int { return cmp.Compare(a.station, b.station) })
	var servings []string
	if len(q.Servings)+len(q.Drinks) > 0 {
		if servings, err = s.servings(ctx, q.RollupFilter); err != nil || len(servings) == 0 {
			return nil, err
		}
	}
	var out []Build
	for _, r := range runs {
		query := selectBuild + `JOIN rollup_builds h ON h.build_ref = b.ref WHERE h.station_ref = ? AND h.hour >= ? AND h.hour < ? AND b.started_ms >= ? AND b.started_ms < ?`
		args := []any{r.station, r.from, r.to, r.since, r.until}
		if q.After.StationRef == r.station {
			query += ` AND (h.hour, h.build_ref) > (?, ?)`
			args = append(args, q.After.Hour, q.After.Ref)
		}
		if len(servings) > 0 {
			query += ` AND ` + servingOf + ` IN (` + marks(len(servings)) + `)`
			for _, v := range servings {
				args = append(args, v)
			}
		}
		if len(q.Grades) > 0 {
			query += ` AND b.grade IN (` + marks(len(q.Grades)) + `)`
			for _, g := range q.Grades {
				args = append(args, g)
			}
		}
		query += ` AND ` + notSuperseded + ` ORDER BY h.hour, h.build_ref LIMIT ?`
		args = append(args, q.Limit-len(out))
		rows, err := s.db.Read.QueryContext(ctx, query, args...)
		if err != nil {
			return nil, fmt.Errorf("list builds: %w", err)
		}
		page, err := collect(rows, "builds", func(b *Build) error { return scanBuild(rows.Scan, b) })
		if err != nil {
			return nil, err
		}
		if out = append(out, page...); len(out) >= q.Limit {
			break
		}
	}
	return out, nil
}
