package bar

import (
	"context"
	"database/sql"
	"embed"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/sampling"
	"samecup.example/samecup/internal/sqlitedb"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

//go:embed migrations/*.sql
var migrations embed.FS

// databaseFile stands beside the agent's own.
const databaseFile = "bar.db"

// Keys of the table state.
const (
	keyOpen     = "open"     // openState
	keyFollowed = "followed" // uint64: the log was read up to this sequence
	keyPerson   = "person"   // atBar
	keyAck      = "news"     // acknowledged
	keySecret   = "secret"   // 32 bytes that hide the sampling times
	keySampling = "sampling" // samplingState
	keyDialIn   = "dial-in"  // routineState
	keyRelease  = "release"  // uint64: the release last seen in force
	keyGrinder  = "grinder/" // dialin.Record, by grinder and start event
)

// store is the bar's own database. Its callers hold the bar's lock, so that
// there is one writer.
type store struct{ db *sqlitedb.DB }

// setAside puts a database away that does not hold what was written to it, and
// says where.
func setAside(dir string, now time.Time) (string, error) {
	path := filepath.Join(dir, databaseFile)
	aside := path + ".damaged-" + now.UTC().Format("20060102T150405Z")
	err := os.Rename(path, aside)
	for _, tail := range []string{"-wal", "-shm"} {
		if e := os.Remove(path + tail); e != nil && !errors.Is(e, fs.ErrNotExist) {
			err = errors.Join(err, e)
		}
	}
	if err = errors.Join(err, durable.SyncDir(dir)); err != nil {
		return "", fmt.Errorf("set the bar's damaged database aside: %w", err)
	}
	return aside, nil
}

func openStore(ctx context.Context, dir string) (*store, error) {
	sub, err := fs.Sub(migrations, "migrations")
	if err != nil {
		return nil, fmt.Errorf("read the bar's migrations: %w", err)
	}
	db, err := sqlitedb.Open(ctx, filepath.Join(dir, databaseFile), sub, sqlitedb.Small())
	if err != nil {
		return nil, fmt.Errorf("open the bar's database: %w", err)
	}
	return &store{db: db}, nil
}

// tx is one change of the database, all of it or nothing.
type tx struct {
	ctx context.Context
	*sql.Tx
}

// change runs f in a transaction, which is on disk when it returns nil.
func (s *store) change(ctx context.Context, f func(tx) error) (err error) {
	t, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	defer func() {
		if err != nil {
			_ = t.Rollback()
		}
	}()
	if err := f(tx{ctx, t}); err != nil {
		return err
	}
	return t.Commit()
}

func (t tx) exec(query string, args ...any) error {
	_, err := t.ExecContext(t.ctx, query, args...)
	return err
}

// put writes a document; nil takes it away.
func (t tx) put(key string, v any) error {
	if v == nil {
		return t.exec(`DELETE FROM state WHERE key = ?`, key)
	}
	raw, err := json.Marshal(v)
	if err != nil {
		return fmt.Errorf("write %s: %w", key, err)
	}
	return t.exec(`INSERT INTO state (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value`, key, raw)
}

// get reads a document into v and tells whether it was there.
func (s *store) get(ctx context.Context, key string, v any) (bool, error) {
	var raw []byte
	err := s.db.Read.QueryRowContext(ctx, `SELECT value FROM state WHERE key = ?`, key).Scan(&raw)
	if errors.Is(err, sql.ErrNoRows) {
		return false, nil
	}
	if err == nil {
		err = json.Unmarshal(raw, v)
	}
	if err != nil {
		return false, fmt.Errorf("read %s: %w", key, err)
	}
	return true, nil
}

// mark keeps something for the day's view; args are what the words are made of.
func (t tx) mark(at time.Time, day, kind, words string, args ...string) error {
	if args == nil {
		args = []string{}
	}
	raw, err := json.Marshal(args)
	if err != nil {
		return fmt.Errorf("write a mark: %w", err)
	}
	return t.exec(`INSERT INTO marks (at_ms, day, kind, words, args) VALUES (?, ?, ?, ?, ?)`, at.UnixMilli(), day, kind, words, string(raw))
}

// made is one build as the log has it.
type made struct {
	record      *pb.BuildRecord
	correctedBy string
}

const selectMade = `SELECT record, corrected_by FROM made `

func scanMade(rows *sql.Rows) (*made, error) {
	var raw []byte
	m := &made{record: new(pb.BuildRecord)}
	if err := rows.Scan(&raw, &m.correctedBy); err != nil {
		return nil, err
	}
	return m, proto.Unmarshal(raw, m.record)
}

// made finds a build; nil when it is not, or no longer, known.
func (s *store) made(ctx context.Context, id string) (*made, error) {
	return first(query(ctx, s.db.Read, scanMade, selectMade+`WHERE id = ?`, id))
}

// lastMade is the build logged last; nil for none.
func (s *store) lastMade(ctx context.Context) (*made, error) {
	return first(query(ctx, s.db.Read, scanMade, selectMade+`ORDER BY seq DESC LIMIT 1`))
}

func first[T any](list []*T, err error) (*T, error) {
	if err != nil || len(list) == 0 {
		return nil, err
	}
	return list[0], nil
}

// eachMadeOn goes through the builds of a business day, corrected ones too. What
// it gives is only good until f returns.
func (s *store) eachMadeOn(ctx context.Context, day string, f func(*made)) (err error) {
	rows, err := s.db.Read.QueryContext(ctx, selectMade+`WHERE day = ? ORDER BY seq`, day)
	if err != nil {
		return fmt.Errorf("read the bar's database: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	m := &made{record: new(pb.BuildRecord)}
	var raw sql.RawBytes
	for rows.Next() {
		if err := errors.Join(rows.Scan(&raw, &m.correctedBy), proto.Unmarshal(raw, m.record)); err != nil {
			return fmt.Errorf("read the bar's database: %w", err)
		}
		f(m)
	}
	return rows.Err()
}

// counts tells how often each serving was made since a day.
func (s *store) counts(ctx context.Context, since string) (map[string]int, error) {
	out := map[string]int{}
	_, err := query(ctx, s.db.Read, func(rows *sql.Rows) (struct{}, error) {
		var serving string
		var n int
		err := rows.Scan(&serving, &n)
		out[serving] = n
		return struct{}{}, err
	}, `SELECT serving, count(*) FROM made WHERE day >= ? AND corrects = '' GROUP BY serving`, since)
	return out, err
}

func (t tx) addMade(r *pb.BuildRecord, day string) error {
	raw, err := proto.Marshal(r)
	if err != nil {
		return fmt.Errorf("write record %d: %w", r.GetSequence(), err)
	}
	b := r.GetBuild()
	if b.GetCorrects() != "" {
		if err := t.exec(`UPDATE made SET corrected_by = ? WHERE id = ?`, b.GetId(), b.GetCorrects()); err != nil {
			return err
		}
	}
	return t.exec(`INSERT INTO made (id, seq, at_ms, day, serving, corrects, record) VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
		b.GetId(), int64(r.GetSequence()), r.GetLoggedTime().AsTime().UnixMilli(), day, b.GetServing(), b.GetCorrects(), raw)
}

func (s *store) marksOn(ctx context.Context, day string) ([]Mark, error) {
	return query(ctx, s.db.Read, func(rows *sql.Rows) (Mark, error) {
		var m Mark
		var ms int64
		var args []byte
		err := rows.Scan(&ms, &m.Kind, &m.Words, &args)
		m.At = time.UnixMilli(ms)
		if err == nil {
			err = json.Unmarshal(args, &m.Args)
		}
		return m, err
	}, `SELECT at_ms, kind, words, args FROM marks WHERE day = ? ORDER BY id`, day)
}

func (t tx) addOutcome(o sampling.Outcome, day string) error {
	raw, err := json.Marshal(o)
	if err != nil {
		return err
	}
	return t.exec(`INSERT INTO outcomes (prompt, day, outcome) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`, o.Prompt, day, raw)
}

func (s *store) outcomesOn(ctx context.Context, day string) ([]sampling.Outcome, error) {
	return query(ctx, s.db.Read, func(rows *sql.Rows) (sampling.Outcome, error) {
		var raw []byte
		var o sampling.Outcome
		if err := rows.Scan(&raw); err != nil {
			return o, err
		}
		return o, json.Unmarshal(raw, &o)
	}, `SELECT outcome FROM outcomes WHERE day = ? ORDER BY rowid`, day)
}

func (s *store) people(ctx context.Context) ([]Person, error) {
	return query(ctx, s.db.Read, func(rows *sql.Rows) (Person, error) {
		var p Person
		var ms int64
		err := rows.Scan(&p.Pseudonym, &ms)
		p.LastSeen = time.UnixMilli(ms)
		return p, err
	}, `SELECT pseudonym, seen_ms FROM people ORDER BY seen_ms DESC, pseudonym`)
}

// prune drops what is older than its time. Days are business days.
func (t tx) prune(oldestDay string, oldestPerson time.Time) error {
	return errors.Join(
		t.exec(`DELETE FROM made WHERE day < ?`, oldestDay),
		t.exec(`DELETE FROM marks WHERE day < ?`, oldestDay),
		t.exec(`DELETE FROM outcomes WHERE day < ?`, oldestDay),
		t.exec(`DELETE FROM tastings WHERE day < ?`, oldestDay),
		t.exec(`DELETE FROM people WHERE seen_ms < ?`, oldestPerson.UnixMilli()),
	)
}

// query reads rows one by one.
func query[T any](ctx context.Context, db *sql.DB, scan func(*sql.Rows) (T, error), text string, args ...any) (out []T, err error) {
	rows, err := db.QueryContext(ctx, text, args...)
	if err != nil {
		return nil, fmt.Errorf("read the bar's database: %w", err)
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		v, err := scan(rows)
		if err != nil {
			return nil, fmt.Errorf("read the bar's database: %w", err)
		}
		out = append(out, v)
	}
	return out, rows.Err()
}
