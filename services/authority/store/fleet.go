package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// Site implements Fleet.
func (s *SQL) Site(ctx context.Context, id string) (Site, error) {
	site, err := siteByID(ctx, s.db.Read, id)
	if err != nil {
		return Site{}, fmt.Errorf("read site %s: %w", id, err)
	}
	return site, nil
}

func siteByID(ctx context.Context, q querier, id string) (site Site, err error) {
	err = q.QueryRowContext(ctx, `SELECT id, name, region, time_zone FROM sites WHERE id = ?`, id).
		Scan(&site.ID, &site.Name, &site.Region, &site.TimeZone)
	return site, notFound(err)
}

// Sites implements Fleet.
func (s *SQL) Sites(ctx context.Context) ([]Site, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT id, name, region, time_zone FROM sites ORDER BY id`)
	if err != nil {
		return nil, fmt.Errorf("list sites: %w", err)
	}
	out, err := collect(rows, func(row scanner) (v Site, err error) {
		return v, row.Scan(&v.ID, &v.Name, &v.Region, &v.TimeZone)
	})
	if err != nil {
		return nil, fmt.Errorf("list sites: %w", err)
	}
	return out, nil
}

// RegionExists implements Fleet.
func (s *SQL) RegionExists(ctx context.Context, region string) (found bool, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT EXISTS (SELECT 1 FROM sites WHERE region = ?)`, region).Scan(&found)
	if err != nil {
		return false, fmt.Errorf("look for region %s: %w", region, err)
	}
	return found, nil
}

// enrolmentsKept is how long a code stays on file after it expired, so that a
// late caller learns that it expired rather than that it never was.
const enrolmentsKept = 7 * 24 * time.Hour

func createEnrolment(ctx context.Context, tx *sql.Tx, e Enrolment, now time.Time) error {
	if _, err := siteByID(ctx, tx, e.Site); err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM enrolments
		WHERE (site = ? AND station = ? AND spent_us IS NULL) OR expires_us < ?`,
		e.Site, e.Station, micros(now.Add(-enrolmentsKept))); err != nil {
		return err
	}
	_, err := tx.ExecContext(ctx, `INSERT INTO enrolments (code_hash, site, station, expires_us) VALUES (?, ?, ?, ?)`,
		e.CodeHash[:], e.Site, e.Station, micros(e.ExpiresAt))
	return err
}

func spendEnrolment(ctx context.Context, tx *sql.Tx, codeHash [32]byte, now time.Time) error {
	e, err := goodEnrolment(ctx, tx, codeHash, now)
	if err != nil {
		return err
	}
	if _, err := tx.ExecContext(ctx, `UPDATE enrolments SET spent_us = ? WHERE code_hash = ?`, micros(now), codeHash[:]); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, `INSERT INTO stations (site, station, enrolled_us) VALUES (?, ?, ?)
		ON CONFLICT (site, station) DO UPDATE SET enrolled_us = excluded.enrolled_us`, e.Site, e.Station, micros(now))
	return err
}

// Enrolment implements Fleet.
func (s *SQL) Enrolment(ctx context.Context, codeHash [32]byte, now time.Time) (Enrolment, error) {
	e, err := goodEnrolment(ctx, s.db.Read, codeHash, now)
	if err != nil {
		return Enrolment{}, fmt.Errorf("find enrolment: %w", err)
	}
	return e, nil
}

func goodEnrolment(ctx context.Context, q querier, codeHash [32]byte, now time.Time) (Enrolment, error) {
	e := Enrolment{CodeHash: codeHash}
	var expires int64
	var spent sql.NullInt64
	err := q.QueryRowContext(ctx, `SELECT site, station, expires_us, spent_us FROM enrolments WHERE code_hash = ?`, codeHash[:]).
		Scan(&e.Site, &e.Station, &expires, &spent)
	if err != nil {
		return Enrolment{}, notFound(err)
	}
	e.ExpiresAt = fromMicros(expires)
	switch {
	case spent.Valid:
		return Enrolment{}, ErrCodeSpent
	case !now.Before(e.ExpiresAt):
		return Enrolment{}, ErrCodeExpired
	}
	return e, nil
}

// ListStations implements Fleet.
func (s *SQL) ListStations(ctx context.Context, after StationKey, limit int) ([]Station, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT t.site, t.station, s.region, t.enrolled_us, p.seen_us, p.body
		FROM stations t
		JOIN sites s ON s.id = t.site
		LEFT JOIN presence p ON p.site = t.site AND p.station = t.station
		WHERE (t.site, t.station) > (?, ?)
		ORDER BY t.site, t.station LIMIT ?`, after.Site, after.Station, limit)
	if err != nil {
		return nil, fmt.Errorf("list stations: %w", err)
	}
	out, err := collect(rows, func(row scanner) (st Station, err error) {
		var enrolled int64
		var seen sql.NullInt64
		err = row.Scan(&st.Site, &st.Station, &st.Region, &enrolled, &seen, &st.Presence)
		st.EnrolledAt = fromMicros(enrolled)
		if seen.Valid {
			st.SeenAt = fromMicros(seen.Int64)
		}
		return st, err
	})
	if err != nil {
		return nil, fmt.Errorf("list stations: %w", err)
	}
	return out, nil
}

// Members implements Fleet.
func (s *SQL) Members(ctx context.Context) ([]Member, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT t.site, t.station, s.region FROM stations t
		JOIN sites s ON s.id = t.site ORDER BY t.site, t.station`)
	if err != nil {
		return nil, fmt.Errorf("list members: %w", err)
	}
	out, err := collect(rows, func(row scanner) (m Member, err error) {
		err = row.Scan(&m.Site, &m.Station, &m.Region)
		return m, err
	})
	if err != nil {
		return nil, fmt.Errorf("list members: %w", err)
	}
	return out, nil
}
