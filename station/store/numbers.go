package store

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strconv"
	"strings"

	"samecup.example/samecup/station/durable"
)

// numbersStep is how many numbers are reserved at a time: one small file more
// to sync for so many builds.
const numbersStep = 4096

// numbersPath is a file beside the log that says which numbers may be in use.
// It is what a log goes on from when nothing of the last one can be read, so
// that no number is given to a second build.
func numbersPath(path string) string { return path + ".numbers" }

// reserve sees to it that numbers up to at least n are reserved on disk.
func (l *Log) reserve(n uint64) error {
	if n <= l.reserved {
		return nil
	}
	to := n + numbersStep
	if err := durable.WriteFile(numbersPath(l.path), []byte(strconv.FormatUint(to, 10)+"\n")); err != nil {
		return fmt.Errorf("reserve numbers: %w", err)
	}
	l.reserved = to
	return nil
}

// readNumbers returns the highest number that may be in use, 0 if nothing was
// reserved yet.
func readNumbers(path string) (uint64, error) {
	raw, err := os.ReadFile(numbersPath(path))
	if errors.Is(err, fs.ErrNotExist) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("read the reserved numbers: %w", err)
	}
	n, err := strconv.ParseUint(strings.TrimSpace(string(raw)), 10, 63)
	if err != nil {
		return 0, fmt.Errorf("%s must hold one number, the highest that may be in use here: restore it, or write a number above all that the centre has seen of this station", numbersPath(path))
	}
	return n, nil
}
