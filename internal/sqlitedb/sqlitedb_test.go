package sqlitedb_test

import (
	"path/filepath"
	"testing"
	"testing/fstest"

	"samecup.example/samecup/internal/sqlitedb"
)

var migrations = fstest.MapFS{"0001_init.sql": {Data: []byte("-- +goose Up\nCREATE TABLE cup (id TEXT PRIMARY KEY) STRICT;\n")}}

func TestWhatIsCommittedIsThereAfterReopening(t *testing.T) {
	path := filepath.Join(t.TempDir(), "with space & sign?.db")
	for round := range 2 {
		db, err := sqlitedb.Open(t.Context(), path, migrations)
		if err != nil {
			t.Fatal(err)
		}
		if round == 0 {
			if _, err := db.Write.Exec("INSERT INTO cup VALUES ('c180')"); err != nil {
				t.Fatal(err)
			}
		}
		var n int
		if err := db.Read.QueryRow("SELECT count(*) FROM cup").Scan(&n); err != nil || n != 1 {
			t.Fatalf("round %d: %d rows, %v", round, n, err)
		}
		if _, err := db.Read.Exec("DELETE FROM cup"); err == nil {
			t.Fatal("a reader could write")
		}
		if err := db.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOpenSaysWhichFileItCouldNotOpen(t *testing.T) {
	if _, err := sqlitedb.Open(t.Context(), filepath.Join(t.TempDir(), "no", "such", "dir.db"), migrations); err == nil {
		t.Fatal("opened a database in a folder that is not there")
	}
}
