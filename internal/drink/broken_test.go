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
// errors that a reader must see, no more and no fewer.
func TestEachBrokenBookGetsExactlyItsProblem(t *testing.T) {
	entries, err := os.ReadDir(booksDir + "broken-books")
	if err != nil {
		t.Fatal(err)
	}
	if len(entries) < 12 {
		t.Fatalf("only %d broken books", len(entries))
	}
	for _, e := range entries {
		t.Run(e.Name(), func(t *testing.T) {
			dir := filepath.Join(booksDir, "broken-books", e.Name())
			_, problems := drink.CheckDir(dir)
			var got strings.Builder
			for _, p := range problems.At(drink.Error) {
				got.WriteString(p.String() + "\n")
			}
			golden(t, filepath.Join(dir, "expected.txt"), got.String())
			if n := len(problems.At(drink.Error)); n != 1 {
				t.Errorf("%d errors, want exactly 1", n)
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
