package consolebench

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"time"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/services/quality/rollup"
)

// The year, made straight in quality's tables, since a year of builds of such a
// chain is 146 million. Of its roll-ups, what pages read at full scale:
//
//	chain  each serving and all: days and months with details
//	site   all servings: days of the year, months; each serving: the last
//	       recentDays; of the first detailSites by name with details
//
// The stations with builds of their own have their roll-ups from these. Cases
// are those that the watch opened, copied to other sites.
const (
	recentDays, detailSites = 60, 12
	casesCopied             = 80
	// readings of a check: one build in five is measured.
	chainReadings, siteReadings = 3000, 6
	pools                       = 6
)

// yearWriter writes cells of roll-ups.
type yearWriter struct {
	tx     *sql.Tx
	rng    *rand.Rand
	counts *sql.Stmt
	detail *sql.Stmt
	// pool holds details by serving and number of readings: making one costs
	// more than writing it.
	pool map[string][][]byte
	book *drink.Book
}

func (c *centre) fillYear(ctx context.Context) (err error) {
	at := url.URL{Scheme: "file", Path: c.qualityDB(), RawQuery: "_pragma=synchronous(0)&_pragma=busy_timeout(10000)"}
	db, err := sql.Open("sqlite", at.String())
	if err != nil {
		return fmt.Errorf("open the quality database: %w", err)
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("begin the year: %w", err)
	}
	defer func() {
		if err != nil {
			_ = tx.Rollback()
		}
	}()
	refs, err := c.fleetRows(ctx, tx)
	if err != nil {
		return err
	}
	w := &yearWriter{tx: tx, rng: rand.New(rand.NewPCG(2026, 1)), pool: map[string][][]byte{}, book: c.book} // #nosec G404 -- invented figures
	// The stations with builds keep what these came to.
	if w.counts, err = tx.PrepareContext(ctx, `INSERT INTO rollup_counts VALUES (?,?,?,?,?,?,?,0,0,0,0) ON CONFLICT DO `+
		`UPDATE SET builds = builds + excluded.builds, in_spec = in_spec + excluded.in_spec, off_spec = off_spec + excluded.off_spec`); err != nil {
		return fmt.Errorf("prepare the counts: %w", err)
	}
	if w.detail, err = tx.PrepareContext(ctx, `INSERT OR REPLACE INTO rollup_details VALUES (?,?,?,?,?)`); err != nil {
		return fmt.Errorf("prepare the details: %w", err)
	}
	if err := w.year(ctx, refs, c.now, c.o.Days); err != nil {
		return err
	}
	if err := copyCases(ctx, tx, c.sites()); err != nil {
		return err
	}
	if err := tx.Commit(); err != nil {
		return fmt.Errorf("commit the year: %w", err)
	}
	if _, err := db.ExecContext(ctx, `ANALYZE`); err != nil {
		return fmt.Errorf("count the year: %w", err)
	}
	return nil
}

// fleetRows tells quality of every station and site; refs are those of sites.
func (c *centre) fleetRows(ctx context.Context, tx *sql.Tx) (refs []int64, err error) {
	for i := range c.sites() {
		for k := range 2 {
			if _, err := tx.ExecContext(ctx, `INSERT INTO stations (site, station, builds, deviations, whole_to, highest) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT DO NOTHING`,
				siteID(i), stationID(k), buildsADay*c.o.Days, buildsADay*c.o.Days/25, buildsADay*c.o.Days, buildsADay*c.o.Days); err != nil {
				return nil, fmt.Errorf("add a station: %w", err)
			}
		}
		if _, err := tx.ExecContext(ctx, `INSERT INTO rollup_sites (site, time_zone, day_start) VALUES (?, 'Europe/London', 3) ON CONFLICT DO NOTHING`, siteID(i)); err != nil {
			return nil, fmt.Errorf("add a site: %w", err)
		}
		var ref int64
		if err := tx.QueryRowContext(ctx, `SELECT ref FROM rollup_sites WHERE site = ?`, siteID(i)).Scan(&ref); err != nil {
			return nil, fmt.Errorf("find a site: %w", err)
		}
		refs = append(refs, ref)
	}
	for _, s := range c.book.Servings() {
		if _, err := tx.ExecContext(ctx, `INSERT INTO rollup_servings VALUES (?) ON CONFLICT DO NOTHING`, s.ID); err != nil {
			return nil, fmt.Errorf("add a serving: %w", err)
		}
	}
	return refs, nil
}

func (w *yearWriter) year(ctx context.Context, sites []int64, now time.Time, days int) error {
	last := rollup.DayNumber(now)
	first, recent := last-int64(days)+1, last-recentDays+1
	servings := w.book.Servings()
	perDay := 2 * buildsADay
	share := max(1, perDay/len(servings))
	months := func(place int64, s *drink.Serving, daily, readings int) error {
		for m := rollup.MonthOf(first); m <= rollup.MonthOf(last); m++ {
			if err := w.put(ctx, rollup.Month, place, s, m, 30*daily, readings); err != nil {
				return err
			}
		}
		return nil
	}
	for i, ref := range sites {
		for day := first; day <= last; day++ {
			if err := w.put(ctx, rollup.Day, -ref, nil, day, perDay, 0); err != nil {
				return err
			}
		}
		if err := months(-ref, nil, perDay, 0); err != nil {
			return err
		}
		readings := 0
		if i >= realSites && i < detailSites {
			readings = siteReadings
		}
		for k := range servings {
			for day := recent; day <= last; day++ {
				if err := w.put(ctx, rollup.Day, -ref, &servings[k], day, share, readings); err != nil {
					return err
				}
			}
		}
	}
	chain := func(s *drink.Serving, daily int) error {
		for day := first; day <= last; day++ {
			if err := w.put(ctx, rollup.Day, 0, s, day, daily, chainReadings); err != nil {
				return err
			}
		}
		return months(0, s, daily, chainReadings)
	}
	if err := chain(nil, perDay*len(sites)); err != nil {
		return err
	}
	for k := range servings {
		if err := chain(&servings[k], share*len(sites)); err != nil {
			return err
		}
	}
	return nil
}

// put writes a cell; readings 0 leaves its detail out.
func (w *yearWriter) put(ctx context.Context, level rollup.Level, place int64, s *drink.Serving, period int64, builds, readings int) error {
	id := ""
	if s != nil {
		id = s.ID
	}
	off := w.rng.IntN(builds/20 + 2)
	off = min(off, builds)
	if _, err := w.counts.ExecContext(ctx, level, place, id, period, builds, builds-off, off); err != nil {
		return fmt.Errorf("write counts: %w", err)
	}
	if readings == 0 {
		return nil
	}
	key := fmt.Sprint(id, readings)
	if w.pool[key] == nil {
		for range pools {
			d, err := w.newDetail(s, readings)
			if err != nil {
				return err
			}
			w.pool[key] = append(w.pool[key], d)
		}
	}
	if _, err := w.detail.ExecContext(ctx, level, place, id, period, w.pool[key][w.rng.IntN(pools)]); err != nil {
		return fmt.Errorf("write details: %w", err)
	}
	return nil
}

// newDetail has n readings of each check of a serving about its target.
func (w *yearWriter) newDetail(s *drink.Serving, n int) ([]byte, error) {
	var g rollup.Group
	if s == nil {
		s = &w.book.Servings()[0]
	}
	for i := range s.Checks {
		k := &s.Checks[i]
		step := max(int64(k.Resolution), 100)
		width := int64(k.Target) / 12
		if k.Low != drink.NoLow && k.High != drink.NoHigh {
			width = int64(k.High-k.Low) / 4
		}
		r := g.Check(k.ID)
		for range n {
			v := max(0, (int64(k.Target)+int64(w.rng.NormFloat64()*float64(width)))/step*step)
			if err := r.Add(v, step); err != nil {
				return nil, err
			}
		}
		r.Low, r.High = int64(n/40), int64(n/30)
	}
	g.Found("above_tolerance", int64(n/20+1))
	return g.AppendDetail(nil)
}

// copyCases has the cases that the watch opened stand at other sites too, with
// their signals.
func copyCases(ctx context.Context, tx *sql.Tx, sites int) error {
	var have int
	if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM cases`).Scan(&have); err != nil {
		return fmt.Errorf("count the cases: %w", err)
	}
	if have == 0 {
		return errors.New("the watch opened no case of the drifting station, so that there is none to show")
	}
	for n := range casesCopied {
		site := siteID(realSites + n%(sites-realSites))
		for _, q := range []string{
			`INSERT INTO cases (id, rank, open, body) SELECT ?1 || id, rank || ?1, open, replace(replace(json_set(CAST(body AS TEXT), '$.id', ?1 || id), ?3, ?2), ?4, ?2) FROM cases WHERE id NOT LIKE 'X%' ORDER BY id LIMIT 1 OFFSET ?5`,
			`INSERT INTO case_sites (case_id, site) SELECT ?1 || id, ?2 FROM (SELECT id FROM cases WHERE id NOT LIKE 'X%' ORDER BY id LIMIT 1 OFFSET ?5) WHERE ?3 || ?4 <> ''`,
			`INSERT INTO case_signals (id, case_id, kind, site, seen_ms, body) SELECT ?1 || id, ?1 || case_id, kind, ?2, seen_ms, replace(replace(CAST(body AS TEXT), ?3, ?2), ?4, ?2) FROM case_signals
				WHERE case_id = (SELECT id FROM cases WHERE id NOT LIKE 'X%' ORDER BY id LIMIT 1 OFFSET ?5)`,
		} {
			if _, err := tx.ExecContext(ctx, q, fmt.Sprintf("X%02d-", n), site, siteID(0), siteID(1), n%have); err != nil {
				return fmt.Errorf("copy a case: %w", err)
			}
		}
	}
	return nil
}
