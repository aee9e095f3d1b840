package store

import (
	"database/sql"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"samecup.example/samecup/services/quality/rollup"
)

// A simulated year of a chain: 500 sites of two stations, 9 drinks in 27
// servings, 8 checks, 400 builds a day at each station of which one in five is
// measured, open 14 hours. Roll-ups are made, not builds, and of these what the
// questions below touch, at full scale:
//
//	chain     each serving and all, with details: days, months; hours of all
//	site      each serving and all: months with details, days as counts
//	area      20 of the sites: days with details; hours of all servings
//	station   40 stations: the hours of one month, each serving, with details
//
// Not made, since no page reads them: hours by serving of sites and of the
// other 960 stations, days of stations (about 120 million rows).
const (
	yearSites     = 500
	yearArea      = 20
	yearDrinks    = 9
	yearOpenHours = 14
)

var (
	yearFirst = rollup.DayNumber(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC))
	yearLast  = yearFirst + 364
	yearQ4    = rollup.DayNumber(time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC))
	yearNov   = rollup.DayNumber(time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC))
)

func yearServings() []string {
	out := []string{""}
	for d := range yearDrinks {
		for _, size := range []string{"s", "m", "l"} {
			out = append(out, fmt.Sprintf("drink-%d/%s", d, size))
		}
	}
	return out
}

// yearDetail is the detail of a group with n readings of each check.
func yearDetail(b *testing.B, rng *rand.Rand, n int) []byte {
	b.Helper()
	var g rollup.Group
	for _, c := range []struct {
		id               string
		mean, sd, second int64
	}{{"dose", 20_000, 300, 100}, {"yield", 40_000, 1_500, 100}, {"shot_time", 29_000, 2_500, 1_000}, {"milk_temp", 60_000, 2_500, 500},
		{"milk_volume", 210_000, 8_000, 5_000}, {"froth_depth", 10_000, 2_000, 1_000}, {"cup_mass", 260_000, 9_000, 1_000}, {"serve_temp", 56_000, 2_500, 500}} {
		r := g.Check(c.id)
		for range n {
			steps := int64(float64(c.mean)+rng.NormFloat64()*float64(c.sd)) / c.second
			if err := r.Add(steps*c.second, c.second); err != nil {
				b.Fatal(err)
			}
		}
		r.Low, r.High = int64(n/40), int64(n/30)
	}
	for _, kind := range []string{"above_tolerance", "below_tolerance", "missing_reading", "step_missing"} {
		g.Found(kind, int64(n/10+1))
	}
	out, err := g.AppendDetail(nil)
	if err != nil {
		b.Fatal(err)
	}
	return out
}

type yearWriter struct {
	b              *testing.B
	rng            *rand.Rand
	counts, detail *sql.Stmt
	rows, details  int
	pool           map[int][][]byte
}

// put writes a cell that builds of a day went into; readings 0 leaves the
// detail out.
func (w *yearWriter) put(c cell, builds, readings int) {
	w.b.Helper()
	off := w.rng.IntN(builds/20 + 2)
	if _, err := w.counts.ExecContext(w.b.Context(), c.level, c.place, c.serving, c.period, builds, builds-min(off, builds), min(off, builds), 0, 0, 0, 0); err != nil {
		w.b.Fatal(err)
	}
	w.rows++
	if readings == 0 {
		return
	}
	if w.pool[readings] == nil {
		for range 24 {
			w.pool[readings] = append(w.pool[readings], yearDetail(w.b, w.rng, readings))
		}
	}
	if _, err := w.detail.ExecContext(w.b.Context(), c.level, c.place, c.serving, c.period, w.pool[readings][w.rng.IntN(24)]); err != nil {
		w.b.Fatal(err)
	}
	w.details++
}

func makeYear(b *testing.B) *SQL {
	b.Helper()
	path := filepath.Join(b.TempDir(), "quality.db")
	s, err := OpenSQLite(b.Context(), path)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = s.Close() })
	tx, err := s.db.Write.BeginTx(b.Context(), nil)
	if err != nil {
		b.Fatal(err)
	}
	prepare := func(query string) *sql.Stmt {
		st, err := tx.PrepareContext(b.Context(), query)
		if err != nil {
			b.Fatal(err)
		}
		return st
	}
	w := &yearWriter{b: b, rng: rand.New(rand.NewPCG(2026, 1)), pool: map[int][][]byte{},
		counts: prepare(`INSERT INTO rollup_counts VALUES (?,?,?,?,?,?,?,?,?,?,?)`), detail: prepare(`INSERT INTO rollup_details VALUES (?,?,?,?,?)`)}
	for i := range yearSites {
		site := fmt.Sprintf("site-%03d", i)
		if _, err := tx.ExecContext(b.Context(), `INSERT INTO rollup_sites VALUES (?, ?, 'Europe/London', 4)`, i+1, site); err != nil {
			b.Fatal(err)
		}
		for n := range 2 {
			if _, err := tx.ExecContext(b.Context(), `INSERT INTO stations (ref, site, station) VALUES (?, ?, ?)`, 2*i+n+1, site, fmt.Sprintf("bar-%d", n+1)); err != nil {
				b.Fatal(err)
			}
		}
	}
	for _, v := range yearServings()[1:] {
		if _, err := tx.ExecContext(b.Context(), `INSERT INTO rollup_servings VALUES (?)`, v); err != nil {
			b.Fatal(err)
		}
	}
	w.year()
	if err := tx.Commit(); err != nil {
		b.Fatal(err)
	}
	b.Logf("%d rows of counts, %d of details", w.rows, w.details)
	return s
}

func (w *yearWriter) year() {
	cal, err := rollup.NewCalendar("Europe/London", 4)
	if err != nil {
		w.b.Fatal(err)
	}
	// In the order of the key, which is how fast they can be made.
	for place := int64(-yearSites); place <= 0; place++ {
		area := place < 0 && -place <= yearArea
		if !area && place != 0 {
			continue
		}
		for day := yearFirst; day <= yearLast; day++ {
			for h := range int64(yearOpenHours) {
				w.put(cell{rollup.Hour, place, "", day*24 + 6 + h}, 50, 0)
			}
		}
	}
	for station := int64(1); station <= 2*yearArea; station++ {
		for _, v := range yearServings() {
			from, _ := cal.Hours(yearNov)
			for d := range int64(30) {
				for h := range int64(yearOpenHours) {
					w.put(cell{rollup.Hour, station, v, from + d*24 + 2 + h}, 2, 1)
				}
			}
		}
	}
	for place := int64(-yearSites); place <= 0; place++ {
		for _, v := range yearServings() {
			for day := yearFirst; day <= yearLast; day++ {
				switch {
				case place == 0:
					w.put(cell{rollup.Day, place, v, day}, 14_800, 3_000)
				case -place <= yearArea:
					w.put(cell{rollup.Day, place, v, day}, 30, 6)
				default:
					w.put(cell{rollup.Day, place, v, day}, 30, 0)
				}
			}
		}
	}
	for place := int64(-yearSites); place <= 0; place++ {
		readings := 180
		if place == 0 {
			readings = 90_000
		}
		for _, v := range yearServings() {
			for month := range int64(12) {
				w.put(cell{rollup.Month, place, v, 2026*12 + month}, 5*readings, readings)
			}
		}
	}
}

// BenchmarkYear asks what pages ask, of a year of a chain of 1,000 stations.
func BenchmarkYear(b *testing.B) {
	s := makeYear(b)
	area := make([]string, yearArea)
	for i := range area {
		area[i] = fmt.Sprintf("site-%03d", i)
	}
	chicago, err := rollup.NewCalendar("America/Chicago", 4)
	if err != nil {
		b.Fatal(err)
	}
	days := func(first, last int64) RollupFilter { return RollupFilter{FirstDay: first, LastDay: last} }
	quarter, year, month := days(yearQ4, yearLast), days(yearFirst, yearLast), days(yearNov, yearNov+29)
	of := func(f RollupFilter, set func(*RollupFilter)) RollupFilter { set(&f); return f }
	for _, q := range []struct {
		name string
		RollupQuery
	}{
		{"funnel of all sites, a month", RollupQuery{RollupFilter: month, BySite: true}},
		{"funnel of all sites, 90 days that are no months", RollupQuery{RollupFilter: days(yearNov-40, yearNov+49), BySite: true}},
		{"funnel of all sites, one drink, 28 days", RollupQuery{RollupFilter: of(days(yearNov-20, yearNov+7), func(f *RollupFilter) { f.Drinks = []string{"drink-3"} }), BySite: true}},
		{"a drink by check, a quarter", RollupQuery{RollupFilter: of(quarter, func(f *RollupFilter) { f.Drinks = []string{"drink-3"} }), ByServing: true, Detail: true}},
		{"a drink by check and week, a year", RollupQuery{RollupFilter: of(year, func(f *RollupFilter) { f.Drinks = []string{"drink-3"} }), Span: SpanWeek, Detail: true}},
		{"one check of a drink by site, a quarter", RollupQuery{RollupFilter: of(quarter, func(f *RollupFilter) { f.Drinks = []string{"drink-3"} }), BySite: true, Detail: true, Checks: []string{"milk_temp"}}},
		{"a station's day by serving and check", RollupQuery{RollupFilter: of(days(yearNov+9, yearNov+9), func(f *RollupFilter) { f.Stations = []string{"site-004/bar-1"} }), ByServing: true, Detail: true, Span: SpanHour}},
		{"heat map by hour of the week, chain, a quarter", RollupQuery{RollupFilter: quarter, Span: SpanHourOfWeek}},
		{"heat map by hour of the week, an area, a quarter", RollupQuery{RollupFilter: of(quarter, func(f *RollupFilter) { f.Sites = area }), Span: SpanHourOfWeek, BySite: true}},
		{"top deviating servings by check, chain, a year", RollupQuery{RollupFilter: year, ByServing: true, Detail: true}},
		{"p chart by week, an area, a year", RollupQuery{RollupFilter: of(year, func(f *RollupFilter) { f.Sites = area }), Span: SpanWeek}},
		{"p chart by day of one serving, an area, a quarter", RollupQuery{RollupFilter: of(quarter, func(f *RollupFilter) { f.Sites, f.Servings = area, []string{"drink-3/m"} }), Span: SpanDay}},
		{"findings by kind, chain, a quarter by week", RollupQuery{RollupFilter: quarter, Detail: true, Checks: []string{"-"}, Span: SpanWeek}},
		{"a site by day in another zone, a year", RollupQuery{RollupFilter: of(year, func(f *RollupFilter) { f.Sites, f.Calendar = area[:1], &chicago }), Span: SpanDay}},
	} {
		b.Run(q.name, func(b *testing.B) {
			n := 0
			for b.Loop() {
				out, err := s.QueryRollups(b.Context(), q.RollupQuery)
				if err != nil {
					b.Fatal(err)
				}
				if n = len(out); n == 0 {
					b.Fatal("no answer")
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/op")
			b.ReportMetric(float64(n), "groups")
		})
	}
}
