package store

import (
	"context"
	"fmt"
	"strings"
)

const releaseColumns = `number, scope, edition, rolls_back_to, safety, needs_rebase, digest, created_us, effective_us, note, author, chain, serving_count, problems`

func scanRelease(row scanner) (r Release, err error) {
	var digest []byte
	var created, effective int64
	var rebase string
	if err := row.Scan(&r.Number, &r.Scope, &r.Edition, &r.RollsBackTo, &r.Safety, &rebase, &digest, &created, &effective, &r.Note, &r.Author, &r.Chain,
		&r.ServingCount, &r.Problems); err != nil {
		return Release{}, err
	}
	r.NeedsRebase = strings.Fields(rebase)
	r.CreatedAt, r.EffectiveAt = fromMicros(created), fromMicros(effective)
	r.Digest, err = digest32(digest, fmt.Sprintf("digest of release %d", r.Number))
	return r, err
}

func releaseByNumber(ctx context.Context, q querier, number uint64) (Release, error) {
	r, err := scanRelease(q.QueryRowContext(ctx, `SELECT `+releaseColumns+` FROM releases WHERE number = ?`, number))
	return r, notFound(err)
}

// Release implements Releases.
func (s *SQL) Release(ctx context.Context, number uint64) (Release, error) {
	r, err := releaseByNumber(ctx, s.db.Read, number)
	if err != nil {
		return Release{}, fmt.Errorf("read release %d: %w", number, err)
	}
	return r, nil
}

// Envelope implements Releases.
func (s *SQL) Envelope(ctx context.Context, number uint64) ([]byte, error) {
	var b []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT envelope FROM releases WHERE number = ?`, number).Scan(&b)
	if err != nil {
		return nil, fmt.Errorf("read the bytes of release %d: %w", number, notFound(err))
	}
	return b, nil
}

// ListReleases implements Releases.
func (s *SQL) ListReleases(ctx context.Context, before uint64, limit int) ([]Release, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT `+releaseColumns+` FROM releases
		WHERE CAST(? AS BIGINT) = 0 OR number < ? ORDER BY number DESC LIMIT ?`, before, before, limit)
	if err != nil {
		return nil, fmt.Errorf("list releases: %w", err)
	}
	out, err := collect(rows, scanRelease)
	if err != nil {
		return nil, fmt.Errorf("list releases: %w", err)
	}
	return out, nil
}
