package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"samecup.example/samecup/services/quality/store"
)

func TestRollupCommandsOnAnEmptyAndAMissingDatabase(t *testing.T) {
	dir := t.TempDir()
	for _, sub := range []string{"rebuild", "verify"} {
		if out, code := runBookCommand(t, "rollup", sub, "--data", dir); code != 2 || !strings.Contains(out, "no quality database") {
			t.Errorf("%s without a database = %d: %s", sub, code, out)
		}
	}
	quality := filepath.Join(dir, "quality")
	if err := os.Mkdir(quality, 0o700); err != nil {
		t.Fatal(err)
	}
	db, err := store.OpenSQLite(t.Context(), filepath.Join(quality, "quality.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	for _, sub := range []string{"rebuild", "verify"} {
		if out, code := runBookCommand(t, "rollup", sub, "--data", dir); code != 0 {
			t.Errorf("%s of an empty database = %d: %s", sub, code, out)
		}
	}
}
