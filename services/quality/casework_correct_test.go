package quality

import (
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// tray is a database that records are put into as the intake does.
type tray struct {
	t   testing.TB
	db  *store.SQL
	set *verdict.Set
	now time.Time
}

func newTray(t testing.TB) *tray {
	t.Helper()
	db, err := store.OpenSQLite(t.Context(), filepath.Join(t.TempDir(), "q.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	set, err := verdict.CompileBook([]drink.Serving{latte()})
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Write(t.Context(), func(tx store.Tx) error {
		_, err := tx.InsertRelease(store.Release{Number: 1, Scope: "chain", Digest: []byte{1}, Envelope: bookRelease(t, 1, latte()), Received: caseDay0})
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return &tray{t, db, set, caseDay0.Add(9 * time.Hour)}
}

// take stores records as they come in now, and returns their refs.
func (y *tray) take(b *bar, records ...[]byte) (refs []int64) {
	y.t.Helper()
	var rows []*store.Build
	for _, rec := range records {
		var j judge
		row, err := j.record(b.site, b.station, rec, func(*store.Build) *rules {
			return &rules{book: &rulebook{set: y.set, servings: map[string]*drink.Serving{}}}
		})
		if err != nil {
			y.t.Fatal(err)
		}
		row.Received = y.now
		rows = append(rows, row)
	}
	if err := y.db.Write(y.t.Context(), func(tx store.Tx) error {
		c := counter{tx: tx, stations: map[stationKey]*tally{}}
		if err := c.take(rows, nil); err != nil {
			return err
		}
		return c.save()
	}); err != nil {
		y.t.Fatal(err)
	}
	for _, r := range rows {
		refs = append(refs, r.Ref)
	}
	return refs
}

// logged makes a record that is logged at a time.
func logged(b *bar, at time.Time, change func(*drink.Build)) []byte {
	rec := b.record(func(d *drink.Build) {
		d.StartedAt, d.FinishedAt = at.Add(-2*time.Minute), at
		for i := range d.Readings {
			d.Readings[i].EnteredAt, d.Readings[i].MeasuredAt = at, time.Time{}
		}
		if change != nil {
			change(d)
		}
	})
	rec.LoggedTime = timestamppb.New(at)
	return b.write(rec)
}

// charted are the refs of a station's builds that the watch charts.
func charted(w *caseworker, b *bar) (refs []int64) {
	for _, e := range w.recent.list[b.site+"/"+b.station] {
		refs = append(refs, e.Ref)
	}
	return refs
}

func (y *tray) run(w *caseworker) {
	y.t.Helper()
	if err := w.run(y.t.Context(), true); err != nil {
		y.t.Fatal(err)
	}
}

// Of a drink and its corrections the watch sees one, however they come in and
// whenever it looks; where it looks late, the one that counts. A crash at any
// time changes nothing of it.
func TestTheWatchSeesOneRecordOfEachDrink(t *testing.T) {
	y := newTray(t)
	rng := rand.New(rand.NewPCG(11, 12))
	w := worker(y.db, 1<<30)
	for n := range 60 {
		b := newBar(t, "tannery-row", fmt.Sprintf("bar-%d", n))
		count, chained := 1+rng.IntN(4), rng.IntN(2) == 0
		var records [][]byte
		var ids []string
		for k := range count {
			records = append(records, logged(b, y.now, func(d *drink.Build) {
				ids = append(ids, d.ID)
				switch {
				case k > 0 && chained:
					d.Corrects = ids[k-1]
				case k > 0:
					d.Corrects = ids[0]
				}
			}))
		}
		order := rng.Perm(count)
		if chained { // they come in as they were logged
			for i := range order {
				order[i] = i
			}
		}
		last, looked := int64(0), false
		for i, k := range order {
			if ref := y.take(b, records[k])[0]; k == count-1 {
				last = ref
			}
			if i < count-1 && rng.IntN(3) == 0 {
				y.run(w)
				looked = true
			} else if rng.IntN(3) == 0 {
				// Killed before it has saved what it read.
				if err := w.run(t.Context(), false); err != nil {
					t.Fatal(err)
				}
				w = worker(y.db, 1<<30)
			}
		}
		y.run(w)
		got := charted(w, b)
		if len(got) != 1 || !looked && got[0] != last {
			t.Fatalf("drink %d: %d records, a chain %v, in order %v; the watch sees %v, the one that counts is %d (looked early: %v)", n, count, chained, order, got, last, looked)
		}
	}
	if len(w.passed) > 60 {
		t.Errorf("%d builds that were passed over are remembered", len(w.passed))
	}
}

func TestAnUnsafeBuildIsASafetyMatterEvenIfItIsCorrected(t *testing.T) {
	y := newTray(t)
	b := newBar(t, "tannery-row", "bar-1")
	first := ""
	y.take(b, logged(b, y.now, func(d *drink.Build) { hot(d); first = d.ID }), logged(b, y.now, func(d *drink.Build) { d.Corrects = first }))
	w := worker(y.db, 1<<30)
	y.run(w)
	signals, err := y.db.Signals(t.Context(), store.SignalQuery{Limit: 10})
	if err != nil || len(signals) != 1 || signals[0].Kind != "safety" {
		t.Errorf("signals %v, %v; want one of safety", signals, err)
	}
	if got := charted(w, b); len(got) != 2 || len(w.passed) != 0 {
		t.Errorf("the watch keeps %v, passed over %v; want the unsafe one for its finding and the correction", got, w.passed)
	}
}

func TestABuildIsHeldBackUnlessItIsUnsafeOrOld(t *testing.T) {
	const undo = 90 * time.Second
	for _, tc := range []struct {
		name string
		// ages of what is received now, by their logging; unsafe is one of them.
		ages   []time.Duration
		unsafe int
		// taken are how many the watch takes at once, held for how long the next is
		// held back.
		taken int
		held  time.Duration
	}{
		{"logged just now", []time.Duration{0}, -1, 0, undo},
		{"logged by a clock that runs ahead", []time.Duration{-time.Hour}, -1, 0, undo},
		{"logged a minute ago", []time.Duration{time.Minute}, -1, 0, 30 * time.Second},
		{"logged as long ago as it would be held", []time.Duration{undo}, -1, 1, 0},
		{"a backlog", []time.Duration{3 * time.Hour, 2 * time.Hour, time.Hour}, -1, 3, 0},
		{"history behind what was logged just now keeps the order", []time.Duration{time.Hour, time.Second, time.Hour}, -1, 1, 89 * time.Second},
		{"unsafe", []time.Duration{0}, 0, 1, 0},
		{"unsafe behind what was logged just now", []time.Duration{time.Second, time.Second, 0}, 1, 2, undo},
	} {
		t.Run(tc.name, func(t *testing.T) {
			y := newTray(t)
			b := newBar(t, "tannery-row", "bar-1")
			var refs []int64
			for i, age := range tc.ages {
				refs = append(refs, y.take(b, logged(b, y.now.Add(-age), func(d *drink.Build) {
					if i == tc.unsafe {
						hot(d)
					}
				}))...)
			}
			w := worker(y.db, 1<<30)
			w.undo, w.now = undo, func() time.Time { return y.now }
			y.run(w)
			want := int64(0)
			if tc.taken > 0 {
				want = refs[tc.taken-1]
			}
			if w.cursor != want || w.held != tc.held {
				t.Fatalf("the watch is at %d, and the next is held for %s; want %d and %s", w.cursor, w.held, want, tc.held)
			}
			if due := w.due() != nil; due != (tc.held > 0) {
				t.Errorf("it wakes: %v", due)
			}
			if tc.held > 0 {
				y.now = y.now.Add(tc.held - time.Millisecond)
				y.run(w)
				if w.cursor != want {
					t.Fatalf("a moment too early the watch is at %d, want %d", w.cursor, want)
				}
				y.now = y.now.Add(time.Millisecond)
				y.run(w)
			}
			if tc.held > 0 && w.cursor == want {
				t.Errorf("in time the watch is still at %d", w.cursor)
			}
		})
	}
}

// A typo that its barista mends within the wait is never seen.
func TestATypoThatIsMendedIsNotSeen(t *testing.T) {
	y := newTray(t)
	b := newBar(t, "tannery-row", "bar-1")
	w := worker(y.db, 1<<30)
	w.undo, w.now = UndoWait, func() time.Time { return y.now }
	id := ""
	typo := y.take(b, logged(b, y.now, func(d *drink.Build) { fast(d); id = d.ID }))[0]
	y.run(w)
	y.now = y.now.Add(50 * time.Second)
	mended := y.take(b, logged(b, y.now, func(d *drink.Build) { d.Corrects = id }))[0]
	y.run(w)
	for range 2 {
		y.now = y.now.Add(UndoWait)
		y.run(w)
	}
	if got := charted(w, b); len(got) != 1 || got[0] != mended {
		t.Errorf("the watch sees %v; want %d alone and not %d", got, mended, typo)
	}
	// The clock was set back: nothing is held for longer than it would have been.
	y.take(b, logged(b, y.now, nil))
	y.now = y.now.Add(-time.Hour)
	y.run(w)
	if got := charted(w, b); len(got) != 2 {
		t.Errorf("after the clock was set back the watch sees %v", got)
	}
	wantWaiting(t, y.db, "all taken", 0)
}

func FuzzLoggedTime(f *testing.F) {
	for _, rec := range []*pb.BuildRecord{{}, {Sequence: 3, PreviousHash: []byte{1}, LoggedTime: timestamppb.New(caseDay0)}, {LoggedTime: &timestamppb.Timestamp{Seconds: -1, Nanos: -5}}} {
		data, err := proto.Marshal(rec)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	if n := (&pb.BuildRecord{}).ProtoReflect().Descriptor().Fields().ByName("logged_time").Number(); n != fieldLogged {
		f.Fatalf("logged_time is field %d, not %d", n, fieldLogged)
	}
	f.Fuzz(func(t *testing.T, record []byte) {
		got, ok := loggedTime(record)
		var rec pb.BuildRecord
		if proto.Unmarshal(record, &rec) != nil {
			return // the intake lets none in
		}
		// A message that comes in parts is merged by proto, and no station writes one.
		if ok && rec.LoggedTime.CheckValid() == nil && rec.LoggedTime.AsTime().Equal(got) {
			return
		}
		if again, err := proto.Marshal(&rec); err != nil || string(again) != string(record) {
			return
		}
		if want := rec.LoggedTime.CheckValid() == nil; ok != want || ok && !got.Equal(rec.LoggedTime.AsTime()) {
			t.Errorf("%x: %v, %v; want %v", record, got, ok, rec.LoggedTime)
		}
	})
}
