package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	"samecup.example/samecup/internal/sqldb"
)

// SQL is a Store in a database of either engine; [Open] opens it.
type SQL struct{ db *sqldb.DB }

var _ Store = (*SQL)(nil)

// Close closes the file.
func (s *SQL) Close() error { return s.db.Close() }

// write runs f in one immediate transaction and commits when it returns nil.
func (s *SQL) write(ctx context.Context, what string, f func(tx *sql.Tx) error) error {
	tx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("%s: begin: %w", what, err)
	}
	defer func() { _ = tx.Rollback() }() // no effect after the commit
	if err := f(tx); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("%s: commit: %w", what, err)
	}
	return nil
}

// querier is what a pool and a transaction have in common.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

// collect reads every row with scan and closes the rows.
func collect[T any](rows *sql.Rows, scan func(scanner) (T, error)) ([]T, error) {
	defer func() { _ = rows.Close() }()
	var out []T
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, err
		}
		out = append(out, v)
	}
	return out, rows.Err()
}

type scanner interface{ Scan(dest ...any) error }

// notFound turns "no rows" into ErrNotFound and leaves the rest alone.
func notFound(err error) error {
	if errors.Is(err, sql.ErrNoRows) {
		return ErrNotFound
	}
	return err
}

func micros(t time.Time) int64 { return t.UnixMicro() }

func fromMicros(us int64) time.Time { return time.UnixMicro(us).UTC() }

// digest32 copies a stored SHA-256; a row of another length was not written by us.
func digest32(b []byte, what string) (d [32]byte, err error) {
	if len(b) != len(d) {
		return d, fmt.Errorf("%s is %d bytes long, not %d: the database is damaged", what, len(b), len(d))
	}
	return [32]byte(b), nil
}
