package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
)

const releaseColumns = `number, scope, digest, created_us, effective_us, note, author, chain, serving_count, problems`

func scanRelease(row scanner) (r Release, err error) {
	var digest []byte
	var created, effective int64
	if err := row.Scan(&r.Number, &r.Scope, &digest, &created, &effective, &r.Note, &r.Author, &r.Chain,
		&r.ServingCount, &r.Problems); err != nil {
		return Release{}, err
	}
	r.CreatedAt, r.EffectiveAt = fromMicros(created), fromMicros(effective)
	r.Digest, err = digest32(digest, fmt.Sprintf("digest of release %d", r.Number))
	return r, err
}

// ReleaseByRequest implements Releases.
func (s *SQLite) ReleaseByRequest(ctx context.Context, requestID string, digest [32]byte) (Release, error) {
	r, err := releaseByRequest(ctx, s.db.Read, requestID, digest)
	if err != nil {
		return Release{}, fmt.Errorf("find the release of request %s: %w", requestID, err)
	}
	return r, nil
}

func releaseByRequest(ctx context.Context, q querier, requestID string, digest [32]byte) (Release, error) {
	var number uint64
	var stored []byte
	err := q.QueryRowContext(ctx, `SELECT number, request_digest FROM releases WHERE request_id = ?`, requestID).
		Scan(&number, &stored)
	if err != nil {
		return Release{}, notFound(err)
	}
	if !slices.Equal(stored, digest[:]) {
		return Release{}, ErrRequestReused
	}
	return releaseByNumber(ctx, q, number)
}

func releaseByNumber(ctx context.Context, q querier, number uint64) (Release, error) {
	r, err := scanRelease(q.QueryRowContext(ctx, `SELECT `+releaseColumns+` FROM releases WHERE number = ?`, number))
	return r, notFound(err)
}

// CreateRelease implements Releases.
func (s *SQLite) CreateRelease(ctx context.Context, n NewRelease, seal Seal) (r Release, created bool, err error) {
	err = s.write(ctx, "create release", func(tx *sql.Tx) error {
		r, err = releaseByRequest(ctx, tx, n.RequestID, n.RequestDigest)
		if !errors.Is(err, ErrNotFound) {
			return err
		}
		var number uint64
		if err := tx.QueryRowContext(ctx, `UPDATE counters SET value = value + 1 WHERE name = 'release' RETURNING value`).
			Scan(&number); err != nil {
			return fmt.Errorf("take a number: %w", err)
		}
		envelope, digest, err := seal(number)
		if err != nil {
			return fmt.Errorf("seal release %d: %w", number, err)
		}
		// A NULL is not an empty blob, and the column wants a blob.
		problems := append([]byte{}, n.Problems...)
		if _, err := tx.ExecContext(ctx, `INSERT INTO releases
			(number, scope, request_id, request_digest, envelope, digest, created_us, effective_us, note, author,
			 chain, serving_count, problems) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
			number, n.Scope, n.RequestID, n.RequestDigest[:], envelope, digest[:], micros(n.CreatedAt),
			micros(n.EffectiveAt), n.Note, n.Author, n.Chain, n.ServingCount, problems); err != nil {
			return fmt.Errorf("store release %d: %w", number, err)
		}
		created = true
		r, err = releaseByNumber(ctx, tx, number)
		return err
	})
	if err != nil {
		return Release{}, false, err
	}
	return r, created, nil
}

// Release implements Releases.
func (s *SQLite) Release(ctx context.Context, number uint64) (Release, error) {
	r, err := releaseByNumber(ctx, s.db.Read, number)
	if err != nil {
		return Release{}, fmt.Errorf("read release %d: %w", number, err)
	}
	return r, nil
}

// Envelope implements Releases.
func (s *SQLite) Envelope(ctx context.Context, number uint64) ([]byte, error) {
	var b []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT envelope FROM releases WHERE number = ?`, number).Scan(&b)
	if err != nil {
		return nil, fmt.Errorf("read the bytes of release %d: %w", number, notFound(err))
	}
	return b, nil
}

// ListReleases implements Releases.
func (s *SQLite) ListReleases(ctx context.Context, before uint64, limit int) ([]Release, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT `+releaseColumns+` FROM releases
		WHERE ? = 0 OR number < ? ORDER BY number DESC LIMIT ?`, before, before, limit)
	if err != nil {
		return nil, fmt.Errorf("list releases: %w", err)
	}
	out, err := collect(rows, scanRelease)
	if err != nil {
		return nil, fmt.Errorf("list releases: %w", err)
	}
	return out, nil
}

// ReleaseNumbers implements Releases.
func (s *SQLite) ReleaseNumbers(ctx context.Context, scope string, after uint64, limit int) ([]uint64, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT number FROM releases
		WHERE scope = ? AND number > ? ORDER BY number DESC LIMIT ?`, scope, after, limit)
	if err != nil {
		return nil, fmt.Errorf("list the releases of %s: %w", scope, err)
	}
	out, err := collect(rows, func(row scanner) (n uint64, err error) {
		err = row.Scan(&n)
		return n, err
	})
	if err != nil {
		return nil, fmt.Errorf("list the releases of %s: %w", scope, err)
	}
	slices.Reverse(out)
	return out, nil
}

// LatestByScope implements Releases.
func (s *SQLite) LatestByScope(ctx context.Context) (map[string]uint64, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT scope, MAX(number) FROM releases GROUP BY scope`)
	if err != nil {
		return nil, fmt.Errorf("find the latest releases: %w", err)
	}
	defer func() { _ = rows.Close() }()
	out := map[string]uint64{}
	for rows.Next() {
		var scope string
		var number uint64
		if err := rows.Scan(&scope, &number); err != nil {
			return nil, fmt.Errorf("find the latest releases: %w", err)
		}
		out[scope] = number
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("find the latest releases: %w", err)
	}
	return out, nil
}

// RaiseNumber implements Releases.
func (s *SQLite) RaiseNumber(ctx context.Context, atLeast uint64) error {
	return s.write(ctx, "raise the release number", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `UPDATE counters SET value = MAX(value, ?) WHERE name = 'release'`, atLeast)
		return err
	})
}
