package store

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

func sortedCells(m map[cell]*rollup.Group) []cell {
	return slices.SortedFunc(maps.Keys(m), func(a, b cell) int {
		return cmp.Or(cmp.Compare(a.level, b.level), cmp.Compare(a.place, b.place),
			cmp.Compare(a.serving, b.serving), cmp.Compare(a.period, b.period))
	})
}

// span is a place in one period, all servings.
type span struct {
	level         rollup.Level
	place, period int64
}

// stale collects the spans above hours that were computed anew. Each is then
// computed from what lies beneath it: taking an old hour out of it would lose
// its extremes.
type stale struct{ station, site, chain map[span]stationOf }

// stationOf keeps one station through which a span's site is found.
type stationOf int64

func newStale() stale { return stale{map[span]stationOf{}, map[span]stationOf{}, map[span]stationOf{}} }

// above marks what lies above an hour of a station: in a zone of half or quarter
// hours it may lie in two days.
func (up *stale) above(station, hour int64, site *rollSite) {
	first := site.calendar.DayOf(hour)
	last := site.calendar.DayAt(rollup.HourStart(hour + 1).Add(-time.Millisecond))
	for day := first; day <= last; day++ {
		for _, c := range cellsOf(slot{cell{level: rollup.Hour, place: station, period: hour}, day}, site) {
			at := span{c.level, c.place, c.period}
			switch {
			case c.place > 0 && c.level > rollup.Hour:
				up.station[at] = stationOf(station)
			case c.place < 0:
				up.site[at] = stationOf(station)
			case c.place == 0:
				up.chain[at] = 0
			}
		}
	}
}

// recompute takes up to limit hours that are marked and computes them, and
// every roll-up above them, anew.
func (r *roller) recompute(limit int) (int, error) {
	rows, err := r.tx.QueryContext(r.ctx, `SELECT station_ref, hour FROM rollup_dirty ORDER BY station_ref, hour LIMIT ?`, limit)
	if err != nil {
		return 0, fmt.Errorf("list hours to compute anew: %w", err)
	}
	dirty, err := collect(rows, "hours to compute anew", func(d *[2]int64) error { return rows.Scan(&d[0], &d[1]) })
	if err != nil {
		return 0, err
	}
	up := newStale()
	for _, d := range dirty {
		if err := r.hourAnew(d[0], d[1]); err != nil {
			return 0, err
		}
		site, err := r.site(d[0])
		if err != nil {
			return 0, err
		}
		up.above(d[0], d[1], site)
		if err := r.exec(`DELETE FROM rollup_dirty WHERE station_ref = ? AND hour = ?`, d[0], d[1]); err != nil {
			return 0, err
		}
	}
	return len(dirty), r.anew(up)
}

// hourAnew computes one hour of a station from its builds.
func (r *roller) hourAnew(station, hour int64) error {
	groups := make(map[cell]*rollup.Group)
	at := span{rollup.Hour, station, hour}
	if err := r.fromBuilds(groups, at, hour, rollup.HourStart(hour), rollup.HourStart(hour+1)); err != nil {
		return err
	}
	return r.replace(at, groups)
}

// fromBuilds adds the builds of an hour that began from from to before to, which
// are instants of that hour, into the groups of a station's span.
func (r *roller) fromBuilds(groups map[cell]*rollup.Group, at span, hour int64, from, to time.Time) error {
	rows, err := r.tx.QueryContext(r.ctx, selectRollBuild+`JOIN rollup_builds h ON h.build_ref = b.ref
		WHERE h.station_ref = ? AND h.hour = ? AND b.started_ms >= ? AND b.started_ms < ?`, at.place, hour, from.UnixMilli(), to.UnixMilli())
	if err != nil {
		return fmt.Errorf("list the builds of an hour: %w", err)
	}
	_, err = collect(rows, "the builds of an hour", func(*struct{}) error {
		var b rollBuild
		if err := scanRollBuild(rows, &b); err != nil || !b.counts {
			return err
		}
		for _, serving := range [...]string{b.serving, ""} {
			b.addTo(groupOf(groups, cell{at.level, at.place, serving, at.period}))
		}
		return nil
	})
	return err
}

// ofServings restricts to every serving and to all together, so that the
// primary key serves although the serving is not given.
const ofServings = ` AND serving IN (SELECT serving FROM rollup_servings UNION ALL SELECT '')`

// replace puts groups in the place of all that stands under a span.
func (r *roller) replace(at span, groups map[cell]*rollup.Group) error {
	for _, table := range []string{"rollup_counts", "rollup_details"} {
		if err := r.exec(`DELETE FROM `+table+` WHERE level = ? AND place = ?`+ofServings+` AND period = ?`, at.level, at.place, at.period); err != nil {
			return err
		}
	}
	for _, key := range sortedCells(groups) {
		if err := r.put(key, groups[key]); err != nil {
			return err
		}
	}
	return nil
}

// anew computes spans from what lies beneath: a station's days from its hours,
// a site from its stations, the chain from its sites, months from days.
func (r *roller) anew(up stale) error {
	for level := rollup.Hour; level <= rollup.Month; level++ {
		for _, spans := range []map[span]stationOf{up.station, up.site, up.chain} {
			for at, station := range spans {
				if at.level != level {
					continue
				}
				if err := r.spanAnew(at, int64(station)); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

const readCells = `SELECT c.serving, ` + rollCounts + `, d.detail FROM rollup_counts c
	JOIN rollup_details d USING (level, place, serving, period) WHERE level = ? AND `

func (r *roller) spanAnew(at span, station int64) error {
	level, from, to := at.level, at.period, at.period+1
	places := `place = ?`
	args := []any{at.place}
	switch {
	case at.level == rollup.Month:
		level = rollup.Day
		from, to = rollup.Days(at.period)
	case at.place > 0:
		site, err := r.site(station)
		if err != nil {
			return err
		}
		return r.dayAnew(at, site.calendar)
	case at.place < 0:
		places = `place IN (SELECT s.ref FROM stations s JOIN rollup_sites r USING (site) WHERE r.ref = ?)`
		args = []any{-at.place}
	default:
		places = `place IN (SELECT -ref FROM rollup_sites)`
		args = nil
	}
	groups := make(map[cell]*rollup.Group)
	if err := r.fromCells(groups, at, level, places, args, from, to); err != nil {
		return err
	}
	return r.replace(at, groups)
}

// dayAnew computes a business day of a station: from the hours that lie whole in
// it, and of one that it begins or ends within from the builds.
func (r *roller) dayAnew(at span, cal rollup.Calendar) error {
	groups := make(map[cell]*rollup.Group)
	begin, end := cal.Begin(at.period), cal.Begin(at.period+1)
	first, next := cal.Hours(at.period)
	if begin.Before(rollup.HourStart(first)) {
		if err := r.fromBuilds(groups, at, first-1, begin, rollup.HourStart(first)); err != nil {
			return err
		}
	}
	if end.Before(rollup.HourStart(next)) {
		next--
		if err := r.fromBuilds(groups, at, next, rollup.HourStart(next), end); err != nil {
			return err
		}
	}
	if err := r.fromCells(groups, at, rollup.Hour, `place = ?`, []any{at.place}, first, next); err != nil {
		return err
	}
	return r.replace(at, groups)
}

// fromCells adds the cells of a level at places, with periods from from to before
// to, into the groups of a span.
func (r *roller) fromCells(groups map[cell]*rollup.Group, at span, level rollup.Level, places string, args []any, from, to int64) error {
	query := readCells + places + ofServings + ` AND period >= ? AND period < ?`
	args = append(append([]any{level}, args...), from, to)
	rows, err := r.tx.QueryContext(r.ctx, query, args...)
	if err != nil {
		return fmt.Errorf("read the roll-ups beneath a period: %w", err)
	}
	_, err = collect(rows, "roll-ups", func(*struct{}) error {
		var serving string
		var counts rollup.Counts
		var detail []byte
		if err := rows.Scan(append(append([]any{&serving}, countFields(&counts)...), &detail)...); err != nil {
			return err
		}
		g := groupOf(groups, cell{at.level, at.place, serving, at.period})
		g.Counts.Add(counts)
		return g.MergeDetail(detail, nil)
	})
	return err
}

// ResetRollups implements [Rollups]. Calendars stay.
func (s *SQL) ResetRollups(ctx context.Context) error {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	return s.rollTx(ctx, func(r *roller) error {
		for _, table := range []string{"rollup_counts", "rollup_details", "rollup_builds", "rollup_dirty", "rollup_servings"} {
			if err := r.exec(`DELETE FROM ` + table); err != nil {
				return err
			}
		}
		return r.exec(`UPDATE rollup_state SET cursor = 0`)
	})
}

// PendingRollups implements [Rollups].
func (s *SQL) PendingRollups(ctx context.Context) (builds, hours int64, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT (SELECT count(*) FROM builds WHERE ref > cursor),
		(SELECT count(*) FROM rollup_dirty) FROM rollup_state`).Scan(&builds, &hours)
	if err != nil {
		return 0, 0, fmt.Errorf("count what is to be rolled up: %w", err)
	}
	return builds, hours, nil
}

// SetCalendar implements [Rollups]. Where a site has roll-ups already, its days
// and months are computed anew from its hours, and then the chain's.
func (s *SQL) SetCalendar(ctx context.Context, site, zone string, dayStart int) error {
	cal, err := rollup.NewCalendar(zone, dayStart)
	if err != nil {
		return err
	}
	s.rolling.Lock()
	defer s.rolling.Unlock()
	s.calendars = nil
	return s.rollTx(ctx, func(r *roller) error { return r.setCalendar(site, zone, cal) })
}

func (r *roller) setCalendar(site, zone string, cal rollup.Calendar) error {
	if err := r.exec(`INSERT INTO rollup_sites (site) VALUES (?) ON CONFLICT (site) DO NOTHING`, site); err != nil {
		return err
	}
	var ref int64
	var oldZone string
	var oldStart int
	err := r.tx.QueryRowContext(r.ctx, `SELECT ref, time_zone, day_start FROM rollup_sites WHERE site = ?`, site).Scan(&ref, &oldZone, &oldStart)
	if err != nil {
		return fmt.Errorf("read the calendar of site %q: %w", site, err)
	}
	if oldZone == zone && oldStart == cal.DayStart {
		return nil
	}
	up := newStale()
	// Both the spans that were and those that will be.
	if err := r.collectSpans(ref, up); err != nil {
		return err
	}
	if err := r.exec(`UPDATE rollup_sites SET time_zone = ?, day_start = ? WHERE ref = ?`, zone, cal.DayStart, ref); err != nil {
		return err
	}
	clear(r.sites)
	if err := r.collectSpans(ref, up); err != nil {
		return err
	}
	return r.anew(up)
}

// collectSpans lists the days and months that a site's hours belong to.
func (r *roller) collectSpans(site int64, up stale) error {
	rows, err := r.tx.QueryContext(r.ctx, `SELECT place, period FROM rollup_counts WHERE level = ? AND serving = ''
		AND place IN (SELECT s.ref FROM stations s JOIN rollup_sites r USING (site) WHERE r.ref = ?)`, rollup.Hour, site)
	if err != nil {
		return fmt.Errorf("list a site's hours: %w", err)
	}
	hours, err := collect(rows, "a site's hours", func(h *[2]int64) error { return rows.Scan(&h[0], &h[1]) })
	if err != nil {
		return err
	}
	for _, h := range hours {
		s, err := r.site(h[0])
		if err != nil {
			return err
		}
		up.above(h[0], h[1], s)
	}
	// The hours themselves stay as they are.
	for _, spans := range []map[span]stationOf{up.site, up.chain} {
		maps.DeleteFunc(spans, func(at span, _ stationOf) bool { return at.level == rollup.Hour })
	}
	return nil
}
