package store_test

import (
	"cmp"
	"crypto/sha256"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	gocmp "github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

var (
	sites    = []string{"lantern-hill", "oyster-steps", "tannery-row"}
	servings = []string{"americano/s", "latte/m/oat", "latte/m/whole", ""}
)

// zones of whole, half and quarter hours; in those from London to Chatham the
// clocks change while builds are made, at Lord Howe by half an hour.
var zones = []string{"", "UTC", "Europe/London", "America/Chicago", "Australia/Adelaide", "Australia/Lord_Howe", "Pacific/Chatham", "Asia/Kolkata", "Asia/Kathmandu"}

// event is one thing that happens to the log.
type event struct {
	build *store.Build
	// judged later: the build is stored awaiting, and settled by a later event.
	settle *store.Build
	// corrects is the id that build stands for.
	corrects string
	roll     int
	calendar [2]string // site, zone
}

// someBuild makes build n of a log with drawn content.
func someBuild(t *rapid.T, n int) *store.Build {
	b := &store.Build{ID: fmt.Sprintf("b-%04d", n), Site: rapid.SampledFrom(sites).Draw(t, "site"),
		Station: rapid.SampledFrom([]string{"bar-1", "bar-2"}).Draw(t, "station"), Sequence: uint64(n + 1), Release: 1,
		Serving: rapid.SampledFrom(servings).Draw(t, "serving"), Received: noon,
		Started:  time.Date(2026, 9, 20, 18, 0, 0, 0, time.UTC).Add(time.Duration(rapid.IntRange(0, 75*24*4).Draw(t, "quarter")) * 15 * time.Minute),
		Disputed: rapid.Bool().Draw(t, "disputed"), PreviousHash: []byte{}}
	b.Drink, _, _ = strings.Cut(b.Serving, "/")
	rec := &pb.BuildRecord{Build: &pb.Build{Id: b.ID}}
	v := &pb.Verdict{Grade: pb.Grade_GRADE_IN_SPEC}
	for _, check := range []string{"milk_temp", "shot_time", "cup-mass"} {
		for o := range int32(rapid.IntRange(0, 2).Draw(t, "times")) {
			value := rapid.Int64Range(-300, 300).Draw(t, "value")*100 + 60_000
			rec.Build.Readings = append(rec.Build.Readings, &pb.Reading{Check: check, Occurrence: o + 1, ValueMilli: value,
				ResolutionMilli: rapid.SampledFrom([]int64{0, 100, 500}).Draw(t, "resolution")})
			kind := rapid.SampledFrom([]string{"", "", "above_tolerance", "below_tolerance", "impossible_value", "wrong_unit"}).Draw(t, "kind")
			if kind != "" {
				v.Grade = pb.Grade(rapid.IntRange(2, 4).Draw(t, "grade"))
				v.Findings = append(v.Findings, &pb.Finding{Kind: kind, Check: check, Occurrence: o + 1})
			}
		}
	}
	b.Grade = int32(v.Grade)
	b.Record, _ = proto.Marshal(rec)
	if len(v.Findings) > 0 {
		b.Verdict, _ = proto.Marshal(v)
	}
	hash := sha256.Sum256(b.Record)
	b.Hash = hash[:]
	return b
}

func openIn(t *testing.T, dir string) *store.SQL {
	t.Helper()
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), addressOf(t, dir), dir)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// onServer gives the address of the database that stands for a directory, where
// tests run on a server; nil means files.
var onServer func(t *testing.T, dir string) string

func addressOf(t *testing.T, dir string) string {
	t.Helper()
	if onServer == nil {
		return ""
	}
	return onServer(t, dir)
}

func openRollups(t *testing.T, dir string) *store.SQL {
	t.Helper()
	s, err := store.Open(t.Context(), addressOf(t, dir), dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close() })
	return s
}

func rollAll(t testing.TB, s store.Store, limit int) {
	t.Helper()
	for more := true; more; {
		done, err := s.Roll(t.Context(), limit)
		if err != nil {
			t.Fatal(err)
		}
		more = done.More
	}
}

// apply lets one event happen.
func apply(t *testing.T, s store.Store, e event) {
	t.Helper()
	switch {
	case e.roll > 0:
		if _, err := s.Roll(t.Context(), e.roll); err != nil {
			t.Fatal(err)
		}
	case e.calendar[0] != "":
		if err := s.SetCalendar(t.Context(), e.calendar[0], e.calendar[1], 4); err != nil {
			t.Fatal(err)
		}
	case e.settle != nil:
		write(t, s, func(tx store.Tx) error {
			stored, err := s.Build(t.Context(), e.settle.ID)
			if err != nil {
				return err
			}
			stored.Grade, stored.Disputed, stored.Verdict = e.settle.Grade, e.settle.Disputed, e.settle.Verdict
			_, err = tx.Settle(stored)
			return err
		})
	default:
		write(t, s, func(tx store.Tx) error {
			st, err := tx.Station(e.build.Site, e.build.Station)
			if err != nil {
				return err
			}
			e.build.StationRef = st.Ref
			if err := tx.InsertBuilds([]*store.Build{e.build}); err != nil || e.corrects == "" {
				return err
			}
			return tx.Correct(e.build, e.corrects)
		})
	}
}

// drawEvents draws a log: builds at random times, some again, some judged
// later, some corrected before or after they come, rolled up at any moment.
func drawEvents(t *rapid.T) (events []event, counted []*store.Build) {
	var all []*store.Build
	corrected := map[string]bool{}
	var late []event
	for n := range rapid.IntRange(1, 25).Draw(t, "builds") {
		b := someBuild(t, n)
		e := event{build: b}
		switch rapid.IntRange(0, 6).Draw(t, "fate") {
		case 0:
			awaiting := *b
			awaiting.Grade, awaiting.Disputed, awaiting.Verdict = 0, false, nil
			e.build = &awaiting
			late = append(late, event{settle: b})
		case 1:
			if len(all) > 0 {
				o := rapid.SampledFrom(all).Draw(t, "original")
				if !corrected[o.ID] {
					b.Site, b.Station = o.Site, o.Station
					e.corrects = o.ID
					corrected[o.ID] = true
				}
			}
		}
		all = append(all, b)
		events = append(events, e)
	}
	// Originals and corrections in any order.
	order := rapid.Permutation(seq(len(events))).Draw(t, "order")
	shuffled := make([]event, 0, 2*len(events))
	for _, i := range order {
		shuffled = append(shuffled, events[i])
		if rapid.IntRange(0, 3).Draw(t, "roll") == 0 {
			shuffled = append(shuffled, event{roll: rapid.IntRange(1, 5).Draw(t, "limit")})
		}
		if rapid.IntRange(0, 5).Draw(t, "again") == 0 {
			again := *events[i].build
			shuffled = append(shuffled, event{build: &again, corrects: events[i].corrects})
		}
		if rapid.IntRange(0, 12).Draw(t, "calendar") == 0 {
			shuffled = append(shuffled, event{calendar: [2]string{rapid.SampledFrom(sites).Draw(t, "of"),
				rapid.SampledFrom(zones).Draw(t, "zone")}})
		}
	}
	for _, e := range late {
		shuffled = append(shuffled, e, event{roll: 3})
	}
	for _, b := range all {
		if !corrected[b.ID] {
			counted = append(counted, b)
		}
	}
	return shuffled, counted
}

func seq(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

// raw opens the tables behind the store's back.
func raw(t *testing.T, dir string) *sql.DB {
	t.Helper()
	driver, source := "sqlite", filepath.Join(dir, store.File)
	if address := addressOf(t, dir); address != "" {
		driver, source = "pgx", address+"&search_path=quality"
	}
	db, err := sql.Open(driver, source)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}

// dump lists all roll-ups as text.
func dump(t *testing.T, dir string) []string {
	t.Helper()
	db := raw(t, dir)
	hex := "hex(detail)"
	if onServer != nil {
		hex = "encode(detail, 'hex')"
	}
	rows, err := db.QueryContext(t.Context(), `SELECT level || ' ' || place || ' ' || serving || ' ' || period || ' ' || builds || ' ' || in_spec
		|| ' ' || off_spec || ' ' || unknown || ' ' || unsafe || ' ' || awaiting || ' ' || disputed || ' ' || `+hex+`
		FROM rollup_counts JOIN rollup_details USING (level, place, serving, period)
		UNION ALL SELECT 'build ' || station_ref || ' ' || hour || ' ' || build_ref FROM rollup_builds ORDER BY 1`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	var out []string
	for rows.Next() {
		var line string
		if err := rows.Scan(&line); err != nil {
			t.Fatal(err)
		}
		out = append(out, line)
	}
	return out
}

func TestRollupsEqualARebuildWhateverHappened(t *testing.T) {
	base := t.TempDir()
	n := 0
	rapid.Check(t, func(rt *rapid.T) {
		n++
		dir := filepath.Join(base, fmt.Sprint(n))
		s := openIn(t, dir)
		defer s.Close()
		events, counted := drawEvents(rt)
		calendars := map[string]rollup.Calendar{}
		for _, e := range events {
			apply(t, s, e)
			if site := e.calendar[0]; site != "" {
				calendars[site], _ = rollup.NewCalendar(e.calendar[1], 4)
			}
		}
		rollAll(t, s, 4)
		incremental := dump(t, dir)
		if err := s.VerifyRollups(t.Context(), nil); err != nil {
			rt.Fatal(err)
		}
		if err := s.ResetRollups(t.Context()); err != nil {
			t.Fatal(err)
		}
		rollAll(t, s, 1000)
		if diff := gocmp.Diff(incremental, dump(t, dir)); diff != "" {
			rt.Fatalf("incremental and rebuilt differ (-incremental +rebuilt)\n%s", diff)
		}
		for range 3 {
			agreesWithOracle(t, rt, s, counted, calendars)
		}
	})
}

// agreesWithOracle asks questions and answers them by going through the builds
// one by one.
func agreesWithOracle(t *testing.T, rt *rapid.T, s store.Store, counted []*store.Build, calendars map[string]rollup.Calendar) {
	zone := rapid.SampledFrom(zones[1:]).Draw(rt, "asked zone")
	cal, err := rollup.NewCalendar(zone, rapid.IntRange(0, 5).Draw(rt, "day start"))
	if err != nil {
		t.Fatal(err)
	}
	first := rollup.DayNumber(time.Date(2026, 9, 19, 0, 0, 0, 0, time.UTC)) + rapid.Int64Range(0, 30).Draw(rt, "first")
	q := store.RollupQuery{RollupFilter: store.RollupFilter{Calendar: &cal, FirstDay: first, LastDay: first + rapid.Int64Range(0, 80).Draw(rt, "days")},
		BySite: rapid.Bool().Draw(rt, "by site"), ByStation: rapid.Bool().Draw(rt, "by station"), ByServing: rapid.Bool().Draw(rt, "by serving"),
		ByDrink: rapid.Bool().Draw(rt, "by drink"), Span: store.Span(rapid.IntRange(0, 6).Draw(rt, "span")), Detail: rapid.Bool().Draw(rt, "detail")}
	if rapid.Bool().Draw(rt, "some drinks") {
		q.Drinks = []string{"latte"}
	}
	if rapid.Bool().Draw(rt, "some sites") {
		q.Sites = sites[1:]
	}
	own := rapid.Bool().Draw(rt, "own calendars")
	if own {
		q.Calendar = nil
	}
	got, err := s.QueryRollups(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	want := map[store.RollupKey]*rollup.Group{}
	var beneath []string
	for _, b := range counted {
		if own {
			if cal = calendars[b.Site]; cal.Zone == nil {
				cal.Zone = time.UTC
			}
		}
		day := dateAt(b.Started, cal)
		if of := calendars[b.Site]; !own && (of.Zone.String() != cal.Zone.String() || of.DayStart != cal.DayStart) {
			day = cal.DayOf(rollup.HourOf(b.Started)) // another calendar's days are cut at the hour
		}
		if day < q.FirstDay || day > q.LastDay || len(q.Drinks) > 0 && b.Drink != "latte" || len(q.Sites) > 0 && !slices.Contains(q.Sites, b.Site) {
			continue
		}
		beneath = append(beneath, b.ID)
		key := store.RollupKey{Period: oraclePeriod(q.Span, b.Started, day, cal)}
		if q.BySite || q.ByStation {
			key.Site = b.Site
		}
		if q.ByStation {
			key.Station = b.Station
		}
		if q.ByServing {
			key.Serving = cmp.Or(b.Serving, store.NoServing)
		}
		if q.ByDrink {
			key.Drink = cmp.Or(b.Drink, store.NoServing)
		}
		if want[key] == nil {
			want[key] = new(rollup.Group)
		}
		want[key].AddBuild(b.Grade, b.Disputed, b.Verdict, b.Record)
	}
	for _, g := range got {
		w := want[g.RollupKey]
		delete(want, g.RollupKey)
		if w == nil {
			rt.Fatalf("%+v: not in the builds", g.RollupKey)
		}
		if w.Counts != g.Counts {
			rt.Fatalf("%+v: counts %+v, from the builds %+v", g.RollupKey, g.Counts, w.Counts)
		}
		a, _ := w.AppendDetail(nil)
		b, _ := g.AppendDetail(nil)
		if q.Detail && string(a) != string(b) {
			rt.Fatalf("%+v: %s", g.RollupKey, rollup.Difference(&g.Group, w))
		}
	}
	if len(want) > 0 {
		rt.Fatalf("%d groups are missing", len(want))
	}
	listed := listBeneath(t, s, store.BuildQuery{RollupFilter: q.RollupFilter, Limit: 3})
	slices.Sort(listed)
	slices.Sort(beneath)
	if diff := gocmp.Diff(beneath, listed); diff != "" {
		rt.Fatalf("builds beneath (-want +got)\n%s", diff)
	}
}

// dateAt is the business day of an instant, by the clock on the wall.
func dateAt(at time.Time, cal rollup.Calendar) int64 {
	wall := at.In(cal.Zone)
	y, m, d := wall.Date()
	if wall.Hour() < cal.DayStart {
		d--
	}
	return rollup.DayNumber(time.Date(y, m, d, 0, 0, 0, 0, time.UTC))
}

func oraclePeriod(span store.Span, started time.Time, day int64, cal rollup.Calendar) int64 {
	date, clock := rollup.DayTime(day), started.Truncate(time.Hour).In(cal.Zone)
	switch span {
	case store.SpanHour:
		return started.Unix() / 3600
	case store.SpanDay:
		return day
	case store.SpanWeek:
		for date.Weekday() != time.Monday {
			date = date.AddDate(0, 0, -1)
		}
		return date.Unix() / 86400
	case store.SpanMonth:
		return int64(date.Year())*12 + int64(date.Month()) - 1
	case store.SpanHourOfDay:
		return int64(clock.Hour())
	case store.SpanHourOfWeek:
		return int64((clock.Weekday()+6)%7)*24 + int64(clock.Hour())
	}
	return 0
}

func listBeneath(t *testing.T, s store.Store, q store.BuildQuery) (ids []string) {
	t.Helper()
	for {
		page, err := s.BuildsBeneath(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for i := range page {
			ids = append(ids, page[i].ID)
			q.After = store.BuildCursor{StationRef: page[i].StationRef, Hour: rollup.HourOf(page[i].Started), Ref: page[i].Ref}
		}
		if len(page) < q.Limit {
			return ids
		}
	}
}

func TestVerifyNamesTheFirstCellThatDiffers(t *testing.T) {
	for _, tc := range []struct{ name, change, want string }{
		{"a count", `UPDATE rollup_counts SET in_spec = in_spec + 1 WHERE level = 2 AND place > 0 AND serving <> ''`, "tannery-row/bar-1, latte/m/whole, day 2026-11-02"},
		{"a detail", `UPDATE rollup_details SET detail = x'00' WHERE level = 1 AND place = 0 AND serving = ''`, "the chain, all servings, hour 2026-11-02T12Z"},
		{"a row too few", `DELETE FROM rollup_counts WHERE level = 3 AND place < 0`, "tannery-row, all servings, month 2026-11: it is not stored"},
		{"a row too many", `INSERT INTO rollup_counts SELECT level, 999, serving, period, builds, in_spec, off_spec, unknown, unsafe, awaiting, disputed FROM rollup_counts LIMIT 1`, "no station"},
		{"a build not listed", `DELETE FROM rollup_builds`, "0 of 1 builds are listed"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			s := openRollups(t, dir)
			b := newBuild(1)
			b.Record, _ = proto.Marshal(&pb.BuildRecord{Build: &pb.Build{Readings: []*pb.Reading{{Check: "dose", ValueMilli: 20_000}}}})
			insert(t, s, b)
			if err := s.VerifyRollups(t.Context(), nil); err != nil {
				t.Fatal(err)
			}
			if _, err := raw(t, dir).ExecContext(t.Context(), tc.change); err != nil {
				t.Fatal(err)
			}
			err := s.VerifyRollups(t.Context(), nil)
			if !errors.Is(err, store.ErrDiffers) || !strings.Contains(err.Error(), tc.want) {
				t.Errorf("got %v, want %q", err, tc.want)
			}
		})
	}
}

func TestOfTwoCorrectionsTheLaterOneCounts(t *testing.T) {
	s := openRollups(t, t.TempDir())
	original, first, second, foreign := newBuild(1), newBuild(2), newBuild(3), newBuild(4)
	foreign.Station = "bar-2"
	insert(t, s, second)
	write(t, s, func(tx store.Tx) error { return tx.Correct(second, original.ID) })
	rollAll(t, s, 10)
	insert(t, s, original, first, foreign)
	write(t, s, func(tx store.Tx) error {
		return errors.Join(tx.Correct(first, original.ID), tx.Correct(foreign, original.ID))
	})
	rollAll(t, s, 10)
	day := rollup.DayNumber(noon)
	got := listBeneath(t, s, store.BuildQuery{RollupFilter: store.RollupFilter{FirstDay: day, LastDay: day}, Limit: 10})
	if diff := gocmp.Diff([]string{second.ID, foreign.ID}, got); diff != "" {
		t.Errorf("builds that count (-want +got)\n%s", diff)
	}
	if err := s.Write(t.Context(), func(tx store.Tx) error { return tx.Correct(first, first.ID) }); err == nil {
		t.Error("a build may correct itself")
	}
}
