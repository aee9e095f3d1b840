package store

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"

	"samecup.example/samecup/internal/sqlitedb"
)

//go:embed migrations/*.sql
var migrations embed.FS

// SQLite is the embedded [Store].
type SQLite struct {
	db *sqlitedb.DB
	// Guarded by the one write connection: only Write touches them.
	stmts    *statements
	nextRef  int64
	keptSize int64
	// rolling lets one goroutine roll up at a time.
	rolling sync.Mutex
}

var _ Store = (*SQLite)(nil)

// OpenSQLite opens or makes the database file at path.
func OpenSQLite(ctx context.Context, path string) (*SQLite, error) {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("read the migrations: %w", err)
	}
	db, err := sqlitedb.Open(ctx, path, sub)
	if err != nil {
		return nil, fmt.Errorf("open the quality database %s: %w", path, err)
	}
	s := &SQLite{db: db}
	if err := s.prepare(ctx); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return s, nil
}

func (s *SQLite) prepare(ctx context.Context) error {
	err := s.tune(ctx)
	if err != nil {
		return err
	}
	if s.stmts, err = prepareStatements(ctx, s.db.Write); err != nil {
		return err
	}
	err = s.db.Write.QueryRowContext(ctx,
		`SELECT coalesce(max(ref), 0) + 1 FROM builds`).Scan(&s.nextRef)
	if err != nil {
		return fmt.Errorf("find the next build row: %w", err)
	}
	err = s.db.Write.QueryRowContext(ctx,
		`SELECT coalesce(sum(length(bytes)), 0) FROM quarantine`).Scan(&s.keptSize)
	if err != nil {
		return fmt.Errorf("measure the quarantine: %w", err)
	}
	return nil
}

// tune sets the write connection up for large transactions. None of it bears
// on what survives a crash.
func (s *SQLite) tune(ctx context.Context) error {
	for _, pragma := range []string{
		// A checkpoint after each batch would write each index page as often;
		// in pages, 64 MiB.
		`wal_autocheckpoint = 16384`,
		// A transaction that outgrows the cache is written twice; 64 MiB.
		`cache_size = -65536`,
		`temp_store = MEMORY`,
	} {
		if _, err := s.db.Write.ExecContext(ctx, `PRAGMA `+pragma); err != nil {
			return fmt.Errorf("set pragma %s: %w", pragma, err)
		}
	}
	return nil
}

// Close closes the database.
func (s *SQLite) Close() error {
	return errors.Join(s.stmts.close(), s.db.Close())
}

// Write implements [Store]. A transaction that fails leaves the next row
// number where it was.
func (s *SQLite) Write(ctx context.Context, fn func(Tx) error) error {
	sqlTx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	tx := &sqliteTx{ctx: ctx, tx: sqlTx, stmts: s.stmts, nextRef: s.nextRef, keptSize: s.keptSize}
	if err := fn(tx); err != nil {
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
func (s *SQLite) Deviations(ctx context.Context, q DeviationQuery) ([]Deviation, error) {
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
func (s *SQLite) NewestDeviation(ctx context.Context) (cursor uint64, err error) {
	if err := s.db.Read.QueryRowContext(ctx, `SELECT coalesce(max(cursor), 0) FROM deviations`).Scan(&cursor); err != nil {
		return 0, fmt.Errorf("find the newest deviation: %w", err)
	}
	return cursor, nil
}

const selectBuild = `SELECT b.ref, b.id, b.station_ref, s.site, s.station, b.sequence, b.release,
	b.serving, b.drink, b.started_ms, b.received_ms, b.grade, b.disputed, b.hash,
	b.previous_hash, b.verdict, b.record
	FROM builds b JOIN stations s ON s.ref = b.station_ref `

func scanBuild(scan func(...any) error, b *Build) error {
	var started, received int64
	err := scan(&b.Ref, &b.ID, &b.StationRef, &b.Site, &b.Station, &b.Sequence, &b.Release,
		&b.Serving, &b.Drink, &started, &received, &b.Grade, &b.Disputed, &b.Hash,
		&b.PreviousHash, &b.Verdict, &b.Record)
	b.Started, b.Received = time.UnixMilli(started), time.UnixMilli(received)
	return err
}

// Build implements [Store].
func (s *SQLite) Build(ctx context.Context, id string) (*Build, error) {
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
func (s *SQLite) Awaiting(ctx context.Context, release uint64, afterRef int64, limit int) ([]Build, error) {
	rows, err := s.db.Read.QueryContext(ctx,
		selectBuild+`WHERE b.grade = 0 AND b.release = ? AND b.ref > ? ORDER BY b.ref LIMIT ?`,
		int64(release), afterRef, limit)
	if err != nil {
		return nil, fmt.Errorf("list builds awaiting release %d: %w", release, err)
	}
	return collect(rows, "awaiting builds", func(b *Build) error { return scanBuild(rows.Scan, b) })
}

// Intake implements [Store].
func (s *SQLite) Intake(ctx context.Context) ([]Station, error) {
	rows, err := s.db.Read.QueryContext(ctx, selectStation+`ORDER BY site, station`)
	if err != nil {
		return nil, fmt.Errorf("list the intake: %w", err)
	}
	return collect(rows, "stations", func(st *Station) error { return scanStation(rows.Scan, st) })
}

// Quarantined implements [Store].
func (s *SQLite) Quarantined(ctx context.Context) (uint64, error) {
	var n uint64
	if err := s.db.Read.QueryRowContext(ctx, `SELECT count(*) FROM quarantine`).Scan(&n); err != nil {
		return 0, fmt.Errorf("count the quarantine: %w", err)
	}
	return n, nil
}

// Release implements [Store].
func (s *SQLite) Release(ctx context.Context, number uint64) ([]byte, error) {
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
func (s *SQLite) ReleaseNumbers(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT number FROM releases ORDER BY number`)
}

// AwaitedReleases implements [Store].
func (s *SQLite) AwaitedReleases(ctx context.Context) ([]uint64, error) {
	return s.numbers(ctx, `SELECT DISTINCT release FROM builds WHERE grade = 0 ORDER BY release`)
}

func (s *SQLite) numbers(ctx context.Context, query string) ([]uint64, error) {
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
