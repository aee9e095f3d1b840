package store

import (
	"context"
	"database/sql"
	"fmt"

	"samecup.example/samecup/services/quality/rollup"
)

// mendDays computes the days anew that an earlier version cut at a full hour of
// UTC although they begin within one. Those of most sites do not.
func (s *SQL) mendDays(ctx context.Context) error {
	if s.daysMended {
		return nil
	}
	rows, err := s.db.Read.QueryContext(ctx, `SELECT ref, time_zone, day_start FROM rollup_sites WHERE cut_at_hour = 1`)
	if err != nil {
		return fmt.Errorf("list sites whose days were cut at the hour: %w", err)
	}
	type row struct {
		ref   int64
		zone  string
		start int
	}
	sites, err := collect(rows, "sites", func(v *row) error { return rows.Scan(&v.ref, &v.zone, &v.start) })
	if err != nil {
		return err
	}
	for _, site := range sites {
		cal, err := rollup.NewCalendar(site.zone, site.start)
		if err != nil {
			return fmt.Errorf("the calendar of site %d: %w", site.ref, err)
		}
		if err := s.rollTx(ctx, func(r *roller) error { return r.mendSite(site.ref, cal) }); err != nil {
			return err
		}
	}
	s.daysMended = true
	return nil
}

func (r *roller) mendSite(site int64, cal rollup.Calendar) error {
	var first, last sql.NullInt64
	err := r.tx.QueryRowContext(r.ctx, `SELECT min(period), max(period) FROM rollup_counts WHERE level = ? AND serving = ''
		AND place IN (SELECT s.ref FROM stations s JOIN rollup_sites r USING (site) WHERE r.ref = ?)`, rollup.Hour, site).Scan(&first, &last)
	if err != nil {
		return fmt.Errorf("find a site's first and last hour: %w", err)
	}
	if first.Valid && cutBetween(cal, cal.DayOf(first.Int64), cal.DayOf(last.Int64)+1) {
		up := newStale()
		if err := r.collectSpans(site, up); err != nil {
			return err
		}
		if err := r.anew(up); err != nil {
			return err
		}
	}
	return r.exec(`UPDATE rollup_sites SET cut_at_hour = 0 WHERE ref = ?`, site)
}

// cutBetween tells whether a day from first to last begins within an hour.
func cutBetween(cal rollup.Calendar, first, last int64) bool {
	for day := first; day <= last; day++ {
		if _, cut := cal.Cut(day); cut {
			return true
		}
	}
	return false
}
