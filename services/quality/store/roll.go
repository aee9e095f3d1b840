package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

// dirtyHours are computed anew in one transaction.
const dirtyHours = 200

// cell names one roll-up. place and serving as in the table.
type cell struct {
	level   rollup.Level
	place   int64
	serving string
	period  int64
}

// slot is an hour of a station, as far as it lies in a business day: in a zone of
// half or quarter hours a day begins within an hour.
type slot struct {
	cell
	day int64
}

// groupOf finds or makes the group under a key.
func groupOf[K comparable](groups map[K]*rollup.Group, key K) *rollup.Group {
	g := groups[key]
	if g == nil {
		g = new(rollup.Group)
		groups[key] = g
	}
	return g
}

// notSuperseded leaves out builds that a later record of the same station
// corrects. Of two corrections of one build the station's later one counts.
const notSuperseded = ` NOT EXISTS (SELECT 1 FROM corrections c
		WHERE c.original_id = b.id AND c.station_ref = b.station_ref)
	AND NOT EXISTS (SELECT 1 FROM corrections mine JOIN corrections other
		ON other.original_id = mine.original_id AND other.station_ref = mine.station_ref
		WHERE mine.correction_ref = b.ref
		AND (other.sequence, other.correction_ref) > (mine.sequence, mine.correction_ref)) `

// rollBuild is what a roll-up needs of a build.
type rollBuild struct {
	ref, station, hour int64
	started            time.Time
	serving            string
	grade              int32
	disputed, counts   bool
	verdict, record    []byte
}

// NoServing stands for the serving of a build that names none; an empty one
// stands for all servings.
const NoServing = "-"

// servingOf is a build's serving as roll-ups name it.
const servingOf = `coalesce(nullif(b.serving, ''), '` + NoServing + `')`

const selectRollBuild = `SELECT b.ref, b.station_ref, b.started_ms, ` + servingOf + `, b.grade, b.disputed,
	` + notSuperseded + `, b.verdict, b.record FROM builds b `

func scanRollBuild(rows *sql.Rows, b *rollBuild) error {
	var started int64
	err := rows.Scan(&b.ref, &b.station, &started, &b.serving, &b.grade, &b.disputed, &b.counts, &b.verdict, &b.record)
	b.started = time.UnixMilli(started)
	b.hour = rollup.HourOf(b.started)
	return err
}

// addTo counts the build in a group.
func (b *rollBuild) addTo(g *rollup.Group) { g.AddBuild(b.grade, b.disputed, b.verdict, b.record) }

// Roll implements [Rollups]. Builds are read and added up outside the
// transaction, so that the intake waits for the writing alone; what changed
// about them in the meantime left a mark in rollup_dirty, which is looked at
// after they were added.
func (s *SQL) Roll(ctx context.Context, limit int) (done Rolled, err error) {
	s.rolling.Lock()
	defer s.rolling.Unlock()
	var cursor int64
	if err := s.db.Read.QueryRowContext(ctx, `SELECT cursor FROM rollup_state`).Scan(&cursor); err != nil {
		return done, fmt.Errorf("read the roll-ups' cursor: %w", err)
	}
	if err := s.mendDays(ctx); err != nil {
		return done, err
	}
	if s.calendars == nil {
		m, err := s.readPlaces(ctx)
		if err != nil {
			return done, err
		}
		s.calendars = m.calendars()
	}
	rows, err := s.db.Read.QueryContext(ctx, selectRollBuild+`WHERE b.ref > ? ORDER BY b.ref LIMIT ?`, cursor, limit)
	if err != nil {
		return done, fmt.Errorf("list builds to roll up: %w", err)
	}
	hours := make(map[slot]*rollup.Group)
	servings := make(map[string]bool)
	var taken []rollBuild
	_, err = collect(rows, "builds to roll up", func(*struct{}) error {
		var b rollBuild
		if err := scanRollBuild(rows, &b); err != nil {
			return err
		}
		servings[b.serving] = true
		if b.counts {
			b.addTo(groupOf(hours, slot{cell{rollup.Hour, b.station, b.serving, b.hour}, s.calendars[b.station].DayAt(b.started)}))
		}
		b.record, b.verdict = nil, nil
		taken = append(taken, b)
		return nil
	})
	if err != nil {
		return done, err
	}
	err = s.rollTx(ctx, func(r *roller) error {
		now, err := r.cursor()
		if err != nil {
			return err
		}
		if now != cursor {
			// Another process rolled them.
			done.More = true
			return nil
		}
		for key := range hours {
			site, err := r.site(key.place)
			if err != nil {
				return err
			}
			if !sameCalendar(site.calendar, s.calendars[key.place]) {
				// The station is new, or another process told another calendar.
				s.calendars, done.More = nil, true
				return nil
			}
		}
		if err := r.add(taken, servings, hours); err != nil {
			return err
		}
		done.Builds, done.More = len(taken), len(taken) == limit
		n, err := r.recompute(dirtyHours)
		done.Recomputed = n
		done.More = done.More || n == dirtyHours
		return err
	})
	return done, err
}

// rollTx runs fn in a transaction of the one writer.
func (s *SQL) rollTx(ctx context.Context, fn func(*roller) error) (err error) {
	tx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin rolling up: %w", err)
	}
	r := &roller{ctx: ctx, tx: tx, prepared: map[string]*sql.Stmt{}, sites: map[int64]*rollSite{}}
	defer func() {
		for _, stmt := range r.prepared {
			err = errors.Join(err, stmt.Close())
		}
	}()
	if err := fn(r); err != nil {
		if rerr := tx.Rollback(); rerr != nil && !errors.Is(rerr, sql.ErrTxDone) {
			err = errors.Join(err, fmt.Errorf("roll back: %w", rerr))
		}
		return err
	}
	for _, stmt := range r.prepared {
		err = errors.Join(err, stmt.Close())
	}
	clear(r.prepared)
	if err != nil {
		return errors.Join(fmt.Errorf("finish rolling up: %w", err), tx.Rollback())
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit the roll-ups: %w", err)
	}
	return nil
}

// roller is one transaction of rolling up.
type roller struct {
	ctx      context.Context
	tx       *sql.Tx
	prepared map[string]*sql.Stmt
	// sites by the ref of a station of theirs.
	sites map[int64]*rollSite
	buf   []byte
}

// rollSite is a station's site.
type rollSite struct {
	place    int64
	calendar rollup.Calendar
}

func (r *roller) stmt(query string) (*sql.Stmt, error) {
	if s := r.prepared[query]; s != nil {
		return s, nil
	}
	s, err := r.tx.PrepareContext(r.ctx, query)
	if err != nil {
		return nil, fmt.Errorf("prepare %q: %w", query, err)
	}
	r.prepared[query] = s
	return s, nil
}

func (r *roller) exec(query string, args ...any) error {
	s, err := r.stmt(query)
	if err != nil {
		return err
	}
	if _, err := s.ExecContext(r.ctx, args...); err != nil {
		return fmt.Errorf("%s: %w", strings.Join(strings.Fields(query)[:3], " "), err)
	}
	return nil
}

func (r *roller) cursor() (n int64, err error) {
	if err = r.tx.QueryRowContext(r.ctx, `SELECT cursor FROM rollup_state`).Scan(&n); err != nil {
		return 0, fmt.Errorf("read the roll-ups' cursor: %w", err)
	}
	return n, nil
}

// site finds a station's site, making its row on first sight.
func (r *roller) site(station int64) (*rollSite, error) {
	if s := r.sites[station]; s != nil {
		return s, nil
	}
	err := r.exec(`INSERT INTO rollup_sites (site) SELECT site FROM stations WHERE ref = ? ON CONFLICT (site) DO NOTHING`, station)
	if err != nil {
		return nil, err
	}
	var ref int64
	var zone string
	var start int
	err = r.tx.QueryRowContext(r.ctx, `SELECT r.ref, r.time_zone, r.day_start FROM rollup_sites r
		JOIN stations s ON s.site = r.site WHERE s.ref = ?`, station).Scan(&ref, &zone, &start)
	if err != nil {
		return nil, fmt.Errorf("read the site of station %d: %w", station, err)
	}
	cal, err := rollup.NewCalendar(zone, start)
	if err != nil {
		return nil, fmt.Errorf("the calendar of station %d's site: %w", station, err)
	}
	s := &rollSite{-ref, cal}
	r.sites[station] = s
	return s, nil
}

// add takes builds in that were not in the roll-ups, and moves the cursor.
func (r *roller) add(taken []rollBuild, servings map[string]bool, hours map[slot]*rollup.Group) error {
	if len(taken) == 0 {
		return nil
	}
	for serving := range servings {
		if err := r.exec(`INSERT INTO rollup_servings (serving) VALUES (?) ON CONFLICT DO NOTHING`, serving); err != nil {
			return err
		}
	}
	for i := range taken {
		b := &taken[i]
		if err := r.exec(`INSERT INTO rollup_builds (station_ref, hour, build_ref) VALUES (?, ?, ?)`, b.station, b.hour, b.ref); err != nil {
			return err
		}
	}
	all, err := r.spread(hours)
	if err != nil {
		return err
	}
	for _, key := range sortedCells(all) {
		if err := r.merge(key, all[key]); err != nil {
			return err
		}
	}
	return r.exec(`UPDATE rollup_state SET cursor = ?`, taken[len(taken)-1].ref)
}

// spread adds hours of stations up into every cell that they belong to.
func (r *roller) spread(hours map[slot]*rollup.Group) (map[cell]*rollup.Group, error) {
	all := make(map[cell]*rollup.Group, 4*len(hours))
	for key, g := range hours {
		site, err := r.site(key.place)
		if err != nil {
			return nil, err
		}
		for _, c := range cellsOf(key, site) {
			groupOf(all, c).Merge(g)
		}
	}
	return all, nil
}

// cellsOf lists the cells that an hour of a station belongs to, itself first.
func cellsOf(hour slot, site *rollSite) []cell {
	periods := [...]int64{rollup.Hour: hour.period, rollup.Day: hour.day, rollup.Month: rollup.MonthOf(hour.day)}
	out := make([]cell, 0, 18)
	for level := rollup.Hour; level <= rollup.Month; level++ {
		for _, place := range [...]int64{hour.place, site.place, 0} {
			for _, serving := range [...]string{hour.serving, ""} {
				out = append(out, cell{level, place, serving, periods[level]})
			}
		}
	}
	return out
}

const (
	rollCounts = `builds, in_spec, off_spec, unknown, unsafe, awaiting, disputed`
	cellWhere  = ` WHERE level = ? AND place = ? AND serving = ? AND period = ?`
)

func countFields(c *rollup.Counts) []any {
	return []any{&c.Builds, &c.InSpec, &c.OffSpec, &c.Unknown, &c.Unsafe, &c.Awaiting, &c.Disputed}
}

// merge adds a group to what stands in a cell.
func (r *roller) merge(key cell, g *rollup.Group) error {
	read, err := r.stmt(`SELECT ` + rollCounts + `, (SELECT detail FROM rollup_details d
		WHERE d.level = c.level AND d.place = c.place AND d.serving = c.serving AND d.period = c.period)
		FROM rollup_counts c` + cellWhere)
	if err != nil {
		return err
	}
	var old rollup.Counts
	var detail []byte
	err = read.QueryRowContext(r.ctx, key.level, key.place, key.serving, key.period).Scan(append(countFields(&old), &detail)...)
	switch {
	case errors.Is(err, sql.ErrNoRows):
	case err != nil:
		return fmt.Errorf("read a roll-up: %w", err)
	default:
		g.Counts.Add(old)
		if err := g.MergeDetail(detail, nil); err != nil {
			return err
		}
	}
	return r.put(key, g)
}

// put writes a group over what stands in a cell.
func (r *roller) put(key cell, g *rollup.Group) (err error) {
	if r.buf, err = g.AppendDetail(r.buf[:0]); err != nil {
		return err
	}
	err = r.exec(`INSERT INTO rollup_counts (level, place, serving, period, `+rollCounts+`)
		VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (level, place, serving, period) DO UPDATE SET builds = excluded.builds,
		in_spec = excluded.in_spec, off_spec = excluded.off_spec, unknown = excluded.unknown,
		unsafe = excluded.unsafe, awaiting = excluded.awaiting, disputed = excluded.disputed`,
		key.level, key.place, key.serving, key.period, g.Builds, g.InSpec, g.OffSpec, g.Unknown, g.Unsafe, g.Awaiting, g.Disputed)
	if err != nil {
		return err
	}
	return r.exec(`INSERT INTO rollup_details (level, place, serving, period, detail) VALUES (?, ?, ?, ?, ?)
		ON CONFLICT (level, place, serving, period) DO UPDATE SET detail = excluded.detail`, key.level, key.place, key.serving, key.period, r.buf)
}
