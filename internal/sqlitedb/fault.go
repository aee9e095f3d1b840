package sqlitedb

import (
	"errors"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// Fault is what is wrong with a disk or a file, as far as a caller acts on it.
type Fault int

// The faults.
const (
	// NoFault is of an error that tells nothing about the disk, and of nil.
	NoFault Fault = iota
	// Full disks take writes again once there is room.
	Full
	// ReadOnly files, directories or file systems cannot be written.
	ReadOnly
	// Damaged files do not hold what was written to them.
	Damaged
	// Failing disks refused to read, write or sync.
	Failing
	// Unexpected is a statement that fails on what the file holds, such as a
	// table that should be there; where the statement is right, the file is not.
	Unexpected
)

// FaultOf finds the fault behind an error of this package's databases.
func FaultOf(err error) Fault {
	e, ok := errors.AsType[*sqlite.Error](err)
	if !ok {
		return NoFault
	}
	if e.Code() == sqlite3.SQLITE_IOERR_SHMSIZE {
		// It could not make the index of the write-ahead log as long as it must be,
		// which takes room and nothing else.
		return Full
	}
	// The low byte is the kind, the rest says where.
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_FULL:
		return Full
	case sqlite3.SQLITE_READONLY:
		return ReadOnly
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB:
		return Damaged
	case sqlite3.SQLITE_IOERR, sqlite3.SQLITE_CANTOPEN:
		return Failing
	case sqlite3.SQLITE_ERROR, sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH:
		return Unexpected
	}
	return NoFault
}
