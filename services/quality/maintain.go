package quality

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"samecup.example/samecup/internal/postgresdb"
	"samecup.example/samecup/services/quality/store"
)

// ErrRollupsDiffer is wrapped where VerifyRollups finds a difference.
var ErrRollupsDiffer = store.ErrDiffers

// ErrNoDatabase is wrapped where a directory holds no quality database.
var ErrNoDatabase = errors.New("there is no quality database")

// RebuildRollups computes all roll-ups of the database at a directory or a
// PostgreSQL address from its builds.
// It may run beside a service: each step is one transaction that moves the
// durable cursor. After an interruption the service, or another run, goes on.
// progress, which may be nil, hears how many builds are done of how many.
func RebuildRollups(ctx context.Context, at string, progress func(done, all int64)) error {
	return withStore(ctx, at, func(db store.Store) error {
		if err := db.ResetRollups(ctx); err != nil {
			return err
		}
		all, _, err := db.PendingRollups(ctx)
		if err != nil {
			return err
		}
		for n, more := int64(0), true; more; {
			done, err := db.Roll(ctx, rollChunk)
			if err != nil {
				return err
			}
			n, more = n+int64(done.Builds), done.More
			if progress != nil {
				progress(n, max(n, all))
			}
		}
		return nil
	})
}

// VerifyRollups rolls up what waits in the database at a directory or a
// PostgreSQL address, computes every roll-up again from the builds, and compares byte by byte. The error wraps
// ErrRollupsDiffer and names the first cell that differs.
func VerifyRollups(ctx context.Context, at string, progress func(done, all int64)) error {
	return withStore(ctx, at, func(db store.Store) error { return db.VerifyRollups(ctx, progress) })
}

func withStore(ctx context.Context, at string, fn func(store.Store) error) (err error) {
	address, dir := at, ""
	if !postgresdb.IsURL(at) {
		address, dir = "", at
		path := filepath.Join(dir, store.File)
		if _, err := os.Stat(path); err != nil {
			return fmt.Errorf("%w at %s; give the directory that the centre was started with: %w", ErrNoDatabase, path, err)
		}
	}
	db, err := store.Open(ctx, address, dir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	return fn(db)
}
