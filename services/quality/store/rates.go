package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
)

// hourMillis is an hour as builds state their beginning.
const hourMillis = int64(time.Hour / time.Millisecond)

// CountBuilds implements [Rollups]. Whole business days and whole hours are
// read from the roll-ups, a row each, and only the builds of the hours that the
// span cuts one by one: what it costs grows with the days and the sites that are
// asked for, and not with the history.
func (s *SQL) CountBuilds(ctx context.Context, sites []string, since, until time.Time) (c rollup.Counts, err error) {
	from, to := since.UnixMilli(), until.UnixMilli()
	if from >= to || len(sites) == 0 {
		return c, nil
	}
	// One look at the database, so that no build is met twice or missed because
	// it was rolled up or its site's days were moved meanwhile.
	tx, err := s.db.Read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return c, fmt.Errorf("begin counting builds: %w", err)
	}
	// Nothing was written; the rollback only frees the connection.
	defer func() {
		if rerr := tx.Rollback(); rerr != nil && !errors.Is(rerr, sql.ErrTxDone) {
			err = errors.Join(err, fmt.Errorf("end counting builds: %w", rerr))
		}
	}()
	k := &rateCount{ctx: ctx, tx: tx}
	if err := k.find(sites); err != nil {
		return c, err
	}
	first, end := -floorHour(-from), floorHour(to) // the hours that lie whole in the span
	if first > end {
		err = k.builds(floorHour(from), from, to)
		return k.sum, err
	}
	for cal, places := range k.calendars {
		if err := k.whole(cal, places, first, end); err != nil {
			return c, err
		}
	}
	err = errors.Join(k.builds(first-1, from, first*hourMillis), k.builds(end, end*hourMillis, to))
	return k.sum, err
}

// floorHour is the hour of a moment in milliseconds since 1970, or before.
func floorHour(ms int64) int64 { return rollup.HourOf(time.UnixMilli(ms)) }

// rateCount is one count within a transaction.
type rateCount struct {
	ctx context.Context
	tx  *sql.Tx
	// calendars has the sites' places in the roll-ups by how their days are cut.
	calendars map[rollup.Calendar][]int64
	stations  []int64
	sum       rollup.Counts
}

// find looks up sites; one that is not there has no builds.
func (k *rateCount) find(sites []string) error {
	wanted := make(map[string]bool, len(sites))
	for _, site := range sites {
		wanted[site] = true
	}
	type row struct {
		site, zone string
		ref        int64
		start      int
		station    sql.NullInt64
	}
	rows, err := k.tx.QueryContext(k.ctx, `SELECT r.site, r.ref, r.time_zone, r.day_start, s.ref
		FROM rollup_sites r LEFT JOIN stations s USING (site) ORDER BY r.ref`)
	if err != nil {
		return fmt.Errorf("list places: %w", err)
	}
	all, err := collect(rows, "places", func(r *row) error { return rows.Scan(&r.site, &r.ref, &r.zone, &r.start, &r.station) })
	if err != nil {
		return err
	}
	k.calendars = map[rollup.Calendar][]int64{}
	// A zone that is loaded twice is two pointers.
	zones := map[string]rollup.Calendar{}
	last := int64(0)
	for _, r := range all {
		if !wanted[r.site] {
			continue
		}
		if r.station.Valid {
			k.stations = append(k.stations, r.station.Int64)
		}
		if r.ref == last {
			continue
		}
		last = r.ref
		id := fmt.Sprint(r.zone, "\x00", r.start)
		cal, ok := zones[id]
		if !ok {
			if cal, err = rollup.NewCalendar(r.zone, r.start); err != nil {
				return fmt.Errorf("the calendar of site %q: %w", r.site, err)
			}
			zones[id] = cal
		}
		k.calendars[cal] = append(k.calendars[cal], -r.ref)
	}
	return nil
}

// whole adds the hours from first to before end at places of one calendar:
// business days that lie whole in between, and hours around them.
func (k *rateCount) whole(cal rollup.Calendar, places []int64, first, end int64) error {
	day, dayEnd := cal.DayOf(first), cal.DayOf(end)
	if begin, _ := cal.Hours(day); begin < first {
		day++
	}
	_, begins := cal.Cut(day)
	_, ends := cal.Cut(dayEnd)
	if day >= dayEnd || begins || ends { // a day that begins within an hour takes part of it
		return k.cells(rollup.Hour, places, first, end)
	}
	from, _ := cal.Hours(day)
	to, _ := cal.Hours(dayEnd)
	return errors.Join(
		k.cells(rollup.Hour, places, first, from),
		k.cells(rollup.Day, places, day, dayEnd),
		k.cells(rollup.Hour, places, to, end),
	)
}

const sumCells = `SELECT coalesce(sum(builds), 0), coalesce(sum(in_spec), 0), coalesce(sum(off_spec), 0),
	coalesce(sum(unknown), 0), coalesce(sum(unsafe), 0), coalesce(sum(awaiting), 0), coalesce(sum(disputed), 0)
	FROM rollup_counts WHERE level = ? AND serving = '' AND period >= ? AND period < ? AND place IN `

// cells adds the roll-ups of a level with periods from from to before to.
func (k *rateCount) cells(level rollup.Level, places []int64, from, to int64) error {
	if from >= to {
		return nil
	}
	for some := range slices.Chunk(places, placesAtOnce) {
		args := []any{level, from, to}
		for _, p := range some {
			args = append(args, p)
		}
		var c rollup.Counts
		if err := k.tx.QueryRowContext(k.ctx, sumCells+`(`+marks(len(some))+`)`, args...).Scan(countFields(&c)...); err != nil {
			return fmt.Errorf("add roll-ups up: %w", err)
		}
		k.sum.Add(c)
	}
	return nil
}

const sumBuilds = `SELECT b.grade, count(*), sum(b.disputed) FROM rollup_builds h JOIN builds b ON b.ref = h.build_ref
	WHERE h.hour = ? AND b.started_ms >= ? AND b.started_ms < ? AND ` + notSuperseded + ` AND h.station_ref IN `

// builds adds those of one hour that began from from to before to, which are
// moments of that hour in milliseconds.
func (k *rateCount) builds(hour, from, to int64) error {
	if from >= to {
		return nil
	}
	for some := range slices.Chunk(k.stations, placesAtOnce) {
		args := []any{hour, from, to}
		for _, st := range some {
			args = append(args, st)
		}
		rows, err := k.tx.QueryContext(k.ctx, sumBuilds+`(`+marks(len(some))+`) GROUP BY b.grade`, args...)
		if err != nil {
			return fmt.Errorf("count builds: %w", err)
		}
		_, err = collect(rows, "builds", func(*struct{}) error {
			var grade, n, disputed int64
			if err := rows.Scan(&grade, &n, &disputed); err != nil {
				return err
			}
			k.sum.Add(ofGrade(pb.Grade(grade), n, disputed)) //nolint:gosec // written from one
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// ofGrade counts builds of one grade, as rollup.Group.AddBuild counts each.
func ofGrade(grade pb.Grade, n, disputed int64) rollup.Counts {
	c := rollup.Counts{Builds: n, Disputed: disputed}
	switch grade {
	case pb.Grade_GRADE_UNSPECIFIED:
		c.Awaiting = n
	case pb.Grade_GRADE_IN_SPEC:
		c.InSpec = n
	case pb.Grade_GRADE_OFF_SPEC:
		c.OffSpec = n
	case pb.Grade_GRADE_UNSAFE:
		c.Unsafe = n
	default:
		c.Unknown = n
	}
	return c
}
