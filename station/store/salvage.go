package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"strings"

	"samecup.example/samecup/internal/sqlitedb"
)

// salvage carries what can be read of a damaged log into a new one.
type salvage struct {
	old *sql.DB
	tx  *sql.Tx
	// reserved is the highest number that may be in use.
	reserved uint64
	// unread are the ids under numbers that the index names and that were not
	// carried over.
	unread map[uint64]string
	// whole is false once something that would tell the last number could not
	// be read.
	whole bool

	sent      marks
	sentKnown bool
	// lowest and highest are numbers that were seen anywhere; 0 for none.
	lowest, highest uint64

	held []salvaged
	kept uint64
	// first and last are the numbers carried over, gaps what lies between.
	first, last uint64
	gaps        []Range
}

// salvaged is a record on its way.
type salvaged struct {
	seq       uint64
	id, raw   []byte
	deviation bool
	link      link
	bad       bool
}

func (r *salvaged) follows(p *salvaged) bool {
	return r.link.follows(tip{hash: sha256.Sum256(p.raw)})
}

// unreadable takes damage, also of the schema, as an answer; any other fault
// ends the rescue, to be begun again.
func unreadable(ctx context.Context, err error) error {
	switch sqlitedb.FaultOf(err) {
	case sqlitedb.Full, sqlitedb.ReadOnly, sqlitedb.Failing:
		return err
	}
	return ctx.Err()
}

// all reads the log at path.
func (s *salvage) all(ctx context.Context, path string) (err error) {
	if s.old, err = sqlitedb.Rescue(path); err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.old.Close()) }()
	if err := s.index(ctx); err != nil {
		return err
	}
	if err := s.outbox(ctx); err != nil {
		return err
	}
	if err := s.records(ctx); err != nil {
		return err
	}
	for _, t := range []struct{ table, columns string }{
		{"acts", "id, act"}, {"stops_seen", "stop, person, note"}, {"refusals", "release, reason, detail, at_ns"},
	} {
		if err := s.rest(ctx, t.table, strings.Split(t.columns, ", ")); err != nil {
			return err
		}
	}
	// Numbers that were lost before are not used either.
	err = each(ctx, s.old, func(rows *sql.Rows) error {
		var last uint64
		if err := rows.Scan(&last); err == nil {
			s.highest = max(s.highest, last)
		}
		return nil
	}, `SELECT last FROM lost`)
	return unreadable(ctx, err)
}

// outbox reads how far was sent, and believes it if it is sealed, or was
// written before there were seals, and can be.
func (s *salvage) outbox(ctx context.Context) error {
	var m marks
	var seal int64
	err := s.old.QueryRowContext(ctx, `SELECT builds_sent, deviations_sent, seal FROM outbox`).Scan(&m.builds, &m.deviations, &seal)
	if sqlitedb.FaultOf(err) == sqlitedb.Unexpected {
		err = s.old.QueryRowContext(ctx, `SELECT builds_sent, deviations_sent FROM outbox`).Scan(&m.builds, &m.deviations)
	}
	if err != nil {
		return unreadable(ctx, err)
	}
	if m.sealed(seal) && m.builds <= max(s.highest, s.reserved) {
		s.sent, s.sentKnown = m, true
		s.highest = max(s.highest, m.builds)
	}
	return nil
}

func (s *salvage) saw(seq uint64) {
	s.highest = max(s.highest, seq)
	if s.lowest == 0 || seq < s.lowest {
		s.lowest = seq
	}
}

// index reads which numbers there are from the index of ids, which lies on
// pages of its own.
func (s *salvage) index(ctx context.Context) error {
	err := each(ctx, s.old, func(rows *sql.Rows) error {
		var seq uint64
		var id []byte
		if err := rows.Scan(&seq, &id); err == nil {
			s.unread[seq] = string(id)
			s.saw(seq)
		}
		return nil
	}, `SELECT seq, build_id FROM builds ORDER BY build_id`)
	if err != nil {
		s.whole = false
	}
	return unreadable(ctx, err)
}

// each runs f on rows.
func each(ctx context.Context, db *sql.DB, f func(*sql.Rows) error, query string, args ...any) (err error) {
	rows, err := db.QueryContext(ctx, query, args...)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		if err := f(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

// records reads on as far as it goes; from there it tries number after number
// until one can be read again.
func (s *salvage) records(ctx context.Context) error {
	const columns = `SELECT seq, build_id, deviation, record FROM builds `
	var after uint64
	var failed error
	take := func(rows *sql.Rows) error {
		var r salvaged
		if err := rows.Scan(&r.seq, &r.id, &r.deviation, &r.raw); err != nil {
			return nil
		}
		after = max(after, r.seq)
		failed = s.add(ctx, r)
		return failed
	}
	for {
		err := each(ctx, s.old, take, columns+`WHERE seq > ? ORDER BY seq`, int64(after))
		if failed != nil {
			return failed
		}
		if err == nil {
			break
		}
		if err := unreadable(ctx, err); err != nil {
			return err
		}
		s.whole = false
		last, found := max(s.highest, s.reserved), false
		if after == 0 && s.sentKnown && s.sent.builds > 2*(Keep+pruneStep) {
			// What lies further back was pruned long ago.
			after = s.sent.builds - 2*(Keep+pruneStep)
		}
		for n := after + 1; n <= last && !found; n++ {
			err := each(ctx, s.old, func(rows *sql.Rows) error { found = true; return take(rows) }, columns+`WHERE seq = ?`, int64(n))
			if failed != nil {
				return failed
			}
			if err := unreadable(ctx, err); err != nil {
				return err
			}
			after = n
		}
		if !found {
			break
		}
	}
	return s.flush(ctx)
}

// add takes a record in, and carries over those whose successors vouch for
// them. Of two that do not fit, the first is taken to be damaged, unless the
// one after them shows that it is the second.
func (s *salvage) add(ctx context.Context, r salvaged) error {
	s.saw(r.seq)
	var err error
	if r.link, err = readLink(r.raw); err != nil || r.link.seq != r.seq || len(r.id) != 16 {
		return s.flush(ctx)
	}
	if n := len(s.held); n > 0 && s.held[n-1].seq+1 != r.seq {
		if err := s.flush(ctx); err != nil {
			return err
		}
	}
	if s.held = append(s.held, r); len(s.held) < 3 {
		return nil
	}
	a, b, c := &s.held[0], &s.held[1], &s.held[2]
	if !a.bad && !b.follows(a) {
		if c.follows(b) {
			a.bad = true
		} else {
			b.bad = true
		}
	}
	return s.shift(ctx)
}

// flush carries over what is held; nothing comes after it.
func (s *salvage) flush(ctx context.Context) error {
	if len(s.held) == 2 && !s.held[0].bad && !s.held[1].follows(&s.held[0]) {
		s.held[0].bad = true
	}
	for len(s.held) > 0 {
		if err := s.shift(ctx); err != nil {
			return err
		}
	}
	return nil
}

// shift inserts the first of what is held.
func (s *salvage) shift(ctx context.Context) error {
	r := s.held[0]
	s.held = s.held[1:]
	if r.bad {
		return nil
	}
	if _, err := s.tx.ExecContext(ctx, `INSERT INTO builds (seq, build_id, deviation, record) VALUES (?, ?, ?, ?)`,
		int64(r.seq), r.id, r.deviation, r.raw); err != nil {
		return fmt.Errorf("carry record %d over: %w", r.seq, err)
	}
	if s.first == 0 {
		s.first = r.seq
	} else if r.seq != s.last+1 {
		s.gaps = append(s.gaps, Range{First: s.last + 1, Last: r.seq - 1})
	}
	s.last = r.seq
	s.kept++
	delete(s.unread, r.seq)
	return nil
}

// rest carries rows of another table over until one cannot be read.
func (s *salvage) rest(ctx context.Context, table string, columns []string) error {
	var failed error
	insert := fmt.Sprintf(`INSERT INTO %s (%s) VALUES (?%s)`, table, strings.Join(columns, ", "), strings.Repeat(", ?", len(columns)-1))
	err := each(ctx, s.old, func(rows *sql.Rows) error {
		values, into := make([]any, len(columns)), make([]any, len(columns))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			return nil
		}
		_, failed = s.tx.ExecContext(ctx, insert, values...)
		return failed
	}, fmt.Sprintf(`SELECT %s FROM %s ORDER BY rowid`, strings.Join(columns, ", "), table))
	if failed != nil {
		return fmt.Errorf("carry %s over: %w", table, failed)
	}
	return unreadable(ctx, err)
}

// finish notes which numbers are lost, how far the outbox is, and tells.
func (s *salvage) finish(ctx context.Context) (*Damage, error) {
	end := s.highest
	if !s.whole {
		// There may have been more.
		end = max(end, s.reserved)
	}
	if !s.sentKnown && s.lowest > 0 {
		// Only what was sent is ever removed from the front.
		s.sent = marks{builds: s.lowest - 1}
	}
	lost := s.gaps
	if from := s.sent.builds + 1; s.kept == 0 {
		lost = []Range{{First: from, Last: end}}
	} else {
		if s.first > from {
			lost = append([]Range{{First: from, Last: s.first - 1}}, lost...)
		}
		lost = append(lost, Range{First: s.last + 1, Last: end})
	}
	d := &Damage{Kept: s.kept, Next: end + 1}
	var noted []Range
	for _, r := range lost {
		if r.First > r.Last {
			continue
		}
		noted = append(noted, r)
		if r.Last > s.sent.builds {
			d.Lost = append(d.Lost, Range{First: max(r.First, s.sent.builds+1), Last: r.Last})
		}
	}
	for _, r := range noted {
		if _, err := s.tx.ExecContext(ctx, `INSERT INTO lost (first, last) VALUES (?, ?)`, int64(r.First), int64(r.Last)); err != nil {
			return nil, fmt.Errorf("note lost numbers: %w", err)
		}
	}
	return d, s.sent.save(ctx, s.tx)
}
