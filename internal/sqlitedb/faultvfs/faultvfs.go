// Package faultvfs answers what happens to a database when its disk does not do
// what was asked, for tests: it lets a hook see, and refuse, every write, sync,
// truncation and deletion that SQLite asks of the operating system.
package faultvfs

import (
	"fmt"
	"sync"
	"unsafe"

	"modernc.org/libc"
	sqlite3 "modernc.org/sqlite/lib"
)

// Kind of an operation.
type Kind int

// The operations that a hook sees.
const (
	Open Kind = iota
	Write
	Sync
	Truncate
	Delete
)

func (k Kind) String() string {
	return [...]string{"open", "write", "sync", "truncate", "delete"}[k]
}

// Op is about to be done.
type Op struct {
	Kind Kind
	// Path of the file.
	Path string
	// Offset of a write, or the size to truncate to, bytes.
	Offset int64
	// Data of a write; valid during the call only.
	Data []byte
}

// Code answers for the operating system.
type Code int32

// The answers.
const (
	// OK goes on.
	OK Code = sqlite3.SQLITE_OK
	// Full is a disk without room.
	Full Code = sqlite3.SQLITE_FULL
	// ReadOnly is a disk that cannot be written.
	ReadOnly Code = sqlite3.SQLITE_READONLY
	// WriteFails and SyncFails are a disk that breaks.
	WriteFails Code = sqlite3.SQLITE_IOERR_WRITE
	SyncFails  Code = sqlite3.SQLITE_IOERR_FSYNC
)

// Hook is called before each operation, which is not done if it answers other
// than OK. It may not use the database.
type Hook func(Op) Code

// Register makes a file system of that name, for [sqlitedb.VFS], over the
// system's own. It lasts as long as the process.
func Register(name string, hook Hook) error {
	tls := libc.NewTLS()
	defer tls.Close()
	cname, err := libc.CString(name)
	if err != nil {
		return fmt.Errorf("register file system %s: %w", name, err)
	}
	base := sqlite3.Xsqlite3_vfs_find(tls, 0)
	if base == 0 {
		return fmt.Errorf("register file system %s: SQLite has none to build on", name)
	}
	own := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_vfs{})))
	if own == 0 {
		return fmt.Errorf("register file system %s: out of memory", name)
	}
	v := at[sqlite3.Tsqlite3_vfs](own)
	*v = *at[sqlite3.Tsqlite3_vfs](base)
	v.FzName, v.FpNext = cname, 0
	v.FxOpen = pointer(vfsOpen)
	v.FxDelete = pointer(vfsDelete)
	systems.Store(own, &system{base: base, hook: hook})
	if rc := sqlite3.Xsqlite3_vfs_register(tls, own, 0); rc != sqlite3.SQLITE_OK {
		return fmt.Errorf("register file system %s: code %d", name, rc)
	}
	return nil
}

// SQLite knows these by the addresses that it passes back.
var (
	systems sync.Map // address of our sqlite3_vfs -> *system
	files   sync.Map // address of a sqlite3_file -> *file
	tables  sync.Map // address of the system's sqlite3_io_methods -> address of our copy
	tableMu sync.Mutex
)

type system struct {
	base uintptr
	hook Hook
}

type file struct {
	path string
	hook Hook
	base *sqlite3.Tsqlite3_io_methods
}

// at reads an address of SQLite's own memory, which Go does not move.
func at[T any](address uintptr) *T { return *(**T)(unsafe.Pointer(&address)) }

// pointer and call turn a Go function into what the translated C takes for a
// function pointer, and back.
func pointer[F any](f F) uintptr { return *(*uintptr)(unsafe.Pointer(&f)) }

func call[F any](p uintptr) F { return *(*F)(unsafe.Pointer(&p)) }

type (
	openFunc     = func(tls *libc.TLS, vfs, name, file uintptr, flags int32, out uintptr) int32
	deleteFunc   = func(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32
	writeFunc    = func(tls *libc.TLS, file, data uintptr, n int32, offset int64) int32
	truncateFunc = func(tls *libc.TLS, file uintptr, size int64) int32
	syncFunc     = func(tls *libc.TLS, file uintptr, flags int32) int32
	closeFunc    = func(tls *libc.TLS, file uintptr) int32
)

func vfsOpen(tls *libc.TLS, vfs, name, f uintptr, flags int32, out uintptr) int32 {
	s := systemAt(vfs)
	path := ""
	if name != 0 {
		path = libc.GoString(name)
	}
	at[sqlite3.Tsqlite3_file](f).FpMethods = 0
	if code := s.hook(Op{Kind: Open, Path: path}); code != OK {
		return int32(code)
	}
	rc := call[openFunc](at[sqlite3.Tsqlite3_vfs](s.base).FxOpen)(tls, s.base, name, f, flags, out)
	base := at[sqlite3.Tsqlite3_file](f).FpMethods
	if base == 0 {
		return rc
	}
	files.Store(f, &file{path: path, hook: s.hook, base: at[sqlite3.Tsqlite3_io_methods](base)})
	at[sqlite3.Tsqlite3_file](f).FpMethods = table(tls, base)
	return rc
}

// table is a copy of the system's methods with ours among them.
func table(tls *libc.TLS, base uintptr) uintptr {
	tableMu.Lock()
	defer tableMu.Unlock()
	if own, ok := tables.Load(base); ok {
		return own.(uintptr)
	}
	own := libc.Xmalloc(tls, libc.Tsize_t(unsafe.Sizeof(sqlite3.Tsqlite3_io_methods{})))
	m := at[sqlite3.Tsqlite3_io_methods](own)
	*m = *at[sqlite3.Tsqlite3_io_methods](base)
	m.FxClose = pointer(fileClose)
	m.FxWrite = pointer(fileWrite)
	m.FxTruncate = pointer(fileTruncate)
	m.FxSync = pointer(fileSync)
	tables.Store(base, own)
	return own
}

func systemAt(vfs uintptr) *system {
	s, _ := systems.Load(vfs)
	return s.(*system)
}

func fileAt(f uintptr) *file {
	x, _ := files.Load(f)
	return x.(*file)
}

func vfsDelete(tls *libc.TLS, vfs, name uintptr, syncDir int32) int32 {
	s := systemAt(vfs)
	if code := s.hook(Op{Kind: Delete, Path: libc.GoString(name)}); code != OK {
		return int32(code)
	}
	return call[deleteFunc](at[sqlite3.Tsqlite3_vfs](s.base).FxDelete)(tls, s.base, name, syncDir)
}

func fileWrite(tls *libc.TLS, f, data uintptr, n int32, offset int64) int32 {
	x := fileAt(f)
	if code := x.hook(Op{Kind: Write, Path: x.path, Offset: offset, Data: unsafe.Slice(at[byte](data), n)}); code != OK {
		return int32(code)
	}
	return call[writeFunc](x.base.FxWrite)(tls, f, data, n, offset)
}

func fileTruncate(tls *libc.TLS, f uintptr, size int64) int32 {
	x := fileAt(f)
	if code := x.hook(Op{Kind: Truncate, Path: x.path, Offset: size}); code != OK {
		return int32(code)
	}
	return call[truncateFunc](x.base.FxTruncate)(tls, f, size)
}

func fileSync(tls *libc.TLS, f uintptr, flags int32) int32 {
	x := fileAt(f)
	if code := x.hook(Op{Kind: Sync, Path: x.path}); code != OK {
		return int32(code)
	}
	return call[syncFunc](x.base.FxSync)(tls, f, flags)
}

func fileClose(tls *libc.TLS, f uintptr) int32 {
	x := fileAt(f)
	files.Delete(f)
	return call[closeFunc](x.base.FxClose)(tls, f)
}
