package store_test

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestEachEngineHasEachMigration wants a table that one engine has on the other.
func TestEachEngineHasEachMigration(t *testing.T) {
	files, err := filepath.Glob("migrations/*.sql")
	if err != nil || len(files) == 0 {
		t.Fatalf("%d migrations, %v", len(files), err)
	}
	server, err := filepath.Glob("migrations/postgres/*.sql")
	if err != nil {
		t.Fatal(err)
	}
	names := func(paths []string) (out []string) {
		for _, p := range paths {
			out = append(out, filepath.Base(p))
		}
		return out
	}
	if diff := cmp.Diff(names(files), names(server)); diff != "" {
		t.Errorf("SQLite's migrations (-) and PostgreSQL's (+) differ:\n%s", diff)
	}
}
