package pgtest

import (
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// SameMigrations wants each migration for SQLite in a directory to have its twin
// for PostgreSQL in the directory's postgres/.
func SameMigrations(t *testing.T, dir string) {
	t.Helper()
	names := func(pattern string) (out []string) {
		paths, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil || len(paths) == 0 {
			t.Fatalf("no migrations at %s in %s: %v", pattern, dir, err)
		}
		for _, p := range paths {
			out = append(out, filepath.Base(p))
		}
		return out
	}
	if diff := cmp.Diff(names("*.sql"), names("postgres/*.sql")); diff != "" {
		t.Errorf("SQLite's migrations (-) and PostgreSQL's (+) differ:\n%s", diff)
	}
}
