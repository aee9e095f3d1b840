// Package disktest gives a test disks of its own that really fill up and really
// go read-only, which injected faults (internal/sqlitedb/faultvfs) only play.
//
// A test runs anew in a process with mounts of its own, which on Linux needs no
// rights where user namespaces are allowed; elsewhere it says so and is skipped.
package disktest

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"testing"
)

// env names, in the process with mounts of its own, the test that it is for.
const env = "SAMECUP_TEST_OWN_MOUNTS"

// step is how much Fill writes at a time at first, bytes.
const step = 64 << 10

// Fill takes all room that is left on the disk of a directory, to the last byte,
// and returns what gives it back.
func Fill(tb testing.TB, dir string) (free func()) {
	tb.Helper()
	path := filepath.Join(dir, "filler")
	f, err := os.Create(path)
	if err != nil {
		tb.Fatal(err)
	}
	block := make([]byte, step)
	for n := step; n > 0 && err == nil; {
		if _, err = f.Write(block[:n]); isFull(err) {
			n, err = n/2, nil
		}
	}
	if err = errors.Join(err, f.Close()); err != nil {
		tb.Fatal(fmt.Errorf("fill the disk: %w", err))
	}
	return func() {
		tb.Helper()
		if err := os.Remove(path); err != nil {
			tb.Fatal(err)
		}
	}
}
