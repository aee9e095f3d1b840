package durable

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestWriteFileReplaces(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "f")
	for _, want := range []string{"one", "two", ""} {
		if err := WriteFile(path, []byte(want)); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != want {
			t.Errorf("%q, %v; want %q", got, err, want)
		}
	}
	if entries, err := os.ReadDir(dir); err != nil || len(entries) != 1 {
		t.Errorf("%d files, %v; want the one", len(entries), err)
	}
	if err := WriteFile(filepath.Join(dir, "none", "f"), nil); err == nil {
		t.Error("a file was written into no directory")
	}
}

func TestLockKeepsOthersOut(t *testing.T) {
	dir := t.TempDir()
	f, err := Lock(dir)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Lock(dir); !errors.Is(err, ErrLocked) {
		t.Errorf("second lock: %v, want ErrLocked", err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	if f, err = Lock(dir); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

// A crash ahead of any step leaves the old content or the new, and at most a
// file that may be deleted.
func TestACrashAtAnyStepLeavesOldOrNew(t *testing.T) {
	crash := errors.New("crash")
	var steps []string
	if err := writeFile(filepath.Join(t.TempDir(), "f"), nil, func(step string) error { steps = append(steps, step); return nil }); err != nil {
		t.Fatal(err)
	}
	for n, at := range steps {
		t.Run(at, func(t *testing.T) {
			dir := t.TempDir()
			path := filepath.Join(dir, "f")
			if err := WriteFile(path, []byte("old")); err != nil {
				t.Fatal(err)
			}
			err := func() (err error) {
				// Nothing after a crash is run, so tidying up is not either.
				defer func() { err, _ = recover().(error) }()
				return writeFile(path, []byte("new"), func(step string) error {
					if step == at {
						panic(crash)
					}
					return nil
				})
			}()
			if !errors.Is(err, crash) {
				t.Fatalf("%v", err)
			}
			want := "old"
			if at == "sync directory" {
				want = "new"
			}
			if got, err := os.ReadFile(path); err != nil || string(got) != want {
				t.Errorf("step %d: %q, %v; want %q", n, got, err, want)
			}
			entries, err := os.ReadDir(dir)
			if err != nil {
				t.Fatal(err)
			}
			for _, e := range entries {
				if e.Name() != "f" && !strings.HasPrefix(e.Name(), TempPrefix) {
					t.Errorf("%s is left behind", e.Name())
				}
			}
			if err := WriteFile(path, []byte("again")); err != nil {
				t.Error(err)
			}
		})
	}
}

func TestLockNamesItsOwner(t *testing.T) {
	dir := t.TempDir()
	f, err := Lock(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	_, err = Lock(dir)
	if l, ok := errors.AsType[*Locked](err); !ok || l.PID != os.Getpid() {
		t.Errorf("%v; want process %d", err, os.Getpid())
	}
}
