package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"strings"

	"samecup.example/samecup/internal/record"
)

// entriesPage is how many entries are read at a time, so that walking the
// record takes bounded memory.
const entriesPage = 500

// Commit implements Acts.
func (s *SQL) Commit(ctx context.Context, c Commit) error {
	return s.write(ctx, "commit acts", func(tx *sql.Tx) error {
		var last uint64
		if err := tx.QueryRowContext(ctx, `SELECT COALESCE(MAX(number), 0) FROM record`).Scan(&last); err != nil {
			return err
		}
		if last != c.After {
			return fmt.Errorf("%w: its last entry is %d, and %d was expected", ErrRecordMoved, last, c.After)
		}
		for _, body := range c.Blobs {
			digest := sha256.Sum256(body)
			if _, err := tx.ExecContext(ctx, `INSERT INTO blobs (digest, body) VALUES (?, ?) ON CONFLICT DO NOTHING`,
				digest[:], append([]byte{}, body...)); err != nil {
				return fmt.Errorf("store a source: %w", err)
			}
		}
		for _, site := range c.Sites {
			if _, err := tx.ExecContext(ctx, `INSERT INTO sites (id, name, region, time_zone) VALUES (?, ?, ?, ?)
				ON CONFLICT (id) DO UPDATE SET name = excluded.name, region = excluded.region, time_zone = excluded.time_zone`,
				site.ID, site.Name, site.Region, site.TimeZone); err != nil {
				return fmt.Errorf("store site %s: %w", site.ID, err)
			}
		}
		if c.Enrolment != nil {
			if err := createEnrolment(ctx, tx, *c.Enrolment, c.Now); err != nil {
				return fmt.Errorf("store an enrolment code: %w", err)
			}
		}
		if c.Spent != nil {
			if err := spendEnrolment(ctx, tx, *c.Spent, c.Now); err != nil {
				return fmt.Errorf("spend an enrolment code: %w", err)
			}
		}
		for _, r := range c.Releases {
			if err := insertRelease(ctx, tx, r); err != nil {
				return err
			}
		}
		for _, e := range c.Entries {
			if _, err := tx.ExecContext(ctx, `INSERT INTO record (number, at_us, actor, kind, body, previous, hash)
				VALUES (?, ?, ?, ?, ?, ?, ?)`, e.Number, micros(e.At), e.Actor, e.Kind, append([]byte{}, e.Body...), e.Previous[:], e.Hash[:]); err != nil {
				return fmt.Errorf("store entry %d: %w", e.Number, err)
			}
		}
		return nil
	})
}

func insertRelease(ctx context.Context, tx *sql.Tx, r SealedRelease) error {
	// A NULL is not an empty blob, and the column wants a blob.
	problems := append([]byte{}, r.Problems...)
	_, err := tx.ExecContext(ctx, `INSERT INTO releases
		(number, scope, edition, rolls_back_to, safety, needs_rebase, envelope, digest, created_us, effective_us,
		 note, author, chain, serving_count, problems) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)`,
		r.Number, r.Scope, r.Edition, r.RollsBackTo, r.Safety, strings.Join(r.NeedsRebase, " "), r.Envelope, r.Digest[:],
		micros(r.CreatedAt), micros(r.EffectiveAt), r.Note, r.Author, r.Chain, r.ServingCount, problems)
	if err != nil {
		return fmt.Errorf("store release %d: %w", r.Number, err)
	}
	return nil
}

// Entries implements Acts.
func (s *SQL) Entries(ctx context.Context, after uint64) iter.Seq2[record.Entry, error] {
	return func(yield func(record.Entry, error) bool) {
		for {
			page, err := s.entriesPage(ctx, after)
			if err != nil {
				yield(record.Entry{}, fmt.Errorf("read the record after entry %d: %w", after, err))
				return
			}
			for _, e := range page {
				if !yield(e, nil) {
					return
				}
			}
			if len(page) < entriesPage {
				return
			}
			after = page[len(page)-1].Number
		}
	}
}

func (s *SQL) entriesPage(ctx context.Context, after uint64) ([]record.Entry, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT number, at_us, actor, kind, body, previous, hash FROM record
		WHERE number > ? ORDER BY number LIMIT ?`, after, entriesPage)
	if err != nil {
		return nil, err
	}
	return collect(rows, func(row scanner) (e record.Entry, err error) {
		var at int64
		var previous, hash []byte
		if err := row.Scan(&e.Number, &at, &e.Actor, &e.Kind, &e.Body, &previous, &hash); err != nil {
			return e, err
		}
		e.At = fromMicros(at)
		if e.Previous, err = digest32(previous, fmt.Sprintf("previous hash of entry %d", e.Number)); err != nil {
			return e, err
		}
		e.Hash, err = digest32(hash, fmt.Sprintf("hash of entry %d", e.Number))
		return e, err
	})
}

// Blob implements Acts.
func (s *SQL) Blob(ctx context.Context, digest [32]byte) ([]byte, error) {
	var body []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT body FROM blobs WHERE digest = ?`, digest[:]).Scan(&body)
	if err != nil {
		return nil, fmt.Errorf("read source %x: %w", digest[:4], notFound(err))
	}
	if sha256.Sum256(body) != digest {
		return nil, fmt.Errorf("source %x is damaged on disk: its bytes have another digest; restore the database from a copy", digest[:4])
	}
	return body, nil
}

// SaveSnapshot implements Acts.
func (s *SQL) SaveSnapshot(ctx context.Context, snap Snapshot) error {
	return s.write(ctx, "save a snapshot", func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, `INSERT INTO snapshots (one, number, head, body) VALUES (1, ?, ?, ?)
			ON CONFLICT (one) DO UPDATE SET number = excluded.number, head = excluded.head, body = excluded.body`,
			snap.Number, snap.Head[:], append([]byte{}, snap.Body...))
		return err
	})
}

// Snapshot implements Acts.
func (s *SQL) Snapshot(ctx context.Context) (Snapshot, error) {
	var snap Snapshot
	var head []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT number, head, body FROM snapshots`).Scan(&snap.Number, &head, &snap.Body)
	if errors.Is(err, sql.ErrNoRows) {
		return Snapshot{}, ErrNotFound
	}
	if err == nil {
		snap.Head, err = digest32(head, "head of the snapshot")
	}
	if err != nil {
		return Snapshot{}, fmt.Errorf("read the snapshot: %w", err)
	}
	return snap, nil
}

// SaveDocuments implements Acts.
func (s *SQL) SaveDocuments(ctx context.Context, docs []Document) error {
	return s.write(ctx, "save signed documents", func(tx *sql.Tx) error {
		for _, d := range docs {
			if _, err := tx.ExecContext(ctx, `INSERT INTO documents (subject, version, envelope) VALUES (?, ?, ?)
				ON CONFLICT (subject) DO UPDATE SET version = excluded.version, envelope = excluded.envelope`,
				d.Subject, d.Version, d.Envelope); err != nil {
				return fmt.Errorf("%s: %w", d.Subject, err)
			}
		}
		return nil
	})
}

// Documents implements Acts.
func (s *SQL) Documents(ctx context.Context, prefix string) ([]Document, error) {
	// A range, since LIKE would read _ and % in a name as wildcards.
	rows, err := s.db.Read.QueryContext(ctx, `SELECT subject, version, envelope FROM documents
		WHERE subject >= ? AND subject < ? ORDER BY version, subject`, prefix, prefix+"\U0010FFFF")
	if err != nil {
		return nil, fmt.Errorf("list the documents of %s: %w", prefix, err)
	}
	out, err := collect(rows, func(row scanner) (d Document, err error) {
		return d, row.Scan(&d.Subject, &d.Version, &d.Envelope)
	})
	if err != nil {
		return nil, fmt.Errorf("list the documents of %s: %w", prefix, err)
	}
	return out, nil
}
