// Package lean answers one question: what need a long-running process on a small
// machine not keep in memory?
//
// Two things, measured on a station's agent. Of the program's own code and
// tables, the start touches tens of MiB that are hardly needed again; they are
// given back, and come back page by page from the system's cache where they
// are. And the heap may grow to a quarter above what is in use, not to its
// double.
package lean

import (
	"context"
	"runtime/debug"
	"time"
)

const (
	// gcPercent trades collector time, of which an agent has plenty, for memory.
	gcPercent = 25
	// soon is when pages are given back first: the start should be over. Then
	// it is done every so often; what is in use comes back at the cost of some
	// hundred minor faults.
	soon  = 2 * time.Second
	often = 10 * time.Second
)

// Keep keeps this process lean until ctx ends; call it at the start. It changes
// settings of the whole process.
func Keep(ctx context.Context) {
	debug.SetGCPercent(gcPercent)
	go func() {
		t := time.NewTimer(soon)
		defer t.Stop()
		for {
			select {
			case <-t.C:
				release()
				t.Reset(often)
			case <-ctx.Done():
				return
			}
		}
	}()
}

// release is best effort: a system that does not take pages back leaves them.
func release() {
	debug.FreeOSMemory()
	_, _ = dropProgram()
}
