package disktest_test

import (
	"os"
	"path/filepath"
	"testing"

	"samecup.example/samecup/station/durable/disktest"
)

// The disk is as small as asked for, full to the last byte when it is filled, and
// takes nothing while it is read-only.
func TestTheDiskIsReal(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	dir := disktest.Small(t, 1<<20)
	path := filepath.Join(dir, "f")
	write := func() error { return os.WriteFile(path, []byte("x"), 0o600) }
	free := disktest.Fill(t, dir)
	if info, err := os.Stat(filepath.Join(dir, "filler")); err != nil || info.Size() < 900<<10 || info.Size() > 1<<20 {
		t.Errorf("it took %v bytes, %v; want about 1 MiB", info.Size(), err)
	}
	if err := write(); err == nil {
		t.Error("a full disk took a byte")
	}
	free()
	if err := write(); err != nil {
		t.Error(err)
	}
	disktest.ReadOnly(t, dir, true)
	if err := write(); err == nil {
		t.Error("a read-only disk took a byte")
	}
	disktest.ReadOnly(t, dir, false)
	if err := write(); err != nil {
		t.Error(err)
	}
}
