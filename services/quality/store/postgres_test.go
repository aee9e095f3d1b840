//go:build unix

package store_test

import (
	"flag"
	"os"
	"testing"

	"golang.org/x/sync/errgroup"

	"samecup.example/samecup/internal/postgresdb/pgtest"
	"samecup.example/samecup/services/quality/store"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }

func TestEachEngineHasEachMigration(t *testing.T) { pgtest.SameMigrations(t, "migrations") }

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

// onPostgres has tests that open directories run on databases of a server.
func onPostgres(t *testing.T) {
	addresses := map[string]string{}
	onServer = func(t *testing.T, dir string) string {
		if addresses[dir] == "" {
			addresses[dir] = pgtest.URL(t)
		}
		return addresses[dir]
	}
	t.Cleanup(func() { onServer = nil })
}

func TestRollupsOnPostgreSQL(t *testing.T) {
	onPostgres(t)
	// Each check makes a database.
	checks := flag.Lookup("rapid.checks")
	before := checks.Value.String()
	if err := checks.Value.Set("5"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = checks.Value.Set(before) })
	t.Run("they equal a rebuild whatever happened", TestRollupsEqualARebuildWhateverHappened)
	t.Run("of two corrections the later one counts", TestOfTwoCorrectionsTheLaterOneCounts)
	t.Run("builds of one hour are counted", TestCountBuildsOfOneHour)
}

// TestTwoProcessesWriteOneServer has two stores insert at once, as a centre does
// that is replaced while the old one still runs.
func TestTwoProcessesWriteOneServer(t *testing.T) {
	address := pgtest.URL(t)
	one, other := openPostgres(t, address), openPostgres(t, address)
	var g errgroup.Group
	for i, s := range []*store.SQL{one, other} {
		g.Go(func() error {
			for n := range 40 {
				b := newBuild(2*n + i + 1)
				err := s.Write(t.Context(), func(tx store.Tx) error {
					st, err := tx.Station(b.Site, b.Station)
					if err != nil {
						return err
					}
					b.StationRef = st.Ref
					return tx.InsertBuilds([]*store.Build{b})
				})
				if err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err := g.Wait(); err != nil {
		t.Fatal(err)
	}
	for n := 1; n <= 80; n++ {
		if _, err := one.Build(t.Context(), newBuild(n).ID); err != nil {
			t.Error(err)
		}
	}
}

func TestPostgreSQL(t *testing.T) {
	RunSuite(t, func(t *testing.T) store.Store { return openPostgres(t, pgtest.URL(t)) })
}
