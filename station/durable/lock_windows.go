package durable

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lockAt lies far behind the content, which others may go on to read.
const lockAt = 1 << 30

func tryLock(f *os.File) error {
	err := windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &windows.Overlapped{Offset: lockAt})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) {
		return ErrLocked
	}
	return err
}
