package store

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/internal/sqlitedb/faultvfs"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const pageSize = 4096

// history is a closed log of so many builds, some of them sent, as bytes.
type history struct {
	db, numbers []byte
	records     [][]byte
	sent        uint64
}

func newHistory(t testing.TB, builds, sent uint64) history {
	t.Helper()
	path := filepath.Join(t.TempDir(), "builds.db")
	l := open(t, path)
	for n := range builds {
		e := entry(t, n+1, n%5 == 0)
		more, err := proto.Marshal(&pb.BuildRecord{Build: &pb.Build{How: strings.Repeat("x", 200)}})
		if err != nil {
			t.Fatal(err)
		}
		e.Body = append(e.Body, more...)
		if _, err := l.Append(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	if err := l.AddRefusal(t.Context(), &pb.Refusal{Reason: "OLDER"}); err != nil {
		t.Fatal(err)
	}
	l.MarkBuilds(sent)
	l.MarkDeviations(sent)
	h := history{sent: sent, records: all(t, l)}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	h.db, h.numbers = read(t, path), read(t, numbersPath(path))
	return h
}

func read(t testing.TB, path string) []byte {
	t.Helper()
	raw, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return raw
}

// all reads every record off the disk.
func all(t testing.TB, l *Log) (out [][]byte) {
	t.Helper()
	rows, err := l.db.Read.Query(`SELECT record FROM builds ORDER BY seq`)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	for rows.Next() {
		var raw []byte
		if err := rows.Scan(&raw); err != nil {
			t.Fatal(err)
		}
		out = append(out, raw)
	}
	return out
}

// lay puts a log on a disk of its own.
func (h history) lay(t testing.TB, db []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "builds.db")
	write(t, path, db)
	if h.numbers != nil {
		write(t, numbersPath(path), h.numbers)
	}
	return path
}

// holds opens a log that was damaged and checks that nothing is lost in
// silence: each record is there as it was, or its number is among the lost and
// the damaged file is kept; no number comes again; and the log works.
func (h history) holds(t testing.TB, path string, damaged []byte, opts ...sqlitedb.Option) *Damage {
	t.Helper()
	l, err := Open(context.Background(), path, opts...)
	if err != nil {
		t.Fatal(err)
	}
	d := l.Damage()
	have := make(map[uint64][]byte)
	for _, raw := range all(t, l) {
		k, err := readLink(raw)
		if err != nil {
			t.Fatal(err)
		}
		have[k.seq] = raw
	}
	total := uint64(len(h.records))
	for i, raw := range h.records {
		n := uint64(i + 1)
		switch got := have[n]; {
		case got == nil && n > h.sent && !l.Lost(n, n):
			t.Errorf("record %d is gone and not among the lost", n)
		case got != nil && !bytes.Equal(got, raw):
			t.Errorf("record %d is not what was logged", n)
		}
	}
	if s, _ := l.State(); s.BuildsSent > h.sent {
		t.Errorf("%d builds count as sent, %d were", s.BuildsSent, h.sent)
	}
	if d == nil && len(have) != len(h.records) {
		t.Errorf("%d of %d records are there and no damage is told", len(have), total)
	}
	if d != nil {
		if d.Aside == "" {
			t.Errorf("nothing was set aside: %s", d)
		} else if kept := read(t, filepath.Join(d.Aside, "builds.db")); !bytes.Equal(kept, damaged) {
			t.Error("what was set aside is not the damaged file")
		}
		if !strings.Contains(string(read(t, filepath.Join(d.Aside, "REPORT.txt"))), d.String()) {
			t.Error("the report does not say what happened")
		}
		if d.Kept != uint64(len(have)) {
			t.Errorf("%d records are told to be kept, %d are", d.Kept, len(have))
		}
	}
	r, err := l.Append(context.Background(), entry(t, 1_000_000, true))
	if err != nil || r.Sequence <= total || d != nil && r.Sequence != d.Next {
		t.Errorf("the next build: %+v, %v after %d; want the number above all others, %v", r, err, total, d)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if l, err = Open(context.Background(), path); err != nil {
		t.Fatal(err)
	}
	if d := l.Damage(); d != nil {
		t.Errorf("the new log is damaged: %s", d)
	}
	if told, err := l.Refusals(context.Background()); err != nil || d != nil && told[len(told)-1].GetReason() != ReasonDamaged {
		t.Errorf("refusals %v, %v; want the damage as the last", told, err)
	}
	if s, _ := l.State(); s.Last != r.Sequence || s.LastDeviation != r.Sequence {
		t.Errorf("after opening again %+v; want record %d as the last", s, r.Sequence)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	return d
}

// The first pages of a log, which hold its structure, and every other page after
// them are overwritten, emptied, or have one bit flipped, one at a time.
func TestDamagedPageIsSetAsideAndTheRestGoesOn(t *testing.T) {
	h := newHistory(t, 150, 20)
	r := rand.New(rand.NewPCG(3, 4))
	found, whole := 0, 0
	for page := 0; page*pageSize < len(h.db); page++ {
		if page%2 != 0 && page > 8 || testing.Short() && page%5 != 0 {
			continue
		}
		for name, spoil := range map[string]func([]byte){
			"noise": func(p []byte) {
				for i := range p {
					p[i] = byte(r.Uint32())
				}
			},
			"nothing": func(p []byte) { clear(p) },
			"one bit": func(p []byte) { p[r.IntN(len(p))] ^= 1 << r.IntN(8) },
		} {
			damaged := bytes.Clone(h.db)
			spoil(damaged[page*pageSize : (page+1)*pageSize])
			path := h.lay(t, damaged)
			d := h.holds(t, path, damaged)
			if t.Failed() {
				t.Fatalf("page %d, %s: %v", page, name, d)
			}
			if d == nil {
				continue
			}
			found++
			if len(d.Lost) == 0 {
				whole++
			}
		}
	}
	t.Logf("%d times the damage was found, %d times nothing was lost", found, whole)
	if found == 0 || whole == 0 || whole == found {
		t.Error("want damage with and without loss")
	}
}

// flip changes a byte within a record, also where an old copy stands in a page.
func flip(db, record []byte) []byte {
	other := bytes.Clone(record)
	other[20] ^= 1
	return bytes.ReplaceAll(db, record, other)
}

func TestDamageIsToldInWords(t *testing.T) {
	h := newHistory(t, 150, 20)
	damaged := bytes.Clone(h.db)
	for _, tt := range []struct {
		name  string
		spoil func([]byte) []byte
		want  []string
	}{
		{"nothing can be read", func(p []byte) []byte { return bytes.Repeat([]byte("coffee"), 2000) },
			[]string{"0 of its records were carried over", "what stood under 1 to 4097 cannot be read", "goes on at 4098"}},
		{"cut short", func(p []byte) []byte { return p[:len(p)/2/pageSize*pageSize] },
			[]string{"the build log was damaged (", "kept as it was in ", "cannot be read and is missing at the centre"}},
		{"a byte within a record", func(p []byte) []byte {
			return flip(p, h.records[99])
		}, []string{"149 of its records were carried over", "what stood under 100 cannot be read", "builds: at most 1)", "goes on at 151"}},
		{"a byte within a record that was sent", func(p []byte) []byte {
			return flip(p, h.records[9])
		}, []string{"149 of its records were carried over", "none that waited to be sent is missing", "goes on at 151"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			damaged := tt.spoil(bytes.Clone(damaged))
			d := h.holds(t, h.lay(t, damaged), damaged)
			if d == nil {
				t.Fatal("no damage was found")
			}
			for _, want := range tt.want {
				if !strings.Contains(d.String(), want) {
					t.Errorf("%s\nwant %q in it", d, want)
				}
			}
		})
	}
}

// Damage in a long backlog, further back than a start looks, is found before it
// is sent, and the next start sets it aside.
func TestDamageFarBackIsFoundWhenItIsSent(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	l := open(t, path)
	const builds = chainAtStart + 1500
	fill(t, l, 1, builds, never)
	records := all(t, l)
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	h := history{db: read(t, path), numbers: read(t, numbersPath(path)), records: records}
	damaged := flip(bytes.Clone(h.db), records[700])
	path = h.lay(t, damaged)
	l = open(t, path)
	if l.Damage() != nil {
		t.Fatalf("found at the start: %s", l.Damage())
	}
	var err error
	sent := uint64(0)
	for err == nil && sent < builds {
		var got []Record
		if got, err = l.ToSend(t.Context(), sent, 256, 1<<20); err == nil {
			sent = got[len(got)-1].Seq
		}
	}
	if err == nil || !strings.Contains(err.Error(), "start the station again") || sent >= 702 {
		t.Errorf("%d were given out: %v", sent, err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	l = open(t, path)
	if d := l.Damage(); d == nil || d.Kept != builds-1 || len(d.Lost) != 1 || d.Lost[0] != (Range{701, 701}) {
		t.Errorf("damage %v", d)
	}
	if _, err := os.Stat(suspectPath(path)); err == nil {
		t.Error("it is still suspect")
	}
}

// What a torn write leaves behind the last whole transaction of the write-ahead
// log is passed over; it was never answered.
func TestTornTailOfTheWriteAheadLogIsPassedOver(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	l := open(t, path)
	fill(t, l, 1, 60, never)
	// As a crash would leave it: the files as they are while it is open.
	h := history{db: read(t, path), numbers: read(t, numbersPath(path)), records: all(t, l)}
	wal := read(t, path+"-wal")
	frame := wal[len(wal)-24-pageSize:]
	for name, tail := range map[string][]byte{
		"nothing": nil, "half a frame": frame[:len(frame)/2], "noise": bytes.Repeat([]byte{0xa5}, 3*pageSize),
		"an empty page": make([]byte, 24+pageSize), "an old frame": frame, "a frame with a torn page": append(bytes.Clone(frame[:600]), make([]byte, len(frame)-600)...),
	} {
		t.Run(name, func(t *testing.T) {
			path := h.lay(t, h.db)
			write(t, path+"-wal", append(bytes.Clone(wal), tail...))
			if d := h.holds(t, path, nil); d != nil {
				t.Errorf("a torn tail is told as damage: %s", d)
			}
		})
	}
}

// A crash, or a refusal of the disk, anywhere in a rescue begins it anew.
func TestARescueSurvivesCrashes(t *testing.T) {
	h := newHistory(t, 60, 5)
	damaged := flip(bytes.Clone(h.db), h.records[30])
	step := int64(7)
	if testing.Short() {
		step = 29
	}
	for at := int64(1); ; at += step {
		path := h.lay(t, damaged)
		var n atomic.Int64
		_, err := Open(t.Context(), path, faulty(t, func(op faultvfs.Op) faultvfs.Code {
			if strings.HasSuffix(op.Path, "-shm") {
				return faultvfs.OK
			}
			// From there on nothing reaches the disk any more.
			if n.Add(1) >= at {
				return faultvfs.WriteFails
			}
			return faultvfs.OK
		}))
		if err == nil {
			if at < 20 {
				t.Fatalf("a rescue took %d operations", at)
			}
			return
		}
		if d := h.holds(t, path, damaged); d == nil {
			t.Fatalf("operation %d: no damage told", at)
		}
		if t.Failed() {
			t.Fatalf("operation %d", at)
		}
	}
}

// A log that somebody removed does not begin at 1 again.
func TestARemovedLogGoesOnAfterItsNumbers(t *testing.T) {
	h := newHistory(t, 30, 30)
	path := h.lay(t, h.db)
	if err := os.Remove(path); err != nil {
		t.Fatal(err)
	}
	l := open(t, path)
	if d := l.Damage(); d == nil || d.Next != 4098 || !strings.Contains(d.String(), "it is missing, although numbers up to 4097 may be in use") {
		t.Errorf("%v", l.Damage())
	}
	r, err := l.Append(t.Context(), entry(t, 1, false))
	if err != nil || r.Sequence != 4098 {
		t.Errorf("%+v, %v; want record 4098", r, err)
	}
}

// A disk that cannot be written is an error at the start that tells so.
func TestAReadOnlyDiskIsToldAtTheStart(t *testing.T) {
	h := newHistory(t, 10, 0)
	for name, db := range map[string][]byte{"a new log": nil, "a log of before": h.db} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "builds.db")
			if db != nil {
				path = h.lay(t, db)
			}
			_, err := Open(t.Context(), path, faulty(t, func(op faultvfs.Op) faultvfs.Code {
				if op.Kind == faultvfs.Open {
					return faultvfs.OK
				}
				return faultvfs.ReadOnly
			}))
			if sqlitedb.FaultOf(err) != sqlitedb.ReadOnly {
				t.Errorf("%v, fault %d; want a read-only disk", err, sqlitedb.FaultOf(err))
			}
			if db != nil && !bytes.Equal(read(t, path), db) {
				t.Error("the log was touched")
			}
		})
	}
}

func TestNumbersThatCannotBeReadAreToldInWords(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	for _, bad := range []string{"", "twelve", "-1", fmt.Sprint(uint64(1) << 63)} {
		write(t, numbersPath(path), []byte(bad))
		if _, err := Open(t.Context(), path); err == nil || !strings.Contains(err.Error(), "write a number above all that the centre has seen") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}
