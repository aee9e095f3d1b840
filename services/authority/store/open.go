package store

import (
	"context"
	"embed"
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
const schema = "authority"

// File is the database's name in a directory.
const File = "authority.db"

// Open opens the store at a PostgreSQL address (see internal/postgresdb) or,
// where that is empty, in the file of dir.
func Open(ctx context.Context, address, dir string) (*SQL, error) {
	if address == "" {
		return OpenSQLite(ctx, filepath.Join(dir, File))
	}
	sub, err := fs.Sub(migrations, "migrations/postgres")
	if err != nil {
		return nil, fmt.Errorf("find the authority's migrations: %w", err)
	}
	db, err := postgresdb.Open(ctx, address, schema, sub)
	return opened(db, err)
}

// OpenSQLite opens the file, makes it if missing, and brings its tables up to
// date.
func OpenSQLite(ctx context.Context, path string) (*SQL, error) {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("find the authority's migrations: %w", err)
	}
	db, err := sqlitedb.Open(ctx, path, sub)
	return opened(db, err)
}

func opened(db *sqldb.DB, err error) (*SQL, error) {
	if err != nil {
		return nil, fmt.Errorf("open the authority's database: %w", err)
	}
	return &SQL{db: db}, nil
}
