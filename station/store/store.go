// Package store answers one question: what has this station logged, and what of
// it has the bus not acknowledged yet?
//
// One goroutine writes. It takes all builds that wait into one transaction, so
// that callers share the cost of a sync, and it numbers and chains them.
package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"embed"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/sqlitedb"
	pb "samecup.example/samecup/proto/samecup/v1"
)

//go:embed migrations/*.sql
var migrations embed.FS

const (
	// Keep is how many acknowledged records stay on disk, so that a build sent
	// again by a tablet gets its first answer.
	Keep = 1000
	// MaxRecordBytes bounds one stored record, bytes, well below what one
	// message on the bus may carry.
	MaxRecordBytes = 2 << 20

	queueLen      = 2048
	maxBatch      = 1024
	maxBatchBytes = 4 << 20
	// pruneStep is how many rows one transaction deletes at most.
	pruneStep = 2048
	// markDelay is how long a watermark may wait for a transaction to ride on.
	markDelay = 100 * time.Millisecond
)

// ErrClosed is returned after Close.
var ErrClosed = errors.New("the build log is closed")

// Log is the station's build log and outbox.
type Log struct {
	path   string
	db     *sqlitedb.DB
	insert *sql.Stmt
	queue  chan *pending
	kick   chan struct{}
	stop   chan struct{}
	done   chan struct{}

	// The writer's own: what the next record builds on.
	tip     tip
	written marks
	pruned  uint64
	// reserved is the highest number that the file of numbers allows.
	reserved uint64

	// lost are numbers that went with a damaged log, in order; damage is how
	// the last one was found in this start, nil for never. Both stay as they are.
	lost   []Range
	damage *Damage

	// given is the last record that ToSend gave out; its caller's own.
	given tip

	mu      sync.Mutex
	state   State
	changed chan struct{}
	tail    []Record
	tailLen int
}

// tip is the end of the chain.
type tip struct {
	seq  uint64
	hash [sha256.Size]byte
	// known is false where there is no record, or it was lost.
	known bool
}

// marks are the outbox's watermarks.
type marks struct{ builds, deviations uint64 }

// seal is a sum over the watermarks, not 0.
func (m marks) seal() int64 {
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %d", m.builds, m.deviations))
	return int64(binary.BigEndian.Uint64(sum[:])>>1) | 1
}

func (m marks) sealed(seal int64) bool { return seal == 0 || seal == m.seal() }

// save writes the watermarks.
func (m marks) save(ctx context.Context, tx *sql.Tx) error {
	if _, err := tx.ExecContext(ctx, `UPDATE outbox SET builds_sent = ?, deviations_sent = ?, seal = ?`, int64(m.builds), int64(m.deviations), m.seal()); err != nil {
		return fmt.Errorf("mark as sent: %w", err)
	}
	return nil
}

// State is a snapshot of the log.
type State struct {
	// Last is the last sequence logged, LastTime when; zero if there is none.
	Last     uint64
	LastTime time.Time
	// LastDeviation is the sequence of the last deviation logged.
	LastDeviation uint64
	// BuildsSent and DeviationsSent are watermarks: all up to them was
	// acknowledged by the bus.
	BuildsSent, DeviationsSent uint64
}

// Depth is how many builds the bus has not acknowledged.
func (s State) Depth() uint64 { return s.Last - s.BuildsSent }

// Drained is true when nothing waits to be sent.
func (s State) Drained() bool {
	return s.BuildsSent >= s.Last && s.DeviationsSent >= s.LastDeviation
}

// Record is one stored build.
type Record struct {
	Seq uint64
	ID  [16]byte
	// Bytes are the marshalled pb.BuildRecord; not to be changed.
	Bytes []byte
}

// Open opens or creates the log in the database file at path and checks it: all
// of its structure, and the chain of its last records. A damaged log is copied aside, and a new one goes on with what can be
// read of it: see [Log.Damage].
func Open(ctx context.Context, path string, opts ...sqlitedb.Option) (*Log, error) {
	opts = append([]sqlitedb.Option{sqlitedb.Small()}, opts...)
	damage, err := resumeRescue(ctx, path, opts)
	if err != nil {
		return nil, err
	}
	l, err := openChecked(ctx, path, opts)
	if damage == nil && isDamaged(err) {
		if damage, err = rescue(ctx, path, err, opts); err == nil {
			l, err = openChecked(ctx, path, opts)
		}
	}
	if err != nil {
		return nil, err
	}
	if l.damage = damage; damage != nil {
		if err := endRescue(path); err != nil {
			return nil, errors.Join(err, l.insert.Close(), l.db.Close())
		}
	}
	go l.run()
	return l, nil
}

// Damage tells what was wrong with the log when it was opened; nil for nothing.
func (l *Log) Damage() *Damage { return l.damage }

// openChecked opens the log without its writer.
func openChecked(ctx context.Context, path string, opts []sqlitedb.Option) (*Log, error) {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("read the build log's migrations: %w", err)
	}
	reserved, err := readNumbers(path)
	if err != nil {
		return nil, err
	}
	db, err := sqlitedb.Open(ctx, path, sub, opts...)
	if err != nil {
		return nil, fmt.Errorf("open the build log %s: %w", path, err)
	}
	l := &Log{
		path: path, db: db, queue: make(chan *pending, queueLen), kick: make(chan struct{}, 1), reserved: reserved,
		stop: make(chan struct{}), done: make(chan struct{}), changed: make(chan struct{}),
	}
	if err := l.load(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("read the build log %s: %w", path, err), db.Close())
	}
	return l, nil
}

// load reads where the last run ended.
func (l *Log) load(ctx context.Context) error {
	var err error
	if l.lost, err = l.readLost(ctx); err != nil {
		return err
	}
	if l.tip, l.state.LastTime, err = l.readTip(ctx); err != nil {
		return err
	}
	l.state.Last = l.tip.seq
	var seal int64
	row := l.db.Write.QueryRowContext(ctx, `SELECT builds_sent, deviations_sent, seal,
		(SELECT coalesce(max(seq), 0) FROM builds WHERE deviation = 1),
		(SELECT coalesce(min(seq), 1) - 1 FROM builds) FROM outbox`)
	err = row.Scan(&l.written.builds, &l.written.deviations, &seal, &l.state.LastDeviation, &l.pruned)
	if errors.Is(err, sql.ErrNoRows) {
		err = errDamaged
	}
	if err != nil {
		return fmt.Errorf("read the outbox's watermarks: %w", err)
	}
	if !l.written.sealed(seal) {
		return fmt.Errorf("%w: the outbox's watermarks %d and %d are not what was written", errDamaged, l.written.builds, l.written.deviations)
	}
	if l.written.builds > l.tip.seq {
		return fmt.Errorf("%w: the outbox says that %d builds were sent, but only %d were logged", errDamaged, l.written.builds, l.tip.seq)
	}
	l.state.BuildsSent, l.state.DeviationsSent = l.written.builds, l.written.deviations
	if err := l.check(ctx); err != nil {
		return err
	}
	// A disk that cannot be written should be told now, not at the first build;
	// one that is only full still serves to drain the outbox.
	if _, err := l.db.Write.ExecContext(ctx, `UPDATE outbox SET opened = opened + 1`); sqlitedb.FaultOf(err) == sqlitedb.ReadOnly {
		return fmt.Errorf("write to the log: %w", err)
	}
	l.insert, err = l.db.Write.PrepareContext(ctx, `INSERT INTO builds (seq, build_id, deviation, record) VALUES (?, ?, ?, ?) ON CONFLICT (build_id) DO NOTHING`)
	if err != nil {
		return fmt.Errorf("prepare the insert: %w", err)
	}
	return nil
}

func (l *Log) readLost(ctx context.Context) (out []Range, err error) {
	rows, err := l.db.Write.QueryContext(ctx, `SELECT first, last FROM lost ORDER BY first`)
	if err != nil {
		return nil, fmt.Errorf("read the lost numbers: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var r Range
		if err := rows.Scan(&r.First, &r.Last); err != nil {
			return nil, fmt.Errorf("read the lost numbers: %w", err)
		}
		out = append(out, r)
	}
	return out, rows.Err()
}

// readTip finds the last record and hashes it.
func (l *Log) readTip(ctx context.Context) (tip, time.Time, error) {
	var t tip
	var raw []byte
	var at time.Time
	err := l.db.Write.QueryRowContext(ctx, `SELECT seq, record FROM builds ORDER BY seq DESC LIMIT 1`).Scan(&t.seq, &raw)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return tip{}, time.Time{}, fmt.Errorf("read the last record: %w", err)
	}
	if err == nil {
		t.hash, t.known = sha256.Sum256(raw), true
		var rec pb.BuildRecord
		if err := proto.Unmarshal(raw, &rec); err != nil {
			return tip{}, time.Time{}, fmt.Errorf("%w: record %d: %w", errDamaged, t.seq, err)
		}
		at = rec.GetLoggedTime().AsTime()
	}
	if n := len(l.lost); n > 0 && l.lost[n-1].Last > t.seq {
		t = tip{seq: l.lost[n-1].Last}
	}
	return t, at, nil
}

// State returns a snapshot, and a channel that is closed at the next change.
func (l *Log) State() (State, <-chan struct{}) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.state, l.changed
}

// update changes the state and wakes whoever waits for it.
func (l *Log) update(f func(*State)) {
	l.mu.Lock()
	f(&l.state)
	close(l.changed)
	l.changed = make(chan struct{})
	l.mu.Unlock()
}

// MarkBuilds records that the bus acknowledged all builds up to seq. It is on
// disk within a moment; a crash before then means that they are sent again.
func (l *Log) MarkBuilds(seq uint64) {
	l.update(func(s *State) { s.BuildsSent = max(s.BuildsSent, min(seq, s.Last)) })
	l.wake()
}

// MarkDeviations is MarkBuilds for deviations.
func (l *Log) MarkDeviations(seq uint64) {
	l.update(func(s *State) { s.DeviationsSent = max(s.DeviationsSent, min(seq, s.Last)) })
	l.wake()
}

func (l *Log) wake() {
	select {
	case l.kick <- struct{}{}:
	default:
	}
}

// Close writes what waits, then closes the database.
func (l *Log) Close() error {
	select {
	case <-l.stop:
		return nil
	default:
	}
	close(l.stop)
	<-l.done
	return errors.Join(l.insert.Close(), l.db.Close())
}
