package store

import (
	"context"
	"database/sql"
	"fmt"
)

// SavePresence implements Fleet.
func (s *SQL) SavePresence(ctx context.Context, rows []Presence) error {
	if len(rows) == 0 {
		return nil
	}
	return s.write(ctx, "save presence", func(tx *sql.Tx) error {
		for i := range rows {
			if err := savePresence(ctx, tx, &rows[i]); err != nil {
				return fmt.Errorf("station %s/%s: %w", rows[i].Site, rows[i].Station, err)
			}
		}
		return nil
	})
}

func savePresence(ctx context.Context, tx *sql.Tx, p *Presence) error {
	// Selecting from stations passes over those that are not enrolled. The
	// WHERE keeps an older presence from replacing a newer one.
	body := append([]byte{}, p.Body...)
	if _, err := tx.ExecContext(ctx, `INSERT INTO presence (site, station, seen_us, body)
		SELECT site, station, ?, ? FROM stations WHERE site = ? AND station = ?
		ON CONFLICT (site, station) DO UPDATE SET seen_us = excluded.seen_us, body = excluded.body
		WHERE excluded.seen_us >= presence.seen_us`,
		micros(p.SeenAt), body, p.Site, p.Station); err != nil {
		return err
	}
	added := false
	for _, r := range p.Refusals {
		res, err := tx.ExecContext(ctx, `INSERT INTO refusals (site, station, release, reason, detail, refused_us)
			SELECT site, station, ?, ?, ?, ? FROM stations WHERE site = ? AND station = ?
			ON CONFLICT DO NOTHING`,
			// The tables' integers are signed; a number beyond them was never ours.
			int64(min(r.Release, 1<<63-1)), r.Reason, r.Detail, micros(r.RefusedAt), p.Site, p.Station)
		if err != nil {
			return err
		}
		n, err := res.RowsAffected()
		if err != nil {
			return err
		}
		added = added || n > 0
	}
	if !added {
		return nil
	}
	_, err := tx.ExecContext(ctx, `DELETE FROM refusals WHERE site = ?1 AND station = ?2 AND id NOT IN (
		SELECT id FROM refusals WHERE site = ?1 AND station = ?2 ORDER BY refused_us DESC, id DESC LIMIT ?3)`,
		p.Site, p.Station, RefusalsKept)
	return err
}

// Refusals implements Fleet.
func (s *SQL) Refusals(ctx context.Context, key StationKey) ([]Refusal, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT release, reason, detail, refused_us FROM refusals
		WHERE site = ? AND station = ? ORDER BY refused_us DESC, id DESC LIMIT ?`, key.Site, key.Station, RefusalsKept)
	if err != nil {
		return nil, fmt.Errorf("list refusals of %s/%s: %w", key.Site, key.Station, err)
	}
	out, err := collect(rows, func(row scanner) (r Refusal, err error) {
		var at int64
		err = row.Scan(&r.Release, &r.Reason, &r.Detail, &at)
		r.RefusedAt = fromMicros(at)
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("list refusals of %s/%s: %w", key.Site, key.Station, err)
	}
	return out, nil
}
