package store

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"time"
)

var (
	// ErrStale is returned where the cases changed since they were loaded.
	ErrStale = errors.New("the cases changed meanwhile")
	// ErrRequestReused is returned where a request id stands for another request.
	ErrRequestReused = errors.New("the request id stands for another request")
)

// Casework keeps the state of the watch and its cases.
type Casework interface {
	// LoadCasework reads the whole state as last saved.
	LoadCasework(ctx context.Context) (*CaseState, error)
	// SaveCasework saves what changed in one transaction and moves the version;
	// ErrStale where it is not the one that the change was made on.
	SaveCasework(ctx context.Context, change *CaseChange) (version int64, err error)
	// CaseVersion is the version of the state saved last.
	CaseVersion(ctx context.Context) (int64, error)
	// BuildsAfter lists builds, judged or not, in the order of Ref, after the
	// Ref given, at most limit.
	BuildsAfter(ctx context.Context, after int64, limit int) ([]WatchBuild, error)
	// UnsafeAfter is the highest Ref of a build after the one given that was found
	// unsafe, 0 for none, and the highest of any, 0 for none.
	UnsafeAfter(ctx context.Context, after int64) (unsafe, newest int64, err error)
	// JudgedLater lists builds that the cursor has passed unjudged and that were
	// judged since, in the order of Ref, at most limit.
	JudgedLater(ctx context.Context, limit int) ([]WatchBuild, error)
	// WaitingBuilds is at most how many builds are stored that the saved state
	// does not know, exactly 0 where it knows all. Those that await their release
	// are not among them once the cursor has passed them.
	WaitingBuilds(ctx context.Context) (int64, error)
	// Calendars lists the calendars told by SetCalendar.
	Calendars(ctx context.Context) ([]SiteCalendar, error)

	// ActOnCase lets fn change one case in a transaction. The same request id
	// with the same digest returns the first response without calling fn, for
	// 30 days of act.At.
	ActOnCase(ctx context.Context, act CaseAct, fn func(head, body []byte) (CaseRow, []byte, error)) ([]byte, error)
	// ListCases lists cases by rank.
	ListCases(ctx context.Context, q CaseQuery) ([]CaseRow, error)
	// Case returns one case, or ErrNotFound.
	Case(ctx context.Context, id string) (*CaseRow, error)
	// Signals lists signals, newest first, with their evidence.
	Signals(ctx context.Context, q SignalQuery) ([]SignalRow, error)
	// EvidenceOf returns the build ids behind a signal, newest first.
	EvidenceOf(ctx context.Context, signalID string) ([]string, error)
}

var _ Casework = (*SQL)(nil)

// CaseState is all that the watch needs to go on.
type CaseState struct {
	Cursor, Version int64
	// Head is what the cases hold beside the single cases.
	Head  []byte
	Parts map[string][]byte
	Cases []CaseRow
}

// CaseChange is what is saved at once.
type CaseChange struct {
	// Version that the change was made on.
	Version int64
	Cursor  int64
	Head    []byte
	// Parts to write; those with a nil body are dropped.
	Parts map[string][]byte
	Cases []CaseRow
	// Forgotten cases by id.
	Forgotten []string
	Signals   []SignalRow
	// Judged are refs taken from JudgedLater, Unjudged those that the cursor
	// passes because they have no verdict yet.
	Judged, Unjudged []int64
}

// CaseRow is one case. Body is JSON.
type CaseRow struct {
	ID, Rank string
	Open     bool
	Sites    []string
	Body     []byte
}

// CaseAct names an act on a case.
type CaseAct struct {
	RequestID string
	Digest    []byte
	CaseID    string
	At        time.Time
}

// CaseQuery selects cases.
type CaseQuery struct {
	// AfterRank of the last one seen.
	AfterRank string
	Limit     int
	OpenOnly  bool
	Site      string
}

// SignalRow is one signal. Body is JSON.
type SignalRow struct {
	Seq                    int64
	ID, CaseID, Kind, Site string
	Seen                   time.Time
	Body                   []byte
	// Builds are refs to save, BuildIDs what was read.
	Builds   []int64
	BuildIDs []string
}

// SignalQuery selects signals.
type SignalQuery struct {
	// Before is the Seq of the last one seen; 0 for the newest.
	Before             int64
	Limit              int
	Site, Kind, CaseID string
}

// SiteCalendar is a site's own calendar.
type SiteCalendar struct {
	Site, TimeZone string
	DayStart       int
}

// LoadCasework implements [Casework].
func (s *SQL) LoadCasework(ctx context.Context) (*CaseState, error) {
	// One read transaction, so that all of it is of one moment.
	tx, err := s.db.Read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return nil, fmt.Errorf("begin reading the watch's state: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	st := &CaseState{Parts: map[string][]byte{}}
	if err := tx.QueryRowContext(ctx, `SELECT cursor, version, head FROM case_state`).Scan(&st.Cursor, &st.Version, &st.Head); err != nil {
		return nil, fmt.Errorf("read the watch's cursor: %w", err)
	}
	rows, err := tx.QueryContext(ctx, `SELECT name, body FROM case_parts`)
	if err != nil {
		return nil, fmt.Errorf("read the watch's state: %w", err)
	}
	if _, err = collect(rows, "the watch's state", func(*struct{}) error {
		var name string
		var body []byte
		err := rows.Scan(&name, &body)
		st.Parts[name] = body
		return err
	}); err != nil {
		return nil, err
	}
	if rows, err = tx.QueryContext(ctx, `SELECT id, rank, open, body FROM cases ORDER BY id`); err != nil {
		return nil, fmt.Errorf("read the cases: %w", err)
	}
	st.Cases, err = collect(rows, "cases", func(c *CaseRow) error { return rows.Scan(&c.ID, &c.Rank, &c.Open, &c.Body) })
	return st, err
}

// CaseVersion implements [Casework].
func (s *SQL) CaseVersion(ctx context.Context) (v int64, err error) {
	if err = s.db.Read.QueryRowContext(ctx, `SELECT version FROM case_state`).Scan(&v); err != nil {
		return 0, fmt.Errorf("read the cases' version: %w", err)
	}
	return v, nil
}

// Calendars implements [Casework].
func (s *SQL) Calendars(ctx context.Context) ([]SiteCalendar, error) {
	rows, err := s.db.Read.QueryContext(ctx, `SELECT site, time_zone, day_start FROM rollup_sites`)
	if err != nil {
		return nil, fmt.Errorf("list the sites' calendars: %w", err)
	}
	return collect(rows, "calendars", func(c *SiteCalendar) error { return rows.Scan(&c.Site, &c.TimeZone, &c.DayStart) })
}

// caseTx is a transaction of the one writer.
type caseTx struct {
	ctx context.Context
	tx  *sql.Tx
}

func (s *SQL) caseTx(ctx context.Context, fn func(*caseTx) error) error {
	tx, err := s.db.Write.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin saving cases: %w", err)
	}
	if err := fn(&caseTx{ctx, tx}); err != nil {
		if rerr := tx.Rollback(); rerr != nil && !errors.Is(rerr, sql.ErrTxDone) {
			err = errors.Join(err, fmt.Errorf("roll back: %w", rerr))
		}
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit the cases: %w", err)
	}
	return nil
}

func (t *caseTx) exec(what, query string, args ...any) error {
	if _, err := t.tx.ExecContext(t.ctx, query, args...); err != nil {
		return fmt.Errorf("%s: %w", what, err)
	}
	return nil
}

// SaveCasework implements [Casework].
func (s *SQL) SaveCasework(ctx context.Context, c *CaseChange) (int64, error) {
	err := s.caseTx(ctx, func(t *caseTx) error {
		res, err := t.tx.ExecContext(ctx, `UPDATE case_state SET cursor = ?, version = version + 1, head = ? WHERE version = ?`,
			c.Cursor, blob(c.Head), c.Version)
		if err != nil {
			return fmt.Errorf("move the watch's cursor: %w", err)
		}
		if n, err := res.RowsAffected(); err != nil || n != 1 {
			return errors.Join(ErrStale, err)
		}
		for name, body := range c.Parts {
			if body == nil {
				err = t.exec("drop a part of the watch", `DELETE FROM case_parts WHERE name = ?`, name)
			} else {
				err = t.exec("save a part of the watch", `INSERT INTO case_parts (name, body) VALUES (?, ?)
					ON CONFLICT (name) DO UPDATE SET body = excluded.body`, name, body)
			}
			if err != nil {
				return err
			}
		}
		for i := range c.Cases {
			if err := t.putCase(&c.Cases[i]); err != nil {
				return err
			}
		}
		for _, id := range c.Forgotten {
			if err := errors.Join(t.exec("forget case "+id, `DELETE FROM cases WHERE id = ?`, id),
				t.exec("forget case "+id, `DELETE FROM case_sites WHERE case_id = ?`, id)); err != nil {
				return err
			}
		}
		for i := range c.Signals {
			if err := t.addSignal(&c.Signals[i]); err != nil {
				return err
			}
		}
		for _, ref := range c.Judged {
			if err := t.exec("take a build judged later", `DELETE FROM case_judged WHERE ref = ?`, ref); err != nil {
				return err
			}
		}
		// One that was judged since it was read, and before the cursor passed it,
		// did not ring the trigger.
		for _, ref := range c.Unjudged {
			if err := t.exec("pass an unjudged build", `INSERT INTO case_judged (ref)
				SELECT ref FROM builds WHERE ref = ? AND grade <> 0 ON CONFLICT DO NOTHING`, ref); err != nil {
				return err
			}
		}
		return nil
	})
	return c.Version + 1, err
}

func (t *caseTx) putCase(c *CaseRow) error {
	if err := t.exec("save case "+c.ID, `INSERT INTO cases (id, rank, open, body) VALUES (?, ?, ?, ?)
		ON CONFLICT (id) DO UPDATE SET rank = excluded.rank, open = excluded.open, body = excluded.body`,
		c.ID, c.Rank, c.Open, c.Body); err != nil {
		return err
	}
	for _, site := range c.Sites {
		if err := t.exec("save the sites of case "+c.ID, `INSERT INTO case_sites (case_id, site) VALUES (?, ?) ON CONFLICT DO NOTHING`, c.ID, site); err != nil {
			return err
		}
	}
	return nil
}

func (t *caseTx) addSignal(g *SignalRow) error {
	res, err := t.tx.ExecContext(t.ctx, `INSERT INTO case_signals (id, case_id, kind, site, seen_ms, body) VALUES (?, ?, ?, ?, ?, ?)
		ON CONFLICT (id) DO NOTHING`, g.ID, g.CaseID, g.Kind, g.Site, g.Seen.UnixMilli(), g.Body)
	if err != nil {
		return fmt.Errorf("save signal %s: %w", g.ID, err)
	}
	if n, err := res.RowsAffected(); err != nil {
		return fmt.Errorf("save signal %s: %w", g.ID, err)
	} else if n == 0 && len(g.Builds) == 0 {
		return nil
	}
	for _, ref := range g.Builds {
		if err := t.exec("save the evidence of "+g.ID, `INSERT INTO case_evidence (signal_seq, build_ref)
			SELECT seq, CAST(? AS BIGINT) FROM case_signals WHERE id = ? ON CONFLICT DO NOTHING`, ref, g.ID); err != nil {
			return err
		}
	}
	return nil
}

// answersKept is how long a call repeated gets its first answer; nobody repeats
// one for so long.
const answersKept = 30 * 24 * time.Hour

// ActOnCase implements [Casework].
func (s *SQL) ActOnCase(ctx context.Context, act CaseAct, fn func(head, body []byte) (CaseRow, []byte, error)) (response []byte, err error) {
	err = s.caseTx(ctx, func(t *caseTx) error {
		var digest []byte
		err := t.tx.QueryRowContext(ctx, `SELECT digest, response FROM case_requests WHERE id = ?`, act.RequestID).Scan(&digest, &response)
		switch {
		case err == nil && bytes.Equal(digest, act.Digest):
			return nil
		case err == nil:
			return fmt.Errorf("request %s: %w", act.RequestID, ErrRequestReused)
		case !errors.Is(err, sql.ErrNoRows):
			return fmt.Errorf("look up request %s: %w", act.RequestID, err)
		}
		var head, body []byte
		err = t.tx.QueryRowContext(ctx, `SELECT s.head, c.body FROM case_state s, cases c WHERE c.id = ?`, act.CaseID).Scan(&head, &body)
		if errors.Is(err, sql.ErrNoRows) {
			return fmt.Errorf("case %q: %w", act.CaseID, ErrNotFound)
		}
		if err != nil {
			return fmt.Errorf("read case %q: %w", act.CaseID, err)
		}
		row, out, err := fn(head, body)
		if err != nil {
			return err
		}
		response = out
		if err := t.putCase(&row); err != nil {
			return err
		}
		return errors.Join(t.exec("move the cases' version", `UPDATE case_state SET version = version + 1`),
			t.exec("keep the answer", `INSERT INTO case_requests (id, digest, response, done_ms) VALUES (?, ?, ?, ?)`,
				act.RequestID, act.Digest, blob(out), act.At.UnixMilli()),
			t.exec("forget old answers", `DELETE FROM case_requests WHERE done_ms < ?`, act.At.Add(-answersKept).UnixMilli()))
	})
	return response, err
}
