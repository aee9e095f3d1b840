package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"sync"
	"time"

	"samecup.example/samecup/internal/sqldb"
	"samecup.example/samecup/services/quality/rollup"
)

// SQL is a [Store] in a database of either engine; [Open] opens it.
type SQL struct {
	db *sqldb.DB
	// shared: other processes may write builds too, so each transaction asks
	// where the rows end.
	shared bool
	// Guarded by the one write connection: only Write touches them.
	stmts    *statements
	nextRef  int64
	keptSize int64
	// rolling lets one goroutine roll up at a time.
	rolling sync.Mutex
	// daysMended is set once no site's days wait to be computed anew; guarded by
	// rolling.
	daysMended bool
	// calendars are those of the stations' sites, by the ref of a station, as last
	// read; guarded by rolling. Each use is checked in its transaction.
	calendars map[int64]rollup.Calendar
}

var _ Store = (*SQL)(nil)

func (s *SQL) prepare(ctx context.Context) error {
	var err error
	if s.stmts, err = prepareStatements(ctx, s.db.Write, s.shared); err != nil {
		return err
	}
	if s.nextRef, err = nextRef(ctx, s.db.Write); err != nil {
		return err
	}
	err = s.db.Write.QueryRowContext(ctx,
		`SELECT coalesce(sum(length(bytes)), 0) FROM quarantine`).Scan(&s.keptSize)
	if err != nil {
		return fmt.Errorf("measure the quarantine: %w", err)
	}
	return nil
}

// nextRef is the row number after the last build's.
func nextRef(ctx context.Context, q interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}) (n int64, err error) {
	if err = q.QueryRowContext(ctx, `SELECT coalesce(max(ref), 0) + 1 FROM builds`).Scan(&n); err != nil {
		return 0, fmt.Errorf("find the next build row: %w", err)
	}
	return n, nil
}

// Close closes the database.
func (s *SQL) Close() error {
	return errors.Join(s.stmts.close(), s.db.Close())
}

// Write implements [Store]. A transaction that fails leaves the next row
// number where it was.
func (s *SQL) Write(ctx context.Context, fn func(Tx) error) error {
	sqlTx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	tx := &storeTx{ctx: ctx, tx: sqlTx, stmts: s.stmts, nextRef: s.nextRef, keptSize: s.keptSize}
	if s.shared {
		tx.nextRef, err = nextRef(ctx, sqlTx)
	}
	if err == nil {
		err = fn(tx)
	}
	if err != nil {
		// A cancelled context has rolled it back already.
		if rerr := sqlTx.Rollback(); rerr != nil && !errors.Is(rerr, sql.ErrTxDone) {
			err = errors.Join(err, fmt.Errorf("roll back: %w", rerr))
		}
		return err
	}
	// Before the commit: afterwards the next writer may be in already.
	s.nextRef, s.keptSize = tx.nextRef, tx.keptSize
	if err := sqlTx.Commit(); err != nil {
		return fmt.Errorf("commit: %w", err)
	}
	return nil
}

// Deviations implements [Store].
func (s *SQL) Deviations(ctx context.Context, q DeviationQuery) ([]Deviation, error) {
	query := `SELECT d.cursor, d.received_ms, b.disputed, b.verdict, b.record, coalesce((
			SELECT by.id FROM corrections c JOIN builds by ON by.ref = c.correction_ref
			WHERE c.original_id = b.id AND c.station_ref = b.station_ref ORDER BY c.sequence DESC LIMIT 1), '')
		FROM deviations d JOIN builds b ON b.ref = d.build_ref WHERE d.cursor > ?`
	args := []any{int64(min(q.After, MaxNumber))}
	if q.Site != "" {
		query += ` AND d.site = ?`
		args = append(args, q.Site)
	}
	if q.Drink != "" {
		query += ` AND d.drink = ?`
		args = append(args, q.Drink)
	}
	query += ` ORDER BY d.cursor LIMIT ?`
	args = append(args, q.Limit)
	rows, err := s.db.Read.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("list deviations: %w", err)
	}
	return collect(rows, "deviations", func(d *Deviation) error {
		var received int64
		err := rows.Scan(&d.Cursor, &received, &d.Disputed, &d.Verdict, &d.Record, &d.CorrectedBy)
		d.Received = time.UnixMilli(received)
		return err
	})
}

// NewestDeviation implements [Store].
func (s *SQL) NewestDeviation(ctx context.Context) (cursor uint64, err error) {
	if err := s.db.Read.QueryRowContext(ctx, `SELECT coalesce(max(cursor), 0) FROM deviations`).Scan(&cursor); err != nil {
		return 0, fmt.Errorf("find the newest deviation: %w", err)
	}
	return cursor, nil
}

const (
	buildColumns = `b.ref, b.id, b.station_ref, s.site, s.station, b.sequence, b.release,
	b.serving, b.drink, b.started_ms, b.received_ms, b.grade, b.disputed, b.hash,
	b.previous_hash, b.verdict, b.record`
	fromBuilds  = ` FROM builds b JOIN stations s ON s.ref = b.station_ref `
	selectBuild = `SELECT ` + buildColumns + fromBuilds
)

// scanBuild reads the columns of a build, and those behind them into more.
func scanBuild(scan func(...any) error, b *Build, more ...any) error {
	var started, received int64
	err := scan(append([]any{&b.Ref, &b.ID, &b.StationRef, &b.Site, &b.Station, &b.Sequence, &b.Release,
		&b.Serving, &b.Drink, &started, &received, &b.Grade, &b.Disputed, &b.Hash,
		&b.PreviousHash, &b.Verdict, &b.Record}, more...)...)
	b.Started, b.Received = time.UnixMilli(started), time.UnixMilli(received)
	return err
}

// Build implements [Store].
func (s *SQL) Build(ctx context.Context, id string) (*Build, error) {
	var b Build
	err := scanBuild(s.db.Read.QueryRowContext(ctx, selectBuild+`WHERE b.id = ?`, id).Scan, &b)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("build %q: %w", id, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("read build %q: %w", id, err)
	}
	return &b, nil
}

// Awaiting implements [Store].
func (s *SQL) Awaiting(ctx context.Context, release uint64, afterRef int64, limit int) ([]Build, error) {
	rows, err := s.db.Read.QueryContext(ctx,
		selectBuild+`WHERE b.grade = 0 AND b.release = ? AND b.ref > ? ORDER BY b.ref LIMIT ?`,
		int64(release), afterRef, limit)
	if err != nil {
		return nil, fmt.Errorf("list builds awaiting release %d: %w", release, err)
	}
	return collect(rows, "awaiting builds", func(b *Build) error { return scanBuild(rows.Scan, b) })
}

// Intake implements [Store].
func (s *SQL) Intake(ctx context.Context) ([]Station, error) {
	rows, err := s.db.Read.QueryContext(ctx, selectStation+`ORDER BY site, station`)
	if err != nil {
		return nil, fmt.Errorf("list the intake: %w", err)
	}
	return collect(rows, "stations", func(st *Station) error { return scanStation(rows.Scan, st) })
}

// Quarantined implements [Store].
func (s *SQL) Quarantined(ctx context.Context) (uint64, error) {
	var n uint64
	if err := s.db.Read.QueryRowContext(ctx, `SELECT count(*) FROM quarantine`).Scan(&n); err != nil {
		return 0, fmt.Errorf("count the quarantine: %w", err)
	}
	return n, nil
}

// Release implements [Store].
func (s *SQL) Release(ctx context.Context, number uint64) ([]byte, error) {
	var envelope []byte
	err := s.db.Read.QueryRowContext(ctx,
		`SELECT envelope FROM releases WHERE number = ?`, int64(min(number, MaxNumber))).Scan(&envelope)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("release %d: %w", number, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("read release %d: %w", number, err)
	}
	return envelope, nil
}

// ReleaseNumbers implements [Store].
func (s *SQL) ReleaseNumbers(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT number FROM releases ORDER BY number`)
}

// AwaitedReleases implements [Store].
func (s *SQL) AwaitedReleases(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT DISTINCT release FROM builds WHERE grade = 0 ORDER BY release`)
}

func (s *SQL) numbers(ctx context.Context, query string) ([]uint64, error) {
	rows, err := s.db.Read.QueryContext(ctx, query)
	if err != nil {
		return nil, fmt.Errorf("list release numbers: %w", err)
	}
	return collect(rows, "release numbers", func(n *uint64) error { return rows.Scan(n) })
}

// collect reads all rows; what names them in errors.
func collect[T any](rows *sql.Rows, what string, scan func(*T) error) ([]T, error) {
	defer rows.Close()
	var out []T
	for rows.Next() {
		var v T
		if err := scan(&v); err != nil {
			return nil, fmt.Errorf("read %s: %w", what, err)
		}
		out = append(out, v)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read %s: %w", what, err)
	}
	return out, nil
}
