package store

import (
	"context"
	"fmt"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// WatchBuild is a build as the watch reads it, with what its corrections say.
//
// A correction and all that correct the same build stand for one drink. Which
// of them counts is told as for the roll-ups.
type WatchBuild struct {
	Build
	// Corrected: a stored record of its station corrects it.
	Corrected bool
	// Outranked: it is a correction, and another of the same build has a higher
	// sequence.
	Outranked bool
	// Second: another record of the drink was stored before it and is judged.
	Second bool
}

// selectWatch reads a build and the three facts of a [WatchBuild]. Each is a
// look-up by a key of corrections, which holds few rows.
const selectWatch = `SELECT ` + buildColumns + `,
	EXISTS (SELECT 1 FROM corrections c WHERE c.original_id = b.id AND c.station_ref = b.station_ref),
	EXISTS (SELECT 1 FROM corrections mine JOIN corrections other
		ON other.original_id = mine.original_id AND other.station_ref = mine.station_ref
		WHERE mine.correction_ref = b.ref
		AND (other.sequence, other.correction_ref) > (mine.sequence, mine.correction_ref)),
	EXISTS (SELECT 1 FROM corrections c JOIN builds m ON m.ref = c.correction_ref
		WHERE c.original_id = b.id AND c.station_ref = b.station_ref AND m.ref < b.ref AND m.grade <> 0)
	OR EXISTS (SELECT 1 FROM corrections mine JOIN builds m ON m.id = mine.original_id AND m.station_ref = mine.station_ref
		WHERE mine.correction_ref = b.ref AND m.ref < b.ref AND m.grade <> 0)
	OR EXISTS (SELECT 1 FROM corrections mine JOIN corrections other
		ON other.original_id = mine.original_id AND other.station_ref = mine.station_ref
		JOIN builds m ON m.ref = other.correction_ref
		WHERE mine.correction_ref = b.ref AND m.ref < b.ref AND m.grade <> 0)` + fromBuilds

func (s *SQL) watchBuilds(ctx context.Context, what, rest string, args ...any) ([]WatchBuild, error) {
	rows, err := s.db.Read.QueryContext(ctx, selectWatch+rest, args...)
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", what, err)
	}
	return collect(rows, what, func(b *WatchBuild) error {
		return scanBuild(rows.Scan, &b.Build, &b.Corrected, &b.Outranked, &b.Second)
	})
}

// BuildsAfter implements [Casework].
func (s *SQL) BuildsAfter(ctx context.Context, after int64, limit int) ([]WatchBuild, error) {
	return s.watchBuilds(ctx, "builds to watch", `WHERE b.ref > ? ORDER BY b.ref LIMIT ?`, after, limit)
}

// JudgedLater implements [Casework].
func (s *SQL) JudgedLater(ctx context.Context, limit int) ([]WatchBuild, error) {
	return s.watchBuilds(ctx, "builds judged later", `JOIN case_judged j ON j.ref = b.ref ORDER BY j.ref LIMIT ?`, limit)
}

// UnsafeAfter implements [Casework].
func (s *SQL) UnsafeAfter(ctx context.Context, after int64) (unsafe, newest int64, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT coalesce(max(CASE WHEN grade = ? THEN ref END), 0), coalesce(max(ref), 0)
		FROM builds WHERE ref > ?`, int64(pb.Grade_GRADE_UNSAFE), after).Scan(&unsafe, &newest)
	if err != nil {
		return 0, 0, fmt.Errorf("look for unsafe builds after %d: %w", after, err)
	}
	return unsafe, newest, nil
}

// WaitingBuilds implements [Casework]. Refs rise but can have gaps, so that the
// distance to the newest is a bound that costs no count over history.
func (s *SQL) WaitingBuilds(ctx context.Context) (n int64, err error) {
	err = s.db.Read.QueryRowContext(ctx, `SELECT (SELECT coalesce(max(ref), 0) FROM builds) - cursor
		+ (SELECT count(*) FROM case_judged) FROM case_state`).Scan(&n)
	if err != nil {
		return 0, fmt.Errorf("tell how many builds the watch has not read: %w", err)
	}
	return max(0, n), nil
}
