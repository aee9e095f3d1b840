package store

import (
	"bytes"
	"context"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"strings"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

// insertRows is how many builds one statement inserts; binding many rows at
// once saves most of the cost of a call.
const insertRows = 32

const insertColumns = 15

const selectStation = `SELECT ref, site, station, builds, deviations, disputed, awaiting,
	whole_to, whole_hash, highest, broken_at FROM stations `

func scanStation(scan func(...any) error, st *Station) error {
	return scan(&st.Ref, &st.Site, &st.Station, &st.Builds, &st.Deviations, &st.Disputed,
		&st.Awaiting, &st.WholeTo, &st.WholeHash, &st.Highest, &st.BrokenAt)
}

func insertSQL(rows int, shared bool) string {
	row := "(" + strings.Repeat("?,", insertColumns-1) + "?)"
	insert := `INSERT`
	if !shared {
		// SQLite needs no journal of the statement's own then, as it does to
		// abort many rows; on an error the transaction is rolled back anyway.
		insert = `INSERT OR FAIL`
	}
	return insert + ` INTO builds (ref, id, station_ref, sequence, release, serving, drink, started_ms,
		received_ms, grade, disputed, hash, previous_hash, verdict, record) VALUES ` +
		strings.Repeat(row+",", rows-1) + row + ` ON CONFLICT (id) DO NOTHING`
}

// statements are prepared once on the write connection.
type statements struct {
	insertMany, insertOne, stored, station, addStation, saveStation,
	settle, deviation, links, forked, addRelease, release, setAside, dirty, correct, dirtyOf *sql.Stmt
}

func prepareStatements(ctx context.Context, db *sql.DB, shared bool) (*statements, error) {
	s := new(statements)
	for _, p := range []struct {
		stmt  **sql.Stmt
		query string
	}{
		{&s.insertMany, insertSQL(insertRows, shared)},
		{&s.insertOne, insertSQL(1, shared)},
		{&s.stored, `SELECT ref, hash FROM builds WHERE id = ?`},
		{&s.station, selectStation + `WHERE site = ? AND station = ?`},
		{&s.addStation, `INSERT INTO stations (site, station) VALUES (?, ?)`},
		{&s.saveStation, `UPDATE stations SET builds = ?, deviations = ?, disputed = ?, awaiting = ?,
			whole_to = ?, whole_hash = ?, highest = ?, broken_at = ? WHERE ref = ?`},
		{&s.settle, `UPDATE builds SET grade = ?, disputed = ?, verdict = ? WHERE ref = ? AND grade = 0`},
		{&s.deviation, `INSERT INTO deviations (build_ref, site, drink, received_ms) VALUES (?, ?, ?, ?)`},
		{&s.links, `SELECT sequence, hash, previous_hash FROM builds
			WHERE station_ref = ? AND sequence > ? ORDER BY sequence, ref LIMIT ?`},
		{&s.forked, `SELECT sequence FROM builds WHERE station_ref = ? AND sequence BETWEEN ? AND ?
			GROUP BY sequence HAVING count(*) > 1 ORDER BY sequence LIMIT 1`},
		{&s.addRelease, `INSERT INTO releases (number, scope, digest, envelope, received_ms)
			VALUES (?, ?, ?, ?, ?) ON CONFLICT (number) DO NOTHING`},
		{&s.release, `SELECT digest FROM releases WHERE number = ?`},
		{&s.setAside, `INSERT INTO quarantine (digest, subject, reason, detail, received_ms, size, bytes)
			VALUES (?, ?, ?, ?, ?, ?, ?) ON CONFLICT (digest) DO NOTHING`},
		{&s.dirty, `INSERT INTO rollup_dirty (station_ref, hour) VALUES (?, ?) ON CONFLICT DO NOTHING`},
		{&s.correct, `INSERT INTO corrections (original_id, station_ref, correction_ref, sequence)
			VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING`},
		{&s.dirtyOf, `SELECT started_ms FROM builds WHERE id = ? AND station_ref = ? UNION ALL
			SELECT b.started_ms FROM corrections c JOIN builds b ON b.ref = c.correction_ref
			WHERE c.original_id = ? AND c.station_ref = ?`},
	} {
		var err error
		if *p.stmt, err = db.PrepareContext(ctx, p.query); err != nil {
			return nil, errors.Join(fmt.Errorf("prepare %q: %w", p.query, err), s.close())
		}
	}
	return s, nil
}

func (s *statements) close() error {
	if s == nil {
		return nil
	}
	var errs []error
	for _, stmt := range []*sql.Stmt{s.insertMany, s.insertOne, s.stored, s.station, s.addStation,
		s.saveStation, s.settle, s.deviation, s.links, s.forked, s.addRelease, s.release, s.setAside, s.dirty, s.correct, s.dirtyOf} {
		if stmt != nil {
			errs = append(errs, stmt.Close())
		}
	}
	return errors.Join(errs...)
}

type storeTx struct {
	ctx      context.Context
	tx       *sql.Tx
	stmts    *statements
	nextRef  int64
	keptSize int64
	args     []any
}

// on binds a prepared statement to the transaction.
func (t *storeTx) on(s *sql.Stmt) *sql.Stmt { return t.tx.StmtContext(t.ctx, s) }

func (t *storeTx) Station(site, station string) (*Station, error) {
	st := new(Station)
	read := t.on(t.stmts.station)
	err := scanStation(read.QueryRowContext(t.ctx, site, station).Scan, st)
	if errors.Is(err, sql.ErrNoRows) {
		if _, err := t.on(t.stmts.addStation).ExecContext(t.ctx, site, station); err != nil {
			return nil, fmt.Errorf("add station %s/%s: %w", site, station, err)
		}
		err = scanStation(read.QueryRowContext(t.ctx, site, station).Scan, st)
	}
	if err != nil {
		return nil, fmt.Errorf("read station %s/%s: %w", site, station, err)
	}
	return st, nil
}

func (t *storeTx) SaveStation(st *Station) error {
	_, err := t.on(t.stmts.saveStation).ExecContext(t.ctx, int64(st.Builds), int64(st.Deviations),
		int64(st.Disputed), int64(st.Awaiting), int64(st.WholeTo), blob(st.WholeHash),
		int64(st.Highest), int64(st.BrokenAt), st.Ref)
	if err != nil {
		return fmt.Errorf("save station %s/%s: %w", st.Site, st.Station, err)
	}
	return nil
}

func (t *storeTx) InsertBuilds(builds []*Build) error {
	many, one := t.on(t.stmts.insertMany), t.on(t.stmts.insertOne)
	for len(builds) >= insertRows {
		if err := t.insert(many, builds[:insertRows]); err != nil {
			return err
		}
		builds = builds[insertRows:]
	}
	for i := range builds {
		if err := t.insert(one, builds[i:i+1]); err != nil {
			return err
		}
	}
	return nil
}

// insert gives every build a row number of its own beforehand; only where
// fewer rows went in than were given is it worth asking which.
func (t *storeTx) insert(stmt *sql.Stmt, builds []*Build) error {
	t.args = t.args[:0]
	for _, b := range builds {
		b.Ref, b.Duplicate, b.Conflict = t.nextRef, false, false
		t.nextRef++
		t.args = append(t.args, b.Ref, b.ID, b.StationRef, int64(b.Sequence), int64(b.Release), b.Serving,
			b.Drink, b.Started.UnixMilli(), b.Received.UnixMilli(), int64(b.Grade), b.Disputed,
			blob(b.Hash), blob(b.PreviousHash), b.Verdict, blob(b.Record))
	}
	res, err := stmt.ExecContext(t.ctx, t.args...)
	if err != nil {
		return fmt.Errorf("insert %d builds from %q on: %w", len(builds), builds[0].ID, err)
	}
	n, err := res.RowsAffected()
	if err != nil {
		return fmt.Errorf("count inserted builds: %w", err)
	}
	if n == int64(len(builds)) {
		return nil
	}
	return t.markDuplicates(builds)
}

func (t *storeTx) markDuplicates(builds []*Build) error {
	stored := t.on(t.stmts.stored)
	for _, b := range builds {
		var ref int64
		var hash []byte
		if err := stored.QueryRowContext(t.ctx, b.ID).Scan(&ref, &hash); err != nil {
			return fmt.Errorf("look up build %q: %w", b.ID, err)
		}
		if ref == b.Ref {
			continue
		}
		b.Ref, b.Duplicate, b.Conflict = ref, true, !bytes.Equal(hash, b.Hash)
	}
	return nil
}

func (t *storeTx) Settle(b *Build) (bool, error) {
	res, err := t.on(t.stmts.settle).ExecContext(t.ctx, int64(b.Grade), b.Disputed, b.Verdict, b.Ref)
	if err != nil {
		return false, fmt.Errorf("settle build %q: %w", b.ID, err)
	}
	n, err := res.RowsAffected()
	if err != nil {
		return false, fmt.Errorf("settle build %q: %w", b.ID, err)
	}
	if n != 1 {
		return false, nil
	}
	if err := t.settledStops(b); err != nil {
		return false, err
	}
	return true, t.markDirty(b.StationRef, b.Started)
}

// markDirty has the roll-ups of a station's hour computed anew.
func (t *storeTx) markDirty(station int64, at time.Time) error {
	if _, err := t.on(t.stmts.dirty).ExecContext(t.ctx, station, rollup.HourOf(at)); err != nil {
		return fmt.Errorf("mark an hour of station %d: %w", station, err)
	}
	return nil
}

func (t *storeTx) Correct(b *Build, originalID string) error {
	if originalID == b.ID {
		return fmt.Errorf("build %q corrects itself; name the build that it replaces", b.ID)
	}
	_, err := t.on(t.stmts.correct).ExecContext(t.ctx, originalID, b.StationRef, b.Ref, int64(b.Sequence))
	if err != nil {
		return fmt.Errorf("note that build %q corrects %q: %w", b.ID, originalID, err)
	}
	rows, err := t.on(t.stmts.dirtyOf).QueryContext(t.ctx, originalID, b.StationRef, originalID, b.StationRef)
	if err != nil {
		return fmt.Errorf("find what build %q corrects: %w", b.ID, err)
	}
	hours, err := collect(rows, "corrected builds", func(ms *int64) error { return rows.Scan(ms) })
	if err != nil {
		return err
	}
	for _, ms := range hours {
		if err := t.markDirty(b.StationRef, time.UnixMilli(ms)); err != nil {
			return err
		}
	}
	return nil
}

func (t *storeTx) AddDeviations(builds []*Build) error {
	stmt := t.on(t.stmts.deviation)
	for _, b := range builds {
		if _, err := stmt.ExecContext(t.ctx, b.Ref, b.Site, b.Drink, b.Received.UnixMilli()); err != nil {
			return fmt.Errorf("add the deviation of build %q: %w", b.ID, err)
		}
	}
	return nil
}

func (t *storeTx) Links(stationRef int64, after uint64, limit int) ([]Link, error) {
	rows, err := t.on(t.stmts.links).QueryContext(t.ctx, stationRef, int64(min(after, MaxNumber)), limit)
	if err != nil {
		return nil, fmt.Errorf("read the chain after %d: %w", after, err)
	}
	return collect(rows, "the chain", func(l *Link) error {
		return rows.Scan(&l.Sequence, &l.Hash, &l.PreviousHash)
	})
}

func (t *storeTx) Forked(stationRef int64, from, to uint64) (uint64, error) {
	var seq uint64
	err := t.on(t.stmts.forked).QueryRowContext(t.ctx, stationRef, int64(from), int64(to)).Scan(&seq)
	if errors.Is(err, sql.ErrNoRows) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("look for a fork from %d to %d: %w", from, to, err)
	}
	return seq, nil
}

func (t *storeTx) InsertRelease(r Release) ([]byte, error) {
	_, err := t.on(t.stmts.addRelease).ExecContext(t.ctx, int64(r.Number), r.Scope, blob(r.Digest),
		blob(r.Envelope), r.Received.UnixMilli())
	if err != nil {
		return nil, fmt.Errorf("insert release %d: %w", r.Number, err)
	}
	var digest []byte
	if err := t.on(t.stmts.release).QueryRowContext(t.ctx, int64(r.Number)).Scan(&digest); err != nil {
		return nil, fmt.Errorf("read back release %d: %w", r.Number, err)
	}
	return digest, nil
}

func (t *storeTx) SetAside(list []Quarantine) error {
	if len(list) == 0 {
		return nil
	}
	stmt := t.on(t.stmts.setAside)
	for _, q := range list {
		keep := q.Bytes[:min(len(q.Bytes), MaxQuarantineBytes)]
		if t.keptSize+int64(len(keep)) > MaxQuarantineTotal {
			keep = nil
		}
		res, err := stmt.ExecContext(t.ctx, quarantineDigest(q), q.Subject, q.Reason, q.Detail,
			q.Received.UnixMilli(), len(q.Bytes), blob(keep))
		if err != nil {
			return fmt.Errorf("set aside a message of %s: %w", q.Subject, err)
		}
		if n, err := res.RowsAffected(); err == nil && n == 1 {
			t.keptSize += int64(len(keep))
		}
	}
	return nil
}

func quarantineDigest(q Quarantine) []byte {
	h := sha256.New()
	h.Write([]byte(q.Subject))
	h.Write([]byte{0})
	h.Write(q.Bytes)
	return h.Sum(nil)
}

// blob binds nil as an empty blob, since NULL is refused by the column.
func blob(b []byte) []byte {
	if b == nil {
		return []byte{}
	}
	return b
}
