package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"fmt"
	"time"

	"google.golang.org/protobuf/encoding/protowire"
)

// Field numbers of pb.BuildRecord that only the writer can fill in.
const (
	fieldSequence     = 3
	fieldPreviousHash = 4
	// overhead is the most that those two fields take, bytes.
	overhead = 1 + 10 + 2 + sha256.Size
)

// Entry is a build to be logged.
type Entry struct {
	ID [16]byte
	// Body is the marshalled pb.BuildRecord without sequence and previous
	// hash, which are appended: in protobuf, fields may come in any order. The
	// log keeps the slice.
	Body []byte
	// Deviation puts the record into the deviations' outbox too.
	Deviation bool
	// Time is the record's logged time.
	Time time.Time
}

// Receipt answers an Append.
type Receipt struct {
	// Sequence of the record; zero for a duplicate.
	Sequence uint64
	// First is set when the build id was logged before: that record.
	First []byte
}

// pending is an entry on its way through the writer.
type pending struct {
	Entry
	receipt Receipt
	err     error
	done    chan struct{}
}

// Append returns after the record is on disk. An error means that it is not,
// unless ctx ended first: then it may be, and the same id may be sent again.
func (l *Log) Append(ctx context.Context, e Entry) (Receipt, error) {
	if n := len(e.Body) + overhead; n > MaxRecordBytes {
		return Receipt{}, fmt.Errorf("a record of %d bytes is over the limit of %d", n, MaxRecordBytes)
	}
	p := &pending{Entry: e, done: make(chan struct{})}
	select {
	case <-l.stop:
		return Receipt{}, ErrClosed
	default:
	}
	select {
	case l.queue <- p:
	case <-l.stop:
		return Receipt{}, ErrClosed
	case <-ctx.Done():
		return Receipt{}, fmt.Errorf("wait for the build log: %w", ctx.Err())
	}
	select {
	case <-p.done:
		return p.receipt, p.err
	case <-ctx.Done():
		return Receipt{}, fmt.Errorf("wait for the build log: %w", ctx.Err())
	case <-l.done:
		// The writer may have answered while it was closing.
		select {
		case <-p.done:
			return p.receipt, p.err
		default:
			return Receipt{}, ErrClosed
		}
	}
}

// run is the writer.
func (l *Log) run() {
	defer close(l.done)
	timer := time.NewTimer(markDelay)
	timer.Stop()
	armed := false
	batch := make([]*pending, 0, maxBatch)
	for {
		batch = batch[:0]
		select {
		case p := <-l.queue:
			batch = l.collect(append(batch, p))
		case <-l.kick:
			if !armed {
				timer.Reset(markDelay)
				armed = true
			}
			continue
		case <-timer.C:
			armed = false
		case <-l.stop:
			for {
				batch = l.collect(batch[:0])
				l.write(batch)
				if len(batch) == 0 {
					return
				}
			}
		}
		l.write(batch)
	}
}

// collect takes what waits, up to the bounds of a batch.
func (l *Log) collect(batch []*pending) []*pending {
	size := 0
	for _, p := range batch {
		size += len(p.Body)
	}
	for len(batch) < maxBatch && size < maxBatchBytes {
		select {
		case p := <-l.queue:
			batch = append(batch, p)
			size += len(p.Body)
		default:
			return batch
		}
	}
	return batch
}

// write commits a batch and answers its callers; all of it or nothing.
func (l *Log) write(batch []*pending) {
	before := l.tip
	state, _ := l.State()
	target := marks{builds: state.BuildsSent, deviations: state.DeviationsSent}
	prune := l.pruneTo(target, state)
	if len(batch) == 0 && target == l.written && prune == l.pruned {
		return
	}
	added, err := l.commit(batch, target, prune)
	if err != nil {
		l.tip = before
		l.resync()
		for _, p := range batch {
			p.receipt, p.err = Receipt{}, err
			close(p.done)
		}
		return
	}
	l.written, l.pruned = target, prune
	if len(added) > 0 {
		l.publish(added)
	}
	for _, p := range batch {
		close(p.done)
	}
	if state, _ := l.State(); l.pruneTo(target, state) != l.pruned {
		l.wake()
	}
}

// resync believes the disk after a failed commit, which may have reached it
// all the same. If it cannot be read, the next insert fails on its number and
// comes back here.
func (l *Log) resync() {
	ctx := context.Background()
	t, at, err := l.readTip(ctx)
	if err != nil {
		return
	}
	var deviation uint64
	if err := l.db.Write.QueryRowContext(ctx, `SELECT coalesce(max(seq), 0) FROM builds WHERE deviation = 1`).Scan(&deviation); err != nil {
		return
	}
	l.tip = t
	l.update(func(s *State) {
		s.Last, s.LastTime = t.seq, at
		s.LastDeviation = max(s.LastDeviation, deviation)
		l.tail, l.tailLen = nil, 0
	})
}

// commit does the work of one transaction.
func (l *Log) commit(batch []*pending, target marks, prune uint64) (added []*pending, err error) {
	ctx := context.Background()
	if len(batch) > 0 {
		if err := l.reserve(l.tip.seq + uint64(len(batch))); err != nil {
			return nil, err
		}
	}
	tx, err := l.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return nil, fmt.Errorf("begin: %w", err)
	}
	defer func() {
		if err != nil {
			_ = tx.Rollback()
		}
	}()
	added = make([]*pending, 0, len(batch))
	if len(batch) > 0 {
		insert := tx.StmtContext(ctx, l.insert)
		for _, p := range batch {
			isNew, err := l.insertOne(ctx, tx, insert, p)
			if err != nil {
				return nil, err
			}
			if isNew {
				added = append(added, p)
			}
		}
	}
	if target != l.written {
		if err := target.save(ctx, tx); err != nil {
			return nil, err
		}
	}
	if prune != l.pruned {
		if _, err := tx.ExecContext(ctx, `DELETE FROM builds WHERE seq <= ?`, int64(prune)); err != nil {
			return nil, fmt.Errorf("prune: %w", err)
		}
	}
	if err := tx.Commit(); err != nil {
		return nil, fmt.Errorf("commit: %w", err)
	}
	return added, nil
}

// insertOne numbers, chains and inserts one record; a build id seen before is
// answered with its first record.
func (l *Log) insertOne(ctx context.Context, tx *sql.Tx, insert *sql.Stmt, p *pending) (bool, error) {
	seq := l.tip.seq + 1
	body := len(p.Body)
	raw := protowire.AppendTag(p.Body, fieldSequence, protowire.VarintType)
	raw = protowire.AppendVarint(raw, seq)
	if l.tip.known {
		raw = protowire.AppendTag(raw, fieldPreviousHash, protowire.BytesType)
		raw = protowire.AppendBytes(raw, l.tip.hash[:])
	}
	res, err := insert.ExecContext(ctx, int64(seq), p.ID[:], p.Deviation, raw)
	if err != nil {
		return false, fmt.Errorf("insert record %d: %w", seq, err)
	}
	n, err := res.RowsAffected()
	if err != nil {
		return false, fmt.Errorf("insert record %d: %w", seq, err)
	}
	if n == 0 {
		p.Body = raw[:body]
		row := tx.QueryRowContext(ctx, `SELECT record FROM builds WHERE build_id = ?`, p.ID[:])
		if err := row.Scan(&p.receipt.First); err != nil {
			return false, fmt.Errorf("read the first record of a build: %w", err)
		}
		return false, nil
	}
	p.Body = raw
	p.receipt = Receipt{Sequence: seq}
	l.tip = tip{seq: seq, hash: sha256.Sum256(raw), known: true}
	return true, nil
}

// pruneTo says up to which sequence the next transaction may delete: what is
// sent and old, a slice at a time.
func (l *Log) pruneTo(sent marks, state State) uint64 {
	safe := sent.builds
	if sent.deviations < state.LastDeviation {
		safe = min(safe, sent.deviations)
	}
	if safe < l.pruned+Keep+pruneStep/4 {
		return l.pruned
	}
	return min(safe-Keep, l.pruned+pruneStep)
}

// publish makes committed records known.
func (l *Log) publish(added []*pending) {
	last := added[len(added)-1]
	l.update(func(s *State) {
		s.Last, s.LastTime = last.receipt.Sequence, last.Time
		for _, p := range added {
			if p.Deviation {
				s.LastDeviation = p.receipt.Sequence
			}
			l.remember(Record{Seq: p.receipt.Sequence, ID: p.ID, Bytes: p.Body})
		}
	})
}
