package store

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// MaxActs is how many acts may wait for the bus.
	MaxActs = 10_000
	// maxSeen is how many acknowledgements of stops are remembered.
	maxSeen = 1000
)

// ErrActsFull is returned when MaxActs wait.
var ErrActsFull = errors.New("too many acts wait for the bus")

// Act is one that waits for the bus.
type Act struct {
	Seq int64
	// ID is a UUID.
	ID string
	// Bytes are the marshalled pb.StationAct.
	Bytes []byte
}

// AddAct puts an act on disk before it returns. The same person seeing the same
// stop with the same note again adds nothing and gives false.
func (l *Log) AddAct(ctx context.Context, act *pb.StationAct) (bool, error) {
	added, err := l.addAct(ctx, act)
	if err != nil && !errors.Is(err, ErrActsFull) {
		err = fmt.Errorf("keep an act: %w", err)
	}
	return added, err
}

func (l *Log) addAct(ctx context.Context, act *pb.StationAct) (bool, error) {
	raw, err := proto.Marshal(act)
	if err != nil {
		return false, err
	}
	tx, err := l.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return false, err
	}
	defer func() { _ = tx.Rollback() }()
	var waiting int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM acts`).Scan(&waiting); err != nil {
		return false, err
	}
	if waiting >= MaxActs {
		return false, ErrActsFull
	}
	if seen := act.GetStopSeen(); seen != nil {
		if isNew, err := addSeen(ctx, tx, act.GetPerson(), seen); err != nil || !isNew {
			return false, err
		}
	}
	if _, err := tx.ExecContext(ctx, `INSERT INTO acts (id, act) VALUES (?, ?)`, act.GetId(), raw); err != nil {
		return false, err
	}
	return true, tx.Commit()
}

func addSeen(ctx context.Context, tx *sql.Tx, person string, seen *pb.StopSeen) (bool, error) {
	res, err := tx.ExecContext(ctx, `INSERT INTO stops_seen (stop, person, note) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, seen.GetStop(), person, seen.GetNote())
	if err != nil {
		return false, err
	}
	if n, err := res.RowsAffected(); err != nil || n == 0 {
		return false, err
	}
	_, err = tx.ExecContext(ctx, `DELETE FROM stops_seen WHERE seq <= (SELECT max(seq) FROM stops_seen) - ?`, maxSeen)
	return true, err
}

// Acts returns at most n that wait, the oldest first.
func (l *Log) Acts(ctx context.Context, n int) (out []Act, err error) {
	rows, err := l.db.Read.QueryContext(ctx, `SELECT seq, id, act FROM acts ORDER BY seq LIMIT ?`, n)
	if err != nil {
		return nil, fmt.Errorf("read acts: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var a Act
		if err := rows.Scan(&a.Seq, &a.ID, &a.Bytes); err != nil {
			return nil, fmt.Errorf("read an act: %w", err)
		}
		out = append(out, a)
	}
	return out, rows.Err()
}

// RemoveAct forgets an act that the bus acknowledged.
func (l *Log) RemoveAct(ctx context.Context, seq int64) error {
	if _, err := l.db.Write.ExecContext(ctx, `DELETE FROM acts WHERE seq = ?`, seq); err != nil {
		return fmt.Errorf("remove a sent act: %w", err)
	}
	return nil
}

// StopsSeen returns the IDs of the stops that somebody here acknowledged.
func (l *Log) StopsSeen(ctx context.Context) (out map[string]bool, err error) {
	rows, err := l.db.Read.QueryContext(ctx, `SELECT DISTINCT stop FROM stops_seen`)
	if err != nil {
		return nil, fmt.Errorf("read the stops seen: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	out = make(map[string]bool)
	for rows.Next() {
		var id string
		if err := rows.Scan(&id); err != nil {
			return nil, fmt.Errorf("read a stop seen: %w", err)
		}
		out[id] = true
	}
	return out, rows.Err()
}
