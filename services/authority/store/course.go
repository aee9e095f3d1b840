package store

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

const courseColumns = `at_us, open_waves, advice, builds, deviations, lower_bound, upper_bound,
	past_builds, past_deviations, past_llr, past_advice, other_builds, other_deviations, other_llr, other_advice`

// Course implements Courses.
func (s *SQL) Course(ctx context.Context, edition uint64) ([]WavePoint, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT `+courseColumns+` FROM wave_course WHERE edition = ? ORDER BY at_us`, edition)
	if err != nil {
		return nil, fmt.Errorf("read the course of rollout %d: %w", edition, err)
	}
	out, err := collect(rows, func(row scanner) (p WavePoint, err error) {
		var at int64
		err = row.Scan(&at, &p.OpenWaves, &p.Advice, &p.Builds, &p.Deviations, &p.LowerBound, &p.UpperBound,
			&p.OwnPast.Builds, &p.OwnPast.Deviations, &p.OwnPast.LogLikelihoodRatio, &p.OwnPast.Advice,
			&p.OtherSites.Builds, &p.OtherSites.Deviations, &p.OtherSites.LogLikelihoodRatio, &p.OtherSites.Advice)
		p.At = fromMicros(at)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the course of rollout %d: %w", edition, err)
	}
	return out, nil
}

// SaveWavePoint implements Courses.
func (s *SQL) SaveWavePoint(ctx context.Context, edition uint64, p WavePoint, dropped []time.Time) error {
	return s.write(ctx, fmt.Sprintf("save the course of rollout %d", edition), func(tx *sql.Tx) error {
		for _, at := range append([]time.Time{p.At}, dropped...) {
			if _, err := tx.ExecContext(ctx, `DELETE FROM wave_course WHERE edition = ? AND at_us = ?`, edition, micros(at)); err != nil {
				return err
			}
		}
		_, err := tx.ExecContext(ctx, `INSERT INTO wave_course (edition, `+courseColumns+`)
			VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`, edition, micros(p.At), p.OpenWaves, p.Advice, p.Builds, p.Deviations,
			p.LowerBound, p.UpperBound, p.OwnPast.Builds, p.OwnPast.Deviations, p.OwnPast.LogLikelihoodRatio, p.OwnPast.Advice,
			p.OtherSites.Builds, p.OtherSites.Deviations, p.OtherSites.LogLikelihoodRatio, p.OtherSites.Advice)
		return err
	})
}
