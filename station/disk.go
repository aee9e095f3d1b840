package station

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"samecup.example/samecup/internal/sqlitedb"
	"samecup.example/samecup/station/durable"
)

// diskWords adds what to do to an error of the station's disk; other errors,
// and nil, are left as they are.
func diskWords(dir string, err error) error {
	switch fault := sqlitedb.FaultOf(err); {
	case fault == sqlitedb.ReadOnly, errors.Is(err, syscall.EROFS), errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("the station cannot write to %s: mount its disk for writing and let this user own the directory; builds cannot be logged without it: %w", dir, err)
	case fault == sqlitedb.Full, errors.Is(err, syscall.ENOSPC):
		return fmt.Errorf("the disk that holds %s is full: free some space; builds cannot be logged without it: %w", dir, err)
	case fault == sqlitedb.Failing, errors.Is(err, syscall.EIO):
		return fmt.Errorf("the disk that holds %s fails: copy the directory to another disk and start the station there: %w", dir, err)
	}
	return err
}

// cannotStore tells a barista why a build or an act is not on the disk that holds
// dir.
func cannotStore(dir string, err error) string {
	fault := sqlitedb.FaultOf(err)
	if fault == sqlitedb.Failing {
		// SQLite does not tell a disk that takes no more writes from one that fails.
		err = errors.Join(err, tryDisk(dir))
	}
	switch {
	case fault == sqlitedb.Full, errors.Is(err, syscall.ENOSPC):
		return "the disk is full: free some space and send it again"
	case fault == sqlitedb.ReadOnly, errors.Is(err, syscall.EROFS):
		return "the disk cannot be written: mount it for writing and send it again"
	case fault == sqlitedb.Damaged:
		return "the build log is damaged: start the station again, which keeps the damaged log aside and goes on with what can be read of it, and send it again"
	}
	return "the disk refused it: send it again, and have the disk looked at if this comes back"
}

// tryDisk makes and removes a file in a directory and returns what is wrong with
// that.
func tryDisk(dir string) error {
	f, err := os.CreateTemp(dir, durable.TempPrefix+"*")
	if err != nil {
		return err
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}
