// Package sqlitedb answers how we open a SQLite file so that what was
// committed stays: one writer, a few readers, write-ahead log, full sync,
// migrations applied, and each of these settings asserted at start.
package sqlitedb

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"io/fs"
	"net/url"

	"github.com/pressly/goose/v3"
	_ "modernc.org/sqlite" // the database/sql driver

	"samecup.example/samecup/internal/sqldb"
)

// DB is one SQLite file: Write's transactions begin immediate, Read has four
// connections, two with [Small].
type DB = sqldb.DB

const readers = 4

// Option changes how a file is opened.
type Option func(*settings)

type settings struct {
	vfs      string
	readers  int
	cacheKiB int
}

// VFS opens through a virtual file system that was registered with SQLite, as
// tests do to make a disk fail.
func VFS(name string) Option { return func(s *settings) { s.vfs = name } }

// Small keeps the memory of the pools down, for a process that shares a small
// machine: two readers, and 64 KiB of pages a connection instead of two MiB. A
// page takes twice its size in memory, and what a check at the start cached stays
// with the process; the system caches the file as well, so that little is lost.
func Small() Option { return func(s *settings) { s.readers, s.cacheKiB = 2, 64 } }

// Open opens or makes the file at path and applies the migrations, a flat
// folder of NNNN_name.sql files.
func Open(ctx context.Context, path string, migrations fs.FS, opts ...Option) (*DB, error) {
	s := settings{readers: readers}
	for _, o := range opts {
		o(&s)
	}
	write, err := s.open(path, readWrite)
	if err != nil {
		return nil, err
	}
	write.SetMaxOpenConns(1)
	db := &DB{Write: write}
	if err := s.setUp(ctx, db, path, migrations); err != nil {
		return nil, errors.Join(fmt.Errorf("database %s: %w", path, err), db.Close())
	}
	return db, nil
}

func (s settings) setUp(ctx context.Context, db *DB, path string, migrations fs.FS) error {
	if err := assertPragmas(ctx, db.Write); err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db.Write, migrations)
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	if db.Read, err = s.open(path, readOnly); err != nil {
		return err
	}
	db.Read.SetMaxOpenConns(s.readers)
	return nil
}

type mode bool

const (
	readWrite mode = false
	readOnly  mode = true
)

func (s settings) open(path string, m mode) (*sql.DB, error) {
	q := url.Values{}
	for _, p := range []string{"busy_timeout(5000)", "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)"} {
		q.Add("_pragma", p)
	}
	if m == readOnly {
		q.Add("_pragma", "query_only(1)")
	} else {
		q.Set("_txlock", "immediate")
	}
	if s.cacheKiB > 0 {
		q.Add("_pragma", fmt.Sprintf("cache_size(-%d)", s.cacheKiB))
	}
	if s.vfs != "" {
		q.Set("vfs", s.vfs)
	}
	return openURL(path, q)
}

func openURL(path string, q url.Values) (*sql.DB, error) {
	u := url.URL{Scheme: "file", Opaque: (&url.URL{Path: path}).EscapedPath(), RawQuery: q.Encode()}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return db, nil
}

func assertPragmas(ctx context.Context, db *sql.DB) error {
	for pragma, want := range map[string]string{"busy_timeout": "5000", "journal_mode": "wal", "synchronous": "2", "foreign_keys": "1"} {
		var got string
		if err := db.QueryRowContext(ctx, "PRAGMA "+pragma).Scan(&got); err != nil {
			return fmt.Errorf("read pragma %s: %w", pragma, err)
		}
		if got != want {
			return fmt.Errorf("pragma %s is %q, must be %q; the disk may not support it", pragma, got, want)
		}
	}
	return nil
}

// Rescue opens a file of which little may be readable, and changes nothing of
// it. Queries may fail with [Damaged] and others after them work.
func Rescue(path string) (*sql.DB, error) {
	db, err := openURL(path, url.Values{"mode": {"ro"}})
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	return db, nil
}
