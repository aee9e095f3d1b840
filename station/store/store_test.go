package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func open(t testing.TB, path string) *Log {
	t.Helper()
	l, err := Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

func entry(t testing.TB, n uint64, deviation bool) Entry {
	t.Helper()
	at := time.Unix(int64(n), 0)
	body, err := proto.Marshal(&pb.BuildRecord{Build: &pb.Build{Shots: int32(n)}, LoggedTime: timestamppb.New(at)})
	if err != nil {
		t.Fatal(err)
	}
	e := Entry{Body: body, Deviation: deviation, Time: at}
	binary.BigEndian.PutUint64(e.ID[8:], n)
	return e
}

// fill appends builds numbered from..to from many callers.
func fill(t testing.TB, l *Log, from, to uint64, deviation func(uint64) bool) {
	t.Helper()
	errs := make(chan error, 64)
	for k := range uint64(64) {
		go func() {
			for n := from + k; n <= to; n += 64 {
				if _, err := l.Append(context.Background(), entry(t, n, deviation(n))); err != nil {
					errs <- err
					return
				}
			}
			errs <- nil
		}()
	}
	for range 64 {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
}

func never(uint64) bool { return false }

func count(t testing.TB, l *Log) (n int) {
	t.Helper()
	if err := l.db.Read.QueryRow(`SELECT count(*) FROM builds`).Scan(&n); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestWhatIsSentIsPruned(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	l := open(t, path)
	fill(t, l, 1, 8000, func(n uint64) bool { return n == 1 })
	l.MarkBuilds(8000)
	if got := count(t, l); got != 8000 {
		t.Errorf("%d rows are left while a deviation waits, want all 8000", got)
	}
	l.MarkDeviations(8000)
	deadline := time.Now().Add(20 * time.Second)
	for count(t, l) > Keep+pruneStep/4 {
		if time.Now().After(deadline) {
			t.Fatalf("%d rows are left", count(t, l))
		}
		time.Sleep(5 * time.Millisecond)
	}
	if got := count(t, l); got < Keep {
		t.Errorf("%d rows are left, want at least %d", got, Keep)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path)
	if s, _ := l.State(); s.Last != 8000 || !s.Drained() {
		t.Errorf("after a restart: %+v", s)
	}
	r, err := l.Append(t.Context(), entry(t, 8001, false))
	if err != nil || r.Sequence != 8001 {
		t.Errorf("the next record is %d, %v", r.Sequence, err)
	}
}

func TestAFullDiskAppliesNothing(t *testing.T) {
	l := open(t, filepath.Join(t.TempDir(), "builds.db"))
	fill(t, l, 1, 100, never)
	var pages int
	if err := l.db.Write.QueryRow(`PRAGMA page_count`).Scan(&pages); err != nil {
		t.Fatal(err)
	}
	limit := func(n int) {
		t.Helper()
		var got int
		// A bound on the database file stands in for a full disk.
		if err := l.db.Write.QueryRow(`PRAGMA max_page_count(` + strconv.Itoa(n) + `)`).Scan(&got); err != nil || got != n {
			t.Fatalf("max_page_count is %d, %v; want %d", got, err, n)
		}
	}
	limit(pages + 1)
	big := entry(t, 101, true)
	filler, err := proto.Marshal(&pb.BuildRecord{Build: &pb.Build{How: string(make([]byte, 100_000))}})
	if err != nil {
		t.Fatal(err)
	}
	big.Body = append(big.Body, filler...)
	if _, err := l.Append(t.Context(), big); err == nil {
		t.Fatal("a build fits on a full disk")
	}
	if s, _ := l.State(); s.Last != 100 || s.LastDeviation != 0 {
		t.Errorf("a failed build left a trace: %+v", s)
	}
	limit(1 << 20)
	if r, err := l.Append(t.Context(), big); err != nil || r.Sequence != 101 || r.First != nil {
		t.Fatalf("with room again: %+v, %v; want record 101, new", r, err)
	}
	checkChain(t, l, 101)
}

func checkChain(t testing.TB, l *Log, n int) {
	t.Helper()
	records, err := l.Builds(context.Background(), 0, n+1, 1<<30)
	if err != nil || len(records) != n {
		t.Fatalf("%d records, %v; want %d", len(records), err, n)
	}
	var previous []byte
	for i, r := range records {
		var rec pb.BuildRecord
		if err := proto.Unmarshal(r.Bytes, &rec); err != nil {
			t.Fatal(err)
		}
		if rec.GetSequence() != uint64(i+1) || string(rec.GetPreviousHash()) != string(previous) {
			t.Fatalf("record %d: sequence %d, previous %x, want %x", i+1, rec.GetSequence(), rec.GetPreviousHash(), previous)
		}
		sum := sha256.Sum256(r.Bytes)
		previous = sum[:]
	}
}

// Whatever is appended, repeated, marked and reopened, each id is stored once,
// and numbering and chain hold.
func TestLogHolds(t *testing.T) {
	dir := t.TempDir()
	run := 0
	rapid.Check(t, func(rt *rapid.T) {
		run++
		path := filepath.Join(dir, strconv.Itoa(run)+".db")
		l, err := Open(context.Background(), path)
		if err != nil {
			rt.Fatal(err)
		}
		defer func() { _ = l.Close() }()
		first := make(map[uint64]uint64)
		for range rapid.IntRange(1, 15).Draw(rt, "acts") {
			switch rapid.SampledFrom([]string{"append", "append", "append", "mark", "reopen"}).Draw(rt, "act") {
			case "append":
				n := rapid.Uint64Range(1, 12).Draw(rt, "build")
				r, err := l.Append(context.Background(), entry(t, n, n%3 == 0))
				if err != nil {
					rt.Fatal(err)
				}
				if _, again := first[n]; again != (r.First != nil) {
					rt.Fatalf("build %d: a duplicate is %t, want %t", n, r.First != nil, again)
				}
				if r.First == nil {
					if want := uint64(len(first) + 1); r.Sequence != want {
						rt.Fatalf("build %d has sequence %d, want %d", n, r.Sequence, want)
					}
					first[n] = r.Sequence
				}
			case "mark":
				l.MarkBuilds(rapid.Uint64Range(0, 20).Draw(rt, "sent"))
			case "reopen":
				if err := l.Close(); err != nil {
					rt.Fatal(err)
				}
				before, _ := l.State()
				if l, err = Open(context.Background(), path); err != nil {
					rt.Fatal(err)
				}
				if after, _ := l.State(); after.Last != before.Last || after.LastDeviation != before.LastDeviation || after.BuildsSent != before.BuildsSent {
					rt.Fatalf("after reopening %+v, before %+v", after, before)
				}
			}
		}
		if len(first) > 0 {
			checkChain(t, l, len(first))
		}
	})
}

func TestBuildsAreBounded(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	l := open(t, path)
	fill(t, l, 1, 3000, never)
	size := len(entry(t, 1, false).Body) + overhead
	for _, from := range []string{"memory and disk", "disk alone"} {
		for _, after := range []uint64{0, 700, 2500, 2999} {
			got, err := l.Builds(t.Context(), after, 256, 1<<20)
			if want := min(256, 3000-int(after)); err != nil || len(got) != want || got[0].Seq != after+1 {
				t.Errorf("%s, after %d: %d records, %v; want %d", from, after, len(got), err, want)
			}
			got, err = l.Builds(t.Context(), after, 256, 10*size)
			total := 0
			for _, r := range got {
				total += len(r.Bytes)
			}
			if err != nil || len(got) == 0 || total > 10*size {
				t.Errorf("%s, after %d: %d records of %d bytes, %v; want at most %d bytes", from, after, len(got), total, err, 10*size)
			}
			got, err = l.Builds(t.Context(), after, 256, 1)
			if err != nil || len(got) != 1 {
				t.Errorf("%s, after %d: %d records, %v; want the one that is over the limit by itself", from, after, len(got), err)
			}
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		l = open(t, path)
	}
}
