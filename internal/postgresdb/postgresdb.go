// Package postgresdb answers how we open a PostgreSQL database so that stores
// written for one writer and many readers work on it as they do on a file: a
// schema of their own, one write connection whose transactions wait for each
// other across processes, readers that see one moment, migrations applied, and
// the settings on which durability rests asserted at start.
//
// SQL is written once, with "?" for arguments and whole numbers for booleans;
// the connection translates.
package postgresdb

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/fnv"
	"io/fs"
	"regexp"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"samecup.example/samecup/internal/sqldb"
)

const readers = 8

// IsURL tells whether an address names a PostgreSQL database.
func IsURL(address string) bool {
	return strings.HasPrefix(address, "postgres://") || strings.HasPrefix(address, "postgresql://")
}

var schemaName = regexp.MustCompile(`^[a-z][a-z0-9_]{0,30}$`)

// Open connects to the database at a URL such as
// "postgres://samecup@db.internal/samecup?sslmode=verify-full", makes the schema
// if it is missing, and applies the migrations, a flat folder of NNNN_name.sql
// files. A password belongs in PGPASSWORD or a pass file rather than in the URL.
// No error of this package repeats the password.
func Open(ctx context.Context, address, schema string, migrations fs.FS) (*sqldb.DB, error) {
	if !schemaName.MatchString(schema) {
		return nil, fmt.Errorf("schema %q: use 1 to 31 lower-case letters, digits and _", schema)
	}
	if !IsURL(address) {
		return nil, errors.New("the database's address does not begin with postgres://; write postgres://USER@HOST/DATABASE")
	}
	cfg, err := pgx.ParseConfig(address)
	if err != nil {
		return nil, fmt.Errorf("the database's address: %w", err)
	}
	where := fmt.Sprintf("database %s on %s, schema %s", cfg.Database, cfg.Host, schema)
	cfg.RuntimeParams["search_path"] = schema
	if cfg.RuntimeParams["application_name"] == "" {
		cfg.RuntimeParams["application_name"] = "samecup-" + schema
	}
	if err := setUp(ctx, cfg, schema, migrations); err != nil {
		return nil, fmt.Errorf("%s: %w", where, err)
	}
	db := &sqldb.DB{Write: open(cfg, lockOf("writer of "+schema), nil)}
	db.Write.SetMaxOpenConns(1)
	db.Read = open(cfg, 0, map[string]string{
		"default_transaction_read_only": "on",
		// As a reader of a file does, one transaction sees one moment.
		"default_transaction_isolation": "repeatable read",
	})
	db.Read.SetMaxOpenConns(readers)
	return db, nil
}

func open(cfg *pgx.ConnConfig, lock int64, params map[string]string) *sql.DB {
	cfg = cfg.Copy()
	for k, v := range params {
		cfg.RuntimeParams[k] = v
	}
	return sql.OpenDB(connector{stdlib.GetConnector(*cfg), lock})
}

// lockOf is an advisory lock that other programs in the database are unlikely
// to take.
func lockOf(what string) int64 {
	h := fnv.New64a()
	h.Write([]byte("samecup " + what))
	return int64(h.Sum64() >> 1)
}

// setUp makes the schema and its tables, over a connection that does not
// translate. Of two processes that start at once one waits for the other.
func setUp(ctx context.Context, cfg *pgx.ConnConfig, schema string, migrations fs.FS) (err error) {
	plain := stdlib.OpenDB(*cfg)
	defer func() { err = errors.Join(err, plain.Close()) }()
	if err := assertSettings(ctx, plain); err != nil {
		return err
	}
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockID(lockOf("migrations of " + schema)))
	if err != nil {
		return fmt.Errorf("lock the schema: %w", err)
	}
	// The version table is there first, so the schema must be before it.
	if _, err := plain.ExecContext(ctx, `DO $$ BEGIN
		CREATE SCHEMA IF NOT EXISTS `+schema+`;
		EXCEPTION WHEN unique_violation OR duplicate_schema THEN NULL; END $$`); err != nil {
		return fmt.Errorf("make the schema: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectPostgres, plain, migrations, goose.WithSessionLocker(locker))
	if err != nil {
		return fmt.Errorf("read migrations: %w", err)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("migrate: %w", err)
	}
	return nil
}

// assertSettings refuses a server that would forget what it committed, or that
// cannot hold every text.
func assertSettings(ctx context.Context, db *sql.DB) error {
	for setting, bad := range map[string]string{"synchronous_commit": "off", "fsync": "off", "full_page_writes": "off"} {
		var got string
		if err := db.QueryRowContext(ctx, "SHOW "+setting).Scan(&got); err != nil {
			return fmt.Errorf("read the setting %s: %w", setting, err)
		}
		if got == bad {
			return fmt.Errorf("the server's %s is off, so it may lose what it acknowledged; turn it on", setting)
		}
	}
	var encoding string
	if err := db.QueryRowContext(ctx, "SHOW server_encoding").Scan(&encoding); err != nil {
		return fmt.Errorf("read the setting server_encoding: %w", err)
	}
	if encoding != "UTF8" {
		return fmt.Errorf("the database's encoding is %s; make it with ENCODING 'UTF8'", encoding)
	}
	return nil
}
