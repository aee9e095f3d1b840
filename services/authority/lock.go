package authority

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
)

// ErrInUse: another process has the data directory.
var ErrInUse = errors.New("another process has it in use")

// lockDir keeps a data directory to one process until the file is closed; the
// system lets go of it when the process ends, however it ends.
func lockDir(dir string) (*os.File, error) {
	path := filepath.Join(dir, "lock")
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the lock of the data directory: %w", err)
	}
	if err := tryLock(f); err != nil {
		return nil, errors.Join(fmt.Errorf("data directory %s: %w", dir, err), f.Close())
	}
	return f, nil
}
