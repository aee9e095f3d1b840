package bar

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	// maxEvents bounds what one build carries, keepEvents what waits for one.
	maxEvents  = 64
	keepEvents = 1000
	// maxDetail bounds what an event says, bytes.
	maxDetail = 200
)

// spare says how well the centre can do without an event of a kind. What was done
// shows in the builds too; what was not done, and what was set, shows nowhere else.
func spare(kind string) int {
	switch kind {
	case eventMeasured:
		return 2
	case eventTasted:
		return 1
	}
	return 0
}

// Kinds of marks.
const (
	markRelease   = "release"
	markTurned    = "turned"
	markDialIn    = "dial_in"
	markStop      = "stop"
	markAbandoned = "abandoned"
	markDrift     = "drift"
)

// Kinds of events about the plan.
const (
	eventMissed   = "missed"
	eventMeasured = "measured"
	eventTasted   = "tasted"
)

// event is sent to the centre with the next build. Where too many wait, those that
// can be spared go first, and the oldest of these.
func (t tx) event(e *pb.BarEvent) error {
	raw, err := proto.Marshal(e)
	if err != nil {
		return fmt.Errorf("write an event: %w", err)
	}
	if err := t.exec(`INSERT INTO events (event, spare) VALUES (?, ?)`, raw, spare(e.GetKind())); err != nil {
		return err
	}
	return t.exec(`DELETE FROM events WHERE id IN (
		SELECT id FROM events ORDER BY spare DESC, id LIMIT max(0, (SELECT count(*) FROM events) - ?))`, keepEvents)
}

// events are those for the next build, in the order in which they happened. Where
// more wait than it can carry, those that can be spared wait on.
func (s *store) events(ctx context.Context) ([]*pb.BarEvent, error) {
	return query(ctx, s.db.Read, func(rows *sql.Rows) (*pb.BarEvent, error) {
		var raw []byte
		if err := rows.Scan(&raw); err != nil {
			return nil, err
		}
		e := new(pb.BarEvent)
		return e, proto.Unmarshal(raw, e)
	}, `SELECT event FROM (SELECT id, event FROM events ORDER BY spare, id LIMIT ?) ORDER BY id`, maxEvents)
}

// dropEvents forgets those that a build took along. Others may have come since, so
// they are found by what they say.
func (t tx) dropEvents(told []*pb.BarEvent) (err error) {
	if len(told) == 0 {
		return nil
	}
	left := map[string]int{}
	for _, e := range told {
		key, err := eventKey(e)
		if err != nil {
			return err
		}
		left[key]++
	}
	rows, err := t.QueryContext(t.ctx, `SELECT id, event FROM events ORDER BY id`)
	if err != nil {
		return fmt.Errorf("read the events that wait: %w", err)
	}
	var gone []int64
	err = func() (err error) {
		defer func() { err = errors.Join(err, rows.Close()) }()
		for rows.Next() {
			var id int64
			var raw []byte
			e := new(pb.BarEvent)
			if err := errors.Join(rows.Scan(&id, &raw), proto.Unmarshal(raw, e)); err != nil {
				return fmt.Errorf("read the events that wait: %w", err)
			}
			key, err := eventKey(e)
			if err != nil {
				return err
			}
			if left[key] > 0 {
				left[key]--
				gone = append(gone, id)
			}
		}
		return rows.Err()
	}()
	if err != nil {
		return err
	}
	for _, id := range gone {
		if err := t.exec(`DELETE FROM events WHERE id = ?`, id); err != nil {
			return err
		}
	}
	return nil
}

func eventKey(e *pb.BarEvent) (string, error) {
	raw, err := proto.MarshalOptions{Deterministic: true}.Marshal(e)
	return string(raw), err
}
