//go:build unix

package store_test

import (
	"os"
	"testing"

	"samecup.example/samecup/internal/postgresdb/pgtest"
	"samecup.example/samecup/services/authority/store"
	"samecup.example/samecup/services/authority/store/storetest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }

func TestEachEngineHasEachMigration(t *testing.T) { pgtest.SameMigrations(t, "migrations") }

func TestPostgreSQL(t *testing.T) {
	storetest.RunSuite(t, func(t *testing.T) store.Store { return openPostgres(t, pgtest.URL(t)) })
}

func openPostgres(t *testing.T, address string) *store.SQL {
	t.Helper()
	s, err := store.Open(t.Context(), address, "")
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
