package drink_test

import (
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"samecup.example/samecup/internal/drink"
)

var update = flag.Bool("update", false, "rewrite the expected files")

// Each folder is a small book with one thing wrong; expected.txt holds the
// errors and cautions that a reader must see, no more and no fewer. A folder
// whose name begins with "caution-" may be released, once acknowledged.
func TestEachBrokenBookGetsExactlyItsProblem(t *testing.T) {
	entries, err := os.ReadDir(booksDir + "broken-books")
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) < 30 {
		t.Fatalf("only %d broken books", len(entries))
	}
	for _, e := range entries {
		t.Run(e.Name(), func(t *testing.T) {
			dir := filepath.Join(booksDir, "broken-books", e.Name())
			_, problems := drink.CheckDir(dir)
			level := drink.Error
			if strings.HasPrefix(e.Name(), "caution-") {
				level = drink.Caution
			}
			var got strings.Builder
			for _, p := range problems {
				if p.Level == drink.Note {
					continue
				}
				got.WriteString(p.String() + "\n")
				if p.Level != level || p.Mend == "" {
					t.Errorf("%s: %s; want one %s with its mend", p.Level, p, level)
				}
			}
			golden(t, filepath.Join(dir, "expected.txt"), got.String())
			if n := strings.Count(got.String(), "\n"); n != 1 {
				t.Errorf("%d findings, want exactly 1:\n%s", n, &got)
			}
		})
	}
}

func golden(t *testing.T, path, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), got); diff != "" {
		t.Errorf("%s (-want +got):\n%s", path, diff)
	}
}
