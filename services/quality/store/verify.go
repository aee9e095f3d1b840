package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"

	"samecup.example/samecup/services/quality/rollup"
)

// verifyTries is how often verifying begins again because the intake marked
// hours in the meantime.
const verifyTries = 5

// verifyChunk is rolled up at a time before verifying.
const verifyChunk = 2000

// VerifyRollups implements [Rollups]. It first rolls up what waits, then works
// on one snapshot: station after station, from the stored builds alone.
func (s *SQL) VerifyRollups(ctx context.Context, progress func(done, all int64)) error {
	for range verifyTries {
		for more := true; more; {
			done, err := s.Roll(ctx, verifyChunk)
			if err != nil {
				return err
			}
			more = done.More
		}
		ready, err := s.verify(ctx, progress)
		if ready || err != nil {
			return err
		}
	}
	return errors.New("builds are judged again faster than roll-ups can be verified; try again later")
}

// verify returns false where hours are marked in its snapshot.
func (s *SQL) verify(ctx context.Context, progress func(done, all int64)) (ready bool, err error) {
	tx, err := s.db.Read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return false, fmt.Errorf("begin verifying: %w", err)
	}
	defer func() { err = errors.Join(err, tx.Rollback()) }()
	v := &verifier{ctx: ctx, tx: tx, progress: progress, chain: map[cell]*rollup.Group{}}
	var marked int
	err = tx.QueryRowContext(ctx, `SELECT cursor, (SELECT count(*) FROM rollup_dirty),
		(SELECT count(*) FROM builds WHERE ref <= cursor) FROM rollup_state`).Scan(&v.cursor, &marked, &v.all)
	if err != nil {
		return false, fmt.Errorf("read the roll-ups' cursor: %w", err)
	}
	if marked > 0 {
		return false, nil
	}
	return true, v.run()
}

type verifier struct {
	ctx       context.Context
	tx        *sql.Tx
	cursor    int64
	done, all int64
	progress  func(done, all int64)
	chain     map[cell]*rollup.Group
	names     map[int64]placeName
	compared  int64
}

func (v *verifier) run() error {
	rows, err := v.tx.QueryContext(v.ctx, `SELECT r.site, r.ref, r.time_zone, r.day_start, s.ref, s.station
		FROM rollup_sites r JOIN stations s USING (site) ORDER BY r.ref, s.ref`)
	if err != nil {
		return fmt.Errorf("list places: %w", err)
	}
	type station struct {
		site          placeName
		ref, siteRef  int64
		zone, station string
		start         int
	}
	stations, err := collect(rows, "places", func(s *station) error {
		return rows.Scan(&s.site.site, &s.siteRef, &s.zone, &s.start, &s.ref, &s.station)
	})
	if err != nil {
		return err
	}
	v.names = map[int64]placeName{0: {site: "the chain"}}
	siteGroups := make(map[cell]*rollup.Group)
	for i, st := range stations {
		v.names[st.ref] = placeName{st.site.site, st.station}
		v.names[-st.siteRef] = st.site
		cal, err := rollup.NewCalendar(st.zone, st.start)
		if err != nil {
			return fmt.Errorf("site %q: %w", st.site.site, err)
		}
		own, err := v.fromBuilds(st.ref, cal)
		if err != nil {
			return err
		}
		if err := v.compare(st.ref, own); err != nil {
			return err
		}
		lift(siteGroups, own, -st.siteRef)
		if i+1 == len(stations) || stations[i+1].siteRef != st.siteRef {
			if err := v.compare(-st.siteRef, siteGroups); err != nil {
				return err
			}
			lift(v.chain, siteGroups, 0)
			clear(siteGroups)
		}
	}
	if err := v.compare(0, v.chain); err != nil {
		return err
	}
	if v.progress != nil {
		v.progress(v.done, v.all)
	}
	return v.nothingElse()
}

// lift adds groups up under another place.
func lift(into, from map[cell]*rollup.Group, place int64) {
	for key, g := range from {
		key.place = place
		if into[key] == nil {
			into[key] = new(rollup.Group)
		}
		into[key].Merge(g)
	}
}

// fromBuilds computes all roll-ups of a station, each build by itself.
func (v *verifier) fromBuilds(station int64, cal rollup.Calendar) (map[cell]*rollup.Group, error) {
	rows, err := v.tx.QueryContext(v.ctx, selectRollBuild+`WHERE b.station_ref = ? AND b.ref <= ?`, station, v.cursor)
	if err != nil {
		return nil, fmt.Errorf("read the builds of station %d: %w", station, err)
	}
	out := make(map[cell]*rollup.Group)
	_, err = collect(rows, "builds", func(*struct{}) error {
		var b rollBuild
		if err := scanRollBuild(rows, &b); err != nil {
			return err
		}
		if v.done++; v.progress != nil && v.done%1000 == 0 {
			v.progress(v.done, v.all)
		}
		if !b.counts {
			return nil
		}
		day := cal.DayAt(b.started)
		for _, serving := range []string{b.serving, ""} {
			for _, key := range []cell{
				{rollup.Hour, station, serving, b.hour},
				{rollup.Day, station, serving, day},
				{rollup.Month, station, serving, rollup.MonthOf(day)},
			} {
				if out[key] == nil {
					out[key] = new(rollup.Group)
				}
				out[key].AddBuild(b.grade, b.disputed, b.verdict, b.record)
			}
		}
		return nil
	})
	return out, err
}

// compare holds a place's rows against groups, in the order of the rows.
func (v *verifier) compare(place int64, want map[cell]*rollup.Group) error {
	want = maps.Clone(want)
	order := sortedCells(want)
	next := 0
	for level := rollup.Hour; level <= rollup.Month; level++ {
		rows, err := v.tx.QueryContext(v.ctx, `SELECT c.serving, c.period, `+rollCounts+`, d.detail FROM rollup_counts c
			LEFT JOIN rollup_details d USING (level, place, serving, period)
			WHERE level = ? AND place = ? ORDER BY c.serving, c.period`, level, place)
		if err != nil {
			return fmt.Errorf("read roll-ups: %w", err)
		}
		_, err = collect(rows, "roll-ups", func(*struct{}) error {
			key := cell{level: level, place: place}
			var counts rollup.Counts
			var detail []byte
			if err := rows.Scan(append(append([]any{&key.serving, &key.period}, countFields(&counts)...), &detail)...); err != nil {
				return err
			}
			v.compared++
			g := want[key]
			if g == nil {
				return v.differs(key, "it is stored, but no build lies beneath it")
			}
			if next < len(order) && order[next] != key {
				return v.differs(order[next], "it is not stored")
			}
			next++
			if g.Counts != counts {
				return v.differs(key, fmt.Sprintf("stored counts are %+v, from the builds %+v", counts, g.Counts))
			}
			bytesOf, err := g.AppendDetail(nil)
			if err != nil {
				return err
			}
			if !bytes.Equal(bytesOf, detail) {
				return v.differs(key, detailDiffers(g, detail))
			}
			return nil
		})
		if errors.Is(err, ErrDiffers) {
			return errors.Unwrap(err) // the row was read well
		}
		if err != nil {
			return err
		}
	}
	if next < len(order) {
		return v.differs(order[next], "it is not stored")
	}
	return nil
}

// detailDiffers says which check or finding is not the same.
func detailDiffers(want *rollup.Group, stored []byte) string {
	var got rollup.Group
	if err := got.MergeDetail(stored, nil); err != nil {
		return err.Error()
	}
	return rollup.Difference(&got, want)
}

// nothingElse finds rows of places that no build comes from, and builds that
// are missing from the list by hour.
func (v *verifier) nothingElse() error {
	var rows, listed int64
	err := v.tx.QueryRowContext(v.ctx, `SELECT (SELECT count(*) FROM rollup_counts), (SELECT count(*) FROM rollup_builds h
		JOIN builds b ON b.ref = h.build_ref AND b.station_ref = h.station_ref)`).Scan(&rows, &listed)
	if err != nil {
		return fmt.Errorf("count roll-ups: %w", err)
	}
	switch {
	case rows != v.compared:
		return fmt.Errorf("%w: %d roll-ups are of a place that has no station", ErrDiffers, rows-v.compared)
	case listed != v.all || v.done != v.all:
		return fmt.Errorf("%w: %d of %d builds are listed by hour", ErrDiffers, listed, v.all)
	}
	return nil
}

func (v *verifier) differs(key cell, how string) error {
	at := v.names[key.place]
	name := at.site
	if at.station != "" {
		name += "/" + at.station
	}
	what := key.serving
	if what == "" {
		what = "all servings"
	}
	var when string
	switch key.level {
	case rollup.Hour:
		when = "hour " + rollup.HourStart(key.period).Format("2006-01-02T15Z")
	case rollup.Day:
		when = "day " + rollup.DayTime(key.period).Format("2006-01-02")
	default:
		day, _ := rollup.Days(key.period)
		when = "month " + rollup.DayTime(day).Format("2006-01")
	}
	return fmt.Errorf("%w: %s, %s, %s: %s", ErrDiffers, name, what, when, how)
}
