// Package durable answers how a small file is replaced so that a crash leaves
// either the old content or the new, and how a directory is kept to one owner.
package durable

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
)

// TempPrefix begins the names of files that a crash may leave half written;
// they may be deleted.
const TempPrefix = ".tmp-"

// WriteFile replaces path by data, synced, readable by its owner alone.
func WriteFile(path string, data []byte) error {
	dir := filepath.Dir(path)
	f, err := os.CreateTemp(dir, TempPrefix+"*")
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	_, err = f.Write(data)
	if err = errors.Join(err, f.Sync(), f.Close()); err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", path, err), os.Remove(f.Name()))
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

// ErrLocked is returned by Lock when somebody else has the lock.
var ErrLocked = errors.New("in use by another process")

// Lock takes the lock file in dir until the file is closed; the system lets go
// of it when the process ends, however it ends.
func Lock(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock file: %w", err)
	}
	if err := tryLock(f); err != nil {
		return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), f.Close())
	}
	return f, nil
}
