package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Trust implements [Store].
func (s *SQL) Trust(ctx context.Context) ([]byte, error) {
	var state []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT state FROM trust WHERE one = 1`).Scan(&state)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("trusted state: %w", ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("read the trusted state: %w", err)
	}
	return state, nil
}

// StopList implements [Store].
func (s *SQL) StopList(ctx context.Context, version uint64) ([]byte, error) {
	var envelope []byte
	err := s.db.Read.QueryRowContext(ctx,
		`SELECT envelope FROM stop_lists WHERE version = ?`, int64(min(version, MaxNumber))).Scan(&envelope)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("stop list %d: %w", version, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("read stop list %d: %w", version, err)
	}
	return envelope, nil
}

// StopLists implements [Store].
func (s *SQL) StopLists(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT version FROM stop_lists ORDER BY version`)
}

// AwaitedStopLists implements [Store].
func (s *SQL) AwaitedStopLists(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT DISTINCT stop_list FROM awaited_stops ORDER BY stop_list`)
}

// AwaitingStopList implements [Store].
func (s *SQL) AwaitingStopList(ctx context.Context, version uint64, afterRef int64, limit int) ([]Build, error) {
	rows, err := s.db.Read.QueryContext(ctx, selectBuild+`JOIN awaited_stops a ON a.build_ref = b.ref
		WHERE a.stop_list = ? AND a.build_ref > ? ORDER BY a.build_ref LIMIT ?`,
		int64(min(version, MaxNumber)), afterRef, limit)
	if err != nil {
		return nil, fmt.Errorf("list builds awaiting stop list %d: %w", version, err)
	}
	return collect(rows, "awaiting builds", func(b *Build) error { return scanBuild(rows.Scan, b) })
}

// Regions implements [Store].
func (s *SQL) Regions(ctx context.Context) (map[string]string, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT site, region FROM site_regions`)
	if err != nil {
		return nil, fmt.Errorf("list the sites' regions: %w", err)
	}
	type pair struct{ site, region string }
	list, err := collect(rows, "the sites' regions", func(p *pair) error { return rows.Scan(&p.site, &p.region) })
	if err != nil {
		return nil, err
	}
	out := make(map[string]string, len(list))
	for _, p := range list {
		out[p.site] = p.region
	}
	return out, nil
}

func (t *storeTx) SaveTrust(state []byte) error {
	_, err := t.tx.ExecContext(t.ctx, `INSERT INTO trust (one, state) VALUES (1, ?)
		ON CONFLICT (one) DO UPDATE SET state = excluded.state`, state)
	if err != nil {
		return fmt.Errorf("save the trusted state: %w", err)
	}
	return nil
}

func (t *storeTx) InsertStopList(l StopList) ([]byte, error) {
	_, err := t.tx.ExecContext(t.ctx, `INSERT INTO stop_lists (version, digest, envelope, received_ms)
		VALUES (?, ?, ?, ?) ON CONFLICT (version) DO NOTHING`,
		int64(l.Version), blob(l.Digest), blob(l.Envelope), l.Received.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("insert stop list %d: %w", l.Version, err)
	}
	var digest []byte
	err = t.tx.QueryRowContext(t.ctx, `SELECT digest FROM stop_lists WHERE version = ?`, int64(l.Version)).Scan(&digest)
	if err != nil {
		return nil, fmt.Errorf("read back stop list %d: %w", l.Version, err)
	}
	return digest, nil
}

func (t *storeTx) AwaitStopList(b *Build) error {
	_, err := t.tx.ExecContext(t.ctx, `INSERT INTO awaited_stops (stop_list, build_ref) VALUES (?, ?)
		ON CONFLICT DO NOTHING`, int64(b.StopList), b.Ref)
	if err != nil {
		return fmt.Errorf("note that build %q awaits stop list %d: %w", b.ID, b.StopList, err)
	}
	return nil
}

// settledStops takes a build that was judged off those that wait.
func (t *storeTx) settledStops(b *Build) error {
	if b.StopList == 0 {
		return nil
	}
	_, err := t.tx.ExecContext(t.ctx, `DELETE FROM awaited_stops WHERE stop_list = ? AND build_ref = ?`,
		int64(b.StopList), b.Ref)
	if err != nil {
		return fmt.Errorf("settle build %q: %w", b.ID, err)
	}
	return nil
}

func (t *storeTx) SaveRegion(site, region string) error {
	_, err := t.tx.ExecContext(t.ctx, `INSERT INTO site_regions (site, region) VALUES (?, ?)
		ON CONFLICT (site) DO UPDATE SET region = excluded.region`, site, region)
	if err != nil {
		return fmt.Errorf("save the region of site %s: %w", site, err)
	}
	return nil
}
