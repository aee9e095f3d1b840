package faultvfs_test

import (
	"path/filepath"
	"strings"
	"testing"
	"testing/fstest"

	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/internal/sqlitedb/faultvfs"
)

var migrations = fstest.MapFS{"0001_init.sql": {Data: []byte("-- +goose Up\nCREATE TABLE cup (id TEXT PRIMARY KEY) STRICT;\n")}}

func TestTheHookSeesAndRefuses(t *testing.T) {
	answers := map[faultvfs.Kind]faultvfs.Code{}
	seen := map[faultvfs.Kind]int{}
	var bytes int
	err := faultvfs.Register("sees-and-refuses", func(op faultvfs.Op) faultvfs.Code {
		seen[op.Kind]++
		bytes += len(op.Data)
		return answers[op.Kind]
	})
	if err != nil {
		t.Fatal(err)
	}
	db, err := sqlitedb.Open(t.Context(), filepath.Join(t.TempDir(), "cups.db"), migrations, sqlitedb.VFS("sees-and-refuses"))
	if err != nil {
		t.Fatal(err)
	}
	insert := func(id string) error {
		_, err := db.Write.Exec("INSERT INTO cup VALUES (?)", id)
		return err
	}
	for _, test := range []struct {
		kind faultvfs.Kind
		code faultvfs.Code
		want sqlitedb.Fault
	}{
		{faultvfs.Write, faultvfs.Full, sqlitedb.Full},
		{faultvfs.Write, faultvfs.ReadOnly, sqlitedb.ReadOnly},
		{faultvfs.Write, faultvfs.WriteFails, sqlitedb.Failing},
		{faultvfs.Sync, faultvfs.SyncFails, sqlitedb.Failing},
	} {
		answers[test.kind] = test.code
		if err := insert("c"); sqlitedb.FaultOf(err) != test.want {
			t.Errorf("%s refused with %d: %v, fault %d; want %d", test.kind, test.code, err, sqlitedb.FaultOf(err), test.want)
		}
		delete(answers, test.kind)
	}
	writes, syncs := seen[faultvfs.Write], seen[faultvfs.Sync]
	if err := insert("c"); err != nil {
		t.Fatal(err)
	}
	if seen[faultvfs.Write] == writes || seen[faultvfs.Sync] == syncs || bytes == 0 {
		t.Errorf("a commit showed %d writes and %d syncs", seen[faultvfs.Write]-writes, seen[faultvfs.Sync]-syncs)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if seen[faultvfs.Open] == 0 || seen[faultvfs.Delete] == 0 {
		t.Errorf("seen %v; want opens, and the log's deletion at the end", seen)
	}
}

func TestFaultOfADamagedFile(t *testing.T) {
	path := filepath.Join(t.TempDir(), "cups.db")
	db, err := sqlitedb.Rescue(path)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec("CREATE TABLE cup (id)"); err == nil || strings.Contains(err.Error(), "damaged") {
		t.Errorf("a rescued database took a change: %v", err)
	}
}
