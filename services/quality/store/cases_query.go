package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

// ListCases implements [Casework].
func (s *SQL) ListCases(ctx context.Context, q CaseQuery) ([]CaseRow, error) {
	query, args := `SELECT id, rank, open, body FROM cases WHERE rank > ?`, []any{q.AfterRank}
	if q.OpenOnly {
		query += ` AND open = 1`
	}
	if q.Site != "" {
		query += ` AND EXISTS (SELECT 1 FROM case_sites WHERE case_id = cases.id AND site = ?)`
		args = append(args, q.Site)
	}
	rows, err := s.db.Read.QueryContext(ctx, query+` ORDER BY rank LIMIT ?`, append(args, q.Limit)...)
	if err != nil {
		return nil, fmt.Errorf("list cases: %w", err)
	}
	return collect(rows, "cases", func(c *CaseRow) error { return rows.Scan(&c.ID, &c.Rank, &c.Open, &c.Body) })
}

// Case implements [Casework].
func (s *SQL) Case(ctx context.Context, id string) (*CaseRow, error) {
	c := new(CaseRow)
	err := s.db.Read.QueryRowContext(ctx, `SELECT id, rank, open, body FROM cases WHERE id = ?`, id).Scan(&c.ID, &c.Rank, &c.Open, &c.Body)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, fmt.Errorf("case %q: %w", id, ErrNotFound)
	}
	if err != nil {
		return nil, fmt.Errorf("read case %q: %w", id, err)
	}
	return c, nil
}

// Signals implements [Casework].
func (s *SQL) Signals(ctx context.Context, q SignalQuery) ([]SignalRow, error) {
	query, args := `SELECT seq, id, case_id, kind, site, seen_ms, body FROM case_signals WHERE 1 = 1`, []any{}
	for _, f := range []struct {
		where string
		value any
		set   bool
	}{
		{` AND seq < ?`, q.Before, q.Before > 0}, {` AND site = ?`, q.Site, q.Site != ""},
		{` AND kind = ?`, q.Kind, q.Kind != ""}, {` AND case_id = ?`, q.CaseID, q.CaseID != ""},
	} {
		if f.set {
			query += f.where
			args = append(args, f.value)
		}
	}
	rows, err := s.db.Read.QueryContext(ctx, query+` ORDER BY seq DESC LIMIT ?`, append(args, q.Limit)...)
	if err != nil {
		return nil, fmt.Errorf("list signals: %w", err)
	}
	out, err := collect(rows, "signals", func(g *SignalRow) error {
		var seen int64
		err := rows.Scan(&g.Seq, &g.ID, &g.CaseID, &g.Kind, &g.Site, &seen, &g.Body)
		g.Seen = time.UnixMilli(seen)
		return err
	})
	if err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].BuildIDs, err = s.EvidenceOf(ctx, out[i].ID); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// EvidenceOf implements [Casework].
func (s *SQL) EvidenceOf(ctx context.Context, signalID string) ([]string, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT b.id FROM case_signals g JOIN case_evidence e ON e.signal_seq = g.seq
		JOIN builds b ON b.ref = e.build_ref WHERE g.id = ? ORDER BY b.started_ms DESC, b.ref DESC`, signalID)
	if err != nil {
		return nil, fmt.Errorf("list the evidence of signal %s: %w", signalID, err)
	}
	return collect(rows, "evidence", func(id *string) error { return rows.Scan(id) })
}
