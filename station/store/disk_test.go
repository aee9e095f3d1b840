package store

import (
	"bytes"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/internal/sqlitedb/faultvfs"
)

var systems atomic.Int64

// faulty registers a file system of which hook decides; it makes the option.
func faulty(t testing.TB, hook faultvfs.Hook) sqlitedb.Option {
	t.Helper()
	name := fmt.Sprintf("store-test-%d", systems.Add(1))
	if err := faultvfs.Register(name, hook); err != nil {
		t.Fatal(err)
	}
	return sqlitedb.VFS(name)
}

// disk is a model of what a disk has of each file: what was synced for certain,
// and what was written since, of which it may have any part.
type disk struct {
	mu     sync.Mutex
	files  map[string]*image
	before func(*disk)
}

type image struct {
	synced  []byte
	pending []faultvfs.Op
}

func newDisk(before func(*disk)) *disk { return &disk{files: make(map[string]*image), before: before} }

func (d *disk) hook(op faultvfs.Op) faultvfs.Code {
	// Shared memory is made anew at each start, and temporary files have no
	// name.
	if op.Kind == faultvfs.Open || op.Path == "" || strings.HasSuffix(op.Path, "-shm") {
		return faultvfs.OK
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.before(d)
	f := d.files[op.Path]
	if f == nil {
		f = &image{}
		d.files[op.Path] = f
	}
	switch op.Kind {
	case faultvfs.Write, faultvfs.Truncate:
		op.Data = bytes.Clone(op.Data)
		f.pending = append(f.pending, op)
	case faultvfs.Sync:
		f.synced = f.after(f.pending)
		f.pending = nil
	case faultvfs.Delete:
		delete(d.files, op.Path)
	}
	return faultvfs.OK
}

// after is the file once some operations have reached it.
func (f *image) after(ops []faultvfs.Op) []byte {
	out := bytes.Clone(f.synced)
	for _, op := range ops {
		switch end := op.Offset + int64(len(op.Data)); {
		case op.Kind == faultvfs.Truncate:
			out = out[:min(int64(len(out)), op.Offset)]
		default:
			if end > int64(len(out)) {
				out = append(out, make([]byte, end-int64(len(out)))...)
			}
			copy(out[op.Offset:], op.Data)
		}
	}
	return out
}

const sector = 512

// cut is what the disk may hold if the power goes now.
func (d *disk) cut(reached func([]faultvfs.Op) []faultvfs.Op) map[string][]byte {
	out := make(map[string][]byte, len(d.files))
	for path, f := range d.files {
		out[filepath.Base(path)] = f.after(reached(f.pending))
	}
	return out
}

func nothing([]faultvfs.Op) []faultvfs.Op        { return nil }
func everything(ops []faultvfs.Op) []faultvfs.Op { return ops }

// some operations reach the disk, in any choice, one of them torn at a sector.
func some(r *rand.Rand) func([]faultvfs.Op) []faultvfs.Op {
	return func(ops []faultvfs.Op) (out []faultvfs.Op) {
		for _, op := range ops {
			if r.IntN(2) == 0 {
				continue
			}
			if n := len(op.Data) / sector; n > 0 && r.IntN(4) == 0 {
				op.Data = op.Data[:r.IntN(n+1)*sector]
			}
			out = append(out, op)
		}
		return out
	}
}

// moment is a disk at a moment, and what was answered by then.
type moment struct {
	files    map[string][]byte
	numbers  []byte
	answered uint64
}

// Whatever part of the unsynced writes a power cut leaves, at every boundary
// between two operations on the disk, what was answered is there, the numbers
// have no gap, and the log is not even damaged.
func TestPowerCutAtEveryWriteAndSync(t *testing.T) {
	path := filepath.Join(t.TempDir(), "builds.db")
	ways := [...]func([]faultvfs.Op) []faultvfs.Op{nothing, some(rand.New(rand.NewPCG(1, 2))), everything}
	var answered atomic.Uint64
	var moments []moment
	n := 0
	d := newDisk(func(d *disk) {
		n++
		if testing.Short() && n%7 != 0 {
			return
		}
		numbers, _ := os.ReadFile(numbersPath(path))
		moments = append(moments, moment{d.cut(ways[n%len(ways)]), numbers, answered.Load()})
	})
	opt := faulty(t, d.hook)
	const builds = 40
	l, err := Open(t.Context(), path, opt)
	if err != nil {
		t.Fatal(err)
	}
	for i := range uint64(builds) {
		if _, err := l.Append(t.Context(), entry(t, i+1, i%3 == 0)); err != nil {
			t.Fatal(err)
		}
		answered.Store(i + 1)
		switch {
		case i == 20:
			// Move the log's pages into the database in between.
			if _, err := l.db.Write.Exec(`PRAGMA wal_checkpoint(TRUNCATE)`); err != nil {
				t.Fatal(err)
			}
		case i%8 == 0:
			l.MarkBuilds(i)
		}
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if n < 3*builds {
		t.Fatalf("only %d operations were seen", n)
	}
	for i, m := range moments {
		dir := t.TempDir()
		for name, data := range m.files {
			write(t, filepath.Join(dir, name), data)
		}
		if m.numbers != nil {
			write(t, numbersPath(filepath.Join(dir, "builds.db")), m.numbers)
		}
		l, err := Open(context.Background(), filepath.Join(dir, "builds.db"))
		if err != nil {
			t.Fatalf("moment %d: %v", i, err)
		}
		if d := l.Damage(); d != nil {
			t.Errorf("moment %d: %s", i, d)
		}
		s, _ := l.State()
		if s.Last < m.answered {
			t.Errorf("moment %d: %d builds were answered, %d are there", i, m.answered, s.Last)
		}
		checkChain(t, l, int(s.Last))
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func write(t testing.TB, path string, data []byte) {
	t.Helper()
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
}

// At the moment of an answer, nothing of the log is unsynced that it needs:
// the answer comes after the sync, and the sync after the write.
func TestAnswerComesAfterTheSync(t *testing.T) {
	var unsynced atomic.Int64
	d := newDisk(func(*disk) {})
	path := filepath.Join(t.TempDir(), "builds.db")
	l, err := Open(t.Context(), path, faulty(t, d.hook))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	for i := range uint64(50) {
		if _, err := l.Append(t.Context(), entry(t, i+1, false)); err != nil {
			t.Fatal(err)
		}
		d.mu.Lock()
		unsynced.Add(int64(len(d.files[path+"-wal"].pending)))
		d.mu.Unlock()
	}
	if n := unsynced.Load(); n != 0 {
		t.Errorf("%d writes to the log were not synced when builds were answered", n)
	}
}

// Builds that come while a sync is under way share the next one.
func TestGroupCommitSharesASync(t *testing.T) {
	const builds = 500
	var syncs atomic.Int64
	var held atomic.Bool
	began, hold := make(chan struct{}), make(chan struct{})
	l, err := Open(t.Context(), filepath.Join(t.TempDir(), "builds.db"), faulty(t, func(op faultvfs.Op) faultvfs.Code {
		if op.Kind == faultvfs.Sync && held.Load() && syncs.Add(1) == 1 {
			close(began)
			<-hold
		}
		return faultvfs.OK
	}))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	held.Store(true)
	done := make(chan error, builds)
	add := func(n uint64) {
		_, err := l.Append(context.Background(), entry(t, n, false))
		done <- err
	}
	go add(1)
	<-began
	for n := range uint64(builds - 1) {
		go add(n + 2)
	}
	for deadline := time.Now().Add(20 * time.Second); len(l.queue) < builds-1; time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("%d builds wait for the sync", len(l.queue))
		}
	}
	close(hold)
	for range builds {
		if err := <-done; err != nil {
			t.Fatal(err)
		}
	}
	// The first build's, and those of one transaction for all others.
	if n := syncs.Load(); n > 4 {
		t.Errorf("%d builds took %d syncs", builds, n)
	}
	checkChain(t, l, builds)
}

// Each operation in turn is refused once, in each way: no build is answered
// that is not there, and all go in when they are sent again.
func TestEveryOperationFailsOnce(t *testing.T) {
	for name, code := range map[string]faultvfs.Code{
		"the disk is full": faultvfs.Full, "the disk is read-only": faultvfs.ReadOnly,
		"a write fails": faultvfs.WriteFails, "a sync fails": faultvfs.SyncFails,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			const builds = 5
			failed, step := 0, int64(1)
			if testing.Short() {
				step = 5
			}
			for at := int64(1); ; at += step {
				var n, armed atomic.Int64
				path := filepath.Join(t.TempDir(), "builds.db")
				l, err := Open(t.Context(), path, faulty(t, func(op faultvfs.Op) faultvfs.Code {
					if armed.Load() == 0 || op.Kind == faultvfs.Open || strings.HasSuffix(op.Path, "-shm") {
						return faultvfs.OK
					}
					if n.Add(1) == at {
						return code
					}
					return faultvfs.OK
				}))
				if err != nil {
					t.Fatal(err)
				}
				armed.Store(1)
				for i := range uint64(builds) {
					for try := 0; ; try++ {
						r, err := l.Append(t.Context(), entry(t, i+1, false))
						if err == nil && (r.Sequence == i+1 || r.First != nil) {
							break
						}
						if err == nil || try > 0 {
							t.Fatalf("operation %d: build %d: %+v, %v", at, i+1, r, err)
						}
						if sqlitedb.FaultOf(err) == sqlitedb.NoFault {
							t.Errorf("operation %d: %v is no fault of the disk", at, err)
						}
						failed++
					}
				}
				checkChain(t, l, builds)
				if err := l.Close(); err != nil && sqlitedb.FaultOf(err) == sqlitedb.NoFault {
					t.Fatal(err)
				}
				l = open(t, path)
				if s, _ := l.State(); s.Last != builds || l.Damage() != nil {
					t.Fatalf("operation %d: after opening again %+v, %v", at, s, l.Damage())
				}
				checkChain(t, l, builds)
				if n.Load() < at {
					break
				}
			}
			if failed < builds && step == 1 || failed == 0 {
				t.Errorf("only %d builds were refused", failed)
			}
		})
	}
}
