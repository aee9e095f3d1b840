// Package durable answers how a small file is replaced so that a crash leaves
// either the old content or the new, and how a directory is kept to one owner.
package durable

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
)

// TempPrefix begins the names of files that a crash may leave half written;
// they may be deleted.
const TempPrefix = ".tmp-"

// WriteFile replaces path by data, synced, readable by its owner alone.
func WriteFile(path string, data []byte) error {
	return writeFile(path, data, func(string) error { return nil })
}

// writeFile calls before ahead of each step, by which tests crash in between.
func writeFile(path string, data []byte, before func(step string) error) (err error) {
	dir := filepath.Dir(path)
	if err := before("create"); err != nil {
		return err
	}
	f, err := os.CreateTemp(dir, TempPrefix+"*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	for _, step := range []struct {
		name string
		do   func() error
	}{
		{"write", func() error { _, err := f.Write(data); return err }},
		{"sync", f.Sync},
		{"close", f.Close},
		{"rename", func() error { return os.Rename(f.Name(), path) }},
	} {
		if err = before(step.name); err == nil {
			err = step.do()
		}
		if err != nil {
			_ = f.Close() // it may be closed already
			return errors.Join(fmt.Errorf("write %s: %w", path, err), os.Remove(f.Name()))
		}
	}
	if err := before("sync directory"); err != nil {
		return err
	}
	return SyncDir(dir)
}

// SyncDir makes renames in dir last. Windows cannot sync a directory and
// journals renames by itself.
func SyncDir(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return fmt.Errorf("sync %s: %w", dir, err)
	}
	if err := errors.Join(d.Sync(), d.Close()); err != nil {
		return fmt.Errorf("sync %s: %w", dir, err)
	}
	return nil
}

// ErrLocked is wrapped by Lock's error when somebody else has the lock.
var ErrLocked = errors.New("in use by another process")

// Locked is who has a lock.
type Locked struct {
	// PID is the process's number, 0 where it could not be read.
	PID int
}

func (l *Locked) Error() string {
	if l.PID == 0 {
		return ErrLocked.Error()
	}
	return fmt.Sprintf("in use by process %d", l.PID)
}

// Unwrap gives ErrLocked.
func (l *Locked) Unwrap() error { return ErrLocked }

// Lock takes the lock file in dir until the file is closed; the system lets go
// of it when the process ends, however it ends. The error is a *Locked when
// somebody else has it.
func Lock(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock file: %w", err)
	}
	err = tryLock(f)
	if errors.Is(err, ErrLocked) {
		err = &Locked{PID: readPID(f)}
	} else if err == nil {
		// A full disk does not take it, and the lock holds all the same.
		_ = writePID(f)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), f.Close())
	}
	return f, nil
}

// writePID says who has the lock. It is for words only, so that nothing hangs
// on its being synced.
func writePID(f *os.File) error {
	if err := f.Truncate(0); err != nil {
		return err
	}
	_, err := f.WriteAt(fmt.Appendln(nil, os.Getpid()), 0)
	return err
}

func readPID(f *os.File) int {
	var buf [32]byte
	n, _ := f.ReadAt(buf[:], 0)
	pid, err := strconv.Atoi(strings.TrimSpace(string(buf[:n])))
	if err != nil {
		return 0
	}
	return pid
}
