package store_test

import (
	"path/filepath"
	"testing"

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
	for want := uint64(1); want <= 2; want++ {
		s, err := store.OpenSQLite(t.Context(), path)
		if err != nil {
			t.Fatal(err)
		}
		n := store.NewRelease{RequestID: string(rune('a' + want)), Scope: "chain"}
		r, _, err := s.CreateRelease(t.Context(), n, func(uint64) ([]byte, [32]byte, error) { return []byte("x"), [32]byte{}, nil })
		if err != nil {
			t.Fatal(err)
		}
		if r.Number != want {
			t.Errorf("number after opening %d times is %d", want, r.Number)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}
