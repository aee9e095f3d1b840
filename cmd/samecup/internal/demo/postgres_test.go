//go:build unix

package demo_test

import (
	"os"
	"testing"

	"samecup.example/samecup/cmd/samecup/internal/demo"
	"samecup.example/samecup/internal/postgresdb/pgtest"
)

func TestMain(m *testing.M) { os.Exit(pgtest.Run(m)) }

// TestTheProofHoldsOnAServer runs the same shift with the centre's tables in a
// PostgreSQL database, twice, the second going on from the first.
func TestTheProofHoldsOnAServer(t *testing.T) {
	opts := options(t, t.TempDir())
	opts.Database = pgtest.URL(t)
	for run := range 2 {
		res, err := demo.Once(t.Context(), opts)
		if err != nil {
			t.Fatal(err)
		}
		for _, line := range res.Troubles {
			t.Errorf("run %d: %s", run+1, line)
		}
		if !res.Proven() || res.BuildsCounted != 160 || res.Release != uint64(2+run) {
			t.Errorf("run %d: %s", run+1, res)
		}
	}
}
