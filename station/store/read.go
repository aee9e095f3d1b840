package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"

	pb "samecup.example/samecup/proto/samecup/v1"

	"google.golang.org/protobuf/types/known/timestamppb"
)

// Bounds on the committed records kept in memory, so that an outbox that keeps
// up does not read them back from disk.
const (
	tailRecords = 2048
	tailBytes   = 2 << 20
)

// remember adds to the tail; the caller holds mu.
func (l *Log) remember(r Record) {
	l.tail = append(l.tail, r)
	l.tailLen += len(r.Bytes)
	drop := 0
	for len(l.tail)-drop > tailRecords || l.tailLen > tailBytes {
		l.tailLen -= len(l.tail[drop].Bytes)
		l.tail[drop] = Record{}
		drop++
	}
	l.tail = l.tail[drop:]
}

// Builds returns records after a sequence, in order: at most n, and at most
// size bytes save that there is always one if any is there.
func (l *Log) Builds(ctx context.Context, after uint64, n, size int) ([]Record, error) {
	if got := l.fromTail(after, n, size); got != nil {
		return got, nil
	}
	rows, err := l.db.Read.QueryContext(ctx, `SELECT seq, build_id, record FROM builds WHERE seq > ? ORDER BY seq LIMIT ?`, int64(after), n)
	if err != nil {
		return nil, fmt.Errorf("read builds after %d: %w", after, err)
	}
	return scan(rows, size)
}

func (l *Log) fromTail(after uint64, n, size int) []Record {
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.tail) == 0 || l.tail[0].Seq > after+1 || l.tail[len(l.tail)-1].Seq <= after {
		return nil
	}
	from := l.tail[after+1-l.tail[0].Seq:]
	out := make([]Record, 0, min(n, len(from)))
	total := 0
	for _, r := range from {
		if total += len(r.Bytes); len(out) > 0 && (total > size || len(out) == n) {
			break
		}
		out = append(out, r)
	}
	return out
}

// Deviations returns at most n deviations after a sequence and up to another, in
// order.
func (l *Log) Deviations(ctx context.Context, after, last uint64, n int) ([]Record, error) {
	rows, err := l.db.Read.QueryContext(ctx, `SELECT seq, build_id, record FROM builds WHERE deviation = 1 AND seq > ? AND seq <= ? ORDER BY seq LIMIT ?`, int64(after), int64(last), n)
	if err != nil {
		return nil, fmt.Errorf("read deviations after %d: %w", after, err)
	}
	return scan(rows, MaxRecordBytes*n)
}

func scan(rows *sql.Rows, size int) (out []Record, err error) {
	defer func() { err = errors.Join(err, rows.Close()) }()
	total := 0
	for rows.Next() {
		var r Record
		var id []byte
		if err := rows.Scan(&r.Seq, &id, &r.Bytes); err != nil {
			return nil, fmt.Errorf("read a record: %w", err)
		}
		if copy(r.ID[:], id) != len(r.ID) {
			return nil, fmt.Errorf("record %d has a build id of %d bytes, want %d", r.Seq, len(id), len(r.ID))
		}
		if total += len(r.Bytes); len(out) > 0 && total > size {
			break
		}
		out = append(out, r)
	}
	if err := rows.Err(); err != nil {
		return nil, fmt.Errorf("read records: %w", err)
	}
	return out, nil
}

// MaxRefusals is how many refusals are kept.
const MaxRefusals = 16

// AddRefusal keeps a refusal; the same one right again only moves its time.
func (l *Log) AddRefusal(ctx context.Context, r *pb.Refusal) error {
	tx, err := l.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("keep a refusal: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	if err := addRefusal(ctx, tx, r); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("keep a refusal: %w", err)
	}
	return nil
}

func addRefusal(ctx context.Context, tx *sql.Tx, r *pb.Refusal) error {
	at := r.GetRefusedTime().AsTime().UnixNano()
	res, err := tx.ExecContext(ctx, `UPDATE refusals SET at_ns = ? WHERE id = (SELECT max(id) FROM refusals) AND release = ? AND reason = ? AND detail = ?`,
		at, int64(r.GetRelease()), r.GetReason(), r.GetDetail())
	if err != nil {
		return fmt.Errorf("keep a refusal: %w", err)
	}
	if n, err := res.RowsAffected(); err != nil || n > 0 {
		return err
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO refusals (release, reason, detail, at_ns) VALUES (?, ?, ?, ?)`,
		int64(r.GetRelease()), r.GetReason(), r.GetDetail(), at); err != nil {
		return fmt.Errorf("keep a refusal: %w", err)
	}
	if _, err := tx.ExecContext(ctx, `DELETE FROM refusals WHERE id <= (SELECT max(id) FROM refusals) - ?`, MaxRefusals); err != nil {
		return fmt.Errorf("drop old refusals: %w", err)
	}
	return nil
}

// Refusals returns those kept, newest last.
func (l *Log) Refusals(ctx context.Context) (out []*pb.Refusal, err error) {
	rows, err := l.db.Read.QueryContext(ctx, `SELECT release, reason, detail, at_ns FROM refusals ORDER BY id`)
	if err != nil {
		return nil, fmt.Errorf("read refusals: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var number, at int64
		r := &pb.Refusal{}
		if err := rows.Scan(&number, &r.Reason, &r.Detail, &at); err != nil {
			return nil, fmt.Errorf("read a refusal: %w", err)
		}
		r.Release, r.RefusedTime = uint64(number), timestamppb.New(time.Unix(0, at))
		out = append(out, r)
	}
	return out, rows.Err()
}
