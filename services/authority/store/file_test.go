package store_test

import (
	"path/filepath"
	"testing"
	"time"

	"samecup.example/samecup/internal/record"
	"samecup.example/samecup/services/authority/store"
	"samecup.example/samecup/services/authority/store/storetest"
)

func openSQLite(t *testing.T) store.Store {
	t.Helper()
	s, err := store.OpenSQLite(t.Context(), filepath.Join(t.TempDir(), "authority.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return s
}

func TestSQLite(t *testing.T) { storetest.RunSuite(t, openSQLite) }

func TestSQLiteReopens(t *testing.T) {
	path := filepath.Join(t.TempDir(), "authority.db")
	var c record.Chain
	for opened := 1; opened <= 2; opened++ {
		s, err := store.OpenSQLite(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		after := c.Len()
		e, err := c.Append(time.UnixMicro(1), "ada", "draft_saved", []byte("{}"))
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Commit(t.Context(), store.Commit{After: after, Entries: []record.Entry{e}}); err != nil {
			t.Fatal(err)
		}
		if head, _, err := record.Verify(s.Entries(t.Context(), 0)); err != nil || head != c.Head() {
			t.Errorf("after opening %d times the head is %x, %v", opened, head[:4], err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
