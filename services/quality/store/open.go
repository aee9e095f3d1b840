package store

import (
	"context"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"samecup.example/samecup/internal/postgresdb"
	"samecup.example/samecup/internal/sqldb"
	"samecup.example/samecup/internal/sqlitedb"
)

//go:embed migrations/*.sql migrations/postgres/*.sql
var migrations embed.FS

// schema is where the tables are in a PostgreSQL database, beside other
// services' schemas.
const schema = "quality"

// File is the database's name in a directory.
const File = "quality.db"

// Open opens the store at a PostgreSQL address (see internal/postgresdb) or,
// where that is empty, in the file of dir.
func Open(ctx context.Context, address, dir string) (*SQL, error) {
	if address == "" {
		return OpenSQLite(ctx, filepath.Join(dir, File))
	}
	sub, err := fs.Sub(migrations, "migrations/postgres")
	if err != nil {
		return nil, fmt.Errorf("read the migrations: %w", err)
	}
	db, err := postgresdb.Open(ctx, address, schema, sub)
	if err != nil {
		return nil, fmt.Errorf("open the quality database: %w", err)
	}
	return prepared(ctx, &SQL{db: db, shared: true})
}

// OpenSQLite opens or makes the database file at path.
func OpenSQLite(ctx context.Context, path string) (*SQL, error) {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("read the migrations: %w", err)
	}
	db, err := sqlitedb.Open(ctx, path, sub)
	if err != nil {
		return nil, fmt.Errorf("open the quality database %s: %w", path, err)
	}
	if err := tune(ctx, db); err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return prepared(ctx, &SQL{db: db})
}

func prepared(ctx context.Context, s *SQL) (*SQL, error) {
	if err := s.prepare(ctx); err != nil {
		return nil, errors.Join(err, s.db.Close())
	}
	return s, nil
}

// tune sets a file's write connection up for large transactions. None of it
// bears on what survives a crash.
func tune(ctx context.Context, db *sqldb.DB) error {
	for _, pragma := range []string{
		// A checkpoint after each batch would write each index page as often;
		// in pages, 64 MiB.
		`wal_autocheckpoint = 16384`,
		// A transaction that outgrows the cache is written twice; 64 MiB.
		`cache_size = -65536`,
		`temp_store = MEMORY`,
	} {
		if _, err := db.Write.ExecContext(ctx, `PRAGMA `+pragma); err != nil {
			return fmt.Errorf("set pragma %s: %w", pragma, err)
		}
	}
	return nil
}
