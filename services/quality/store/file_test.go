package store_test

import (
	"path/filepath"
	"testing"

	"samecup.example/samecup/services/quality/store"
)

func openSQLite(t *testing.T, path string) *store.SQL {
	t.Helper()
	s, err := store.OpenSQLite(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSQLite(t *testing.T) {
	RunSuite(t, func(t *testing.T) store.Store {
		s := openSQLite(t, filepath.Join(t.TempDir(), "quality.db"))
		t.Cleanup(func() {
			if err := s.Close(); err != nil {
				t.Error(err)
			}
		})
		return s
	})
}

func TestSQLiteGoesOnWhereItStopped(t *testing.T) {
	path := filepath.Join(t.TempDir(), "quality.db")
	s := openSQLite(t, path)
	first := newBuild(1)
	insert(t, s, first)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	s = openSQLite(t, path)
	defer s.Close()
	second, again := newBuild(2), newBuild(1)
	insert(t, s, second, again)
	if second.Duplicate || second.Ref <= first.Ref || !again.Duplicate || again.Conflict {
		t.Errorf("after reopening: second %+v, again %+v", second, again)
	}
}
