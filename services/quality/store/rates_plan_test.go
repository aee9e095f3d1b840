package store

import (
	"path/filepath"
	"strings"
	"testing"

	"samecup.example/samecup/services/quality/rollup"
)

// TestCountingBuildsReadsWhatItIsAskedFor: every step is a search by an index
// that ends where the span does.
func TestCountingBuildsReadsWhatItIsAskedFor(t *testing.T) {
	s, err := OpenSQLite(t.Context(), filepath.Join(t.TempDir(), "quality.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for _, q := range []struct {
		query string
		args  []any
		want  string
	}{
		{sumCells + `(?, ?)`, []any{rollup.Hour, 1, 2, -1, -2}, "(level=? AND place=? AND serving=? AND period>? AND period<?)"},
		{sumBuilds + `(?, ?) GROUP BY b.grade`, []any{1, 2, 3, 4, 5}, "(station_ref=? AND hour=?)"},
	} {
		rows, err := s.db.Read.QueryContext(t.Context(), `EXPLAIN QUERY PLAN `+q.query, q.args...)
		if err != nil {
			t.Fatal(err)
		}
		steps, err := collect(rows, "the plan", func(step *string) error {
			var id, parent, unused int
			return rows.Scan(&id, &parent, &unused, step)
		})
		if err != nil {
			t.Fatal(err)
		}
		plan := strings.Join(steps, "\n")
		if !strings.Contains(plan, q.want) || strings.Contains(plan, "SCAN") {
			t.Errorf("%s\n%s", q.query, plan)
		}
	}
}
