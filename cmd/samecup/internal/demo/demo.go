// Package demo answers one question: what does the whole chain look like when
// it runs?
//
// It starts bus, authority, quality and the stations of an invented chain in
// one process, lets simulated baristas make drinks, and either shows what
// happens ([Live]) or proves over a short shift that nothing is lost, doubled,
// missed or made up ([Once]).
package demo

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"
)

// Options set up a demo.
type Options struct {
	// Program is how a reader starts this binary in another terminal; "samecup"
	// if empty.
	Program string
	// Dir holds all data; the next start continues from it.
	Dir string
	// Database is the address of a PostgreSQL database for the centre's tables;
	// empty means files in Dir.
	Database string
	// Seed of the simulated baristas.
	Seed uint64
	// Listen is the centre's address on this machine; port 0 takes a free one.
	Listen string
	// Console is the address of the web pages on this machine; port 0 takes a
	// free one. [Live] only.
	Console string
	// Builds that each station makes; [Once] only.
	Builds int
	// FaultRate is the share of builds with a fault injected, 0 to 1.
	FaultRate float64
	// Pace is the mean time between two builds of a station; [Live] only.
	Pace time.Duration
	// Out is written to by [Live]; Terminal says that it can redraw a line.
	Out      io.Writer
	Terminal bool
	Log      *zap.Logger
}

// site is a shop of the demo's chain with its one station.
type site struct{ id, name, region, timeZone string }

// sites of Harbour & Finch, an invented chain, in two regions and time zones.
var sites = []site{
	{"tannery-row", "Tannery Row", "harbour", "Europe/London"},
	{"lantern-hill", "Lantern Hill", "harbour", "Europe/London"},
	{"oyster-steps", "Oyster Steps", "finch", "Europe/Amsterdam"},
	{"quillmaker-street", "Quillmaker Street", "finch", "Europe/Amsterdam"},
}

// stationName is the slug of each site's one station.
const stationName = "bar-1"

// state is what the demo itself keeps between starts.
type state struct {
	// Runs counts the starts on these data; builds of each get ids of their own.
	Runs uint64 `json:"runs"`
}

// nextRun counts a start in dir, making the directory if need be.
func nextRun(dir string) (uint64, error) {
	if dir == "" {
		return 0, errors.New("data directory: empty; name one with --data")
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return 0, fmt.Errorf("data directory: %w", err)
	}
	path := filepath.Join(dir, "demo.json")
	var s state
	switch raw, err := os.ReadFile(path); {
	case errors.Is(err, os.ErrNotExist):
	case err != nil:
		return 0, fmt.Errorf("read the demo's state: %w", err)
	default:
		if err := json.Unmarshal(raw, &s); err != nil {
			return 0, fmt.Errorf("read the demo's state in %s: %w; remove the directory to start afresh", path, err)
		}
	}
	s.Runs++
	raw, err := json.Marshal(s)
	if err != nil {
		return 0, fmt.Errorf("write the demo's state: %w", err)
	}
	// A rename replaces the file whole or not at all.
	next := path + ".next"
	if err := os.WriteFile(next, raw, 0o600); err != nil {
		return 0, fmt.Errorf("write the demo's state: %w", err)
	}
	if err := os.Rename(next, path); err != nil {
		return 0, fmt.Errorf("write the demo's state: %w", err)
	}
	return s.Runs, nil
}
