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
	"time"
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
	size := 0
	for n := step; n > 0 && err == nil; {
		var wrote int
		wrote, err = f.Write(block[:n])
		size += wrote
		if isFull(err) {
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
		// The system may give the room back a moment later.
		for end := time.Now().Add(10 * time.Second); ; {
			err := os.WriteFile(path, make([]byte, size/2), 0o600)
			if err := os.Remove(path); err != nil {
				tb.Fatal(err)
			}
			if err == nil {
				return
			}
			if !isFull(err) || time.Now().After(end) {
				tb.Fatalf("the room is not given back: %v", err)
			}
		}
	}
}
