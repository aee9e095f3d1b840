package disktest

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
)

func isFull(err error) bool { return errors.Is(err, unix.ENOSPC) }

// Own is true in a process with mounts of its own. Elsewhere it runs the test
// that calls it, which is no subtest, in such a process, makes its outcome this
// one's, and returns false: then return.
func Own(t *testing.T) bool {
	t.Helper()
	if os.Getenv(env) == t.Name() {
		// So that nothing mounted here is seen outside.
		if err := unix.Mount("", "/", "", unix.MS_REC|unix.MS_PRIVATE, ""); err != nil {
			t.Skipf("%s: %v", notHere, err)
		}
		return true
	}
	exe, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), exe, "-test.run=^"+regexp.QuoteMeta(t.Name())+"$", "-test.v", fmt.Sprintf("-test.short=%t", testing.Short()))
	cmd.Env = append(os.Environ(), env+"="+t.Name())
	cmd.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if uid := os.Getuid(); uid != 0 {
		cmd.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		cmd.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: uid, Size: 1}}
		cmd.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}
	}
	raw, err := cmd.CombinedOutput()
	out := string(raw)
	switch _, ran := errors.AsType[*exec.ExitError](err); {
	case err != nil && !ran:
		t.Skipf("%s: %v", notHere, err)
	case err != nil:
		t.Fatalf("with mounts of its own: %v\n%s", err, out)
	case strings.Contains(out, "--- SKIP: "+t.Name()):
		t.Skipf("with mounts of its own:\n%s", out)
	case !strings.Contains(out, "--- PASS: "+t.Name()):
		t.Fatalf("with mounts of its own it did not run:\n%s", out)
	}
	t.Log(out)
	return false
}

const notHere = "this system does not let a test have mounts of its own"

// Small mounts a disk of some bytes, kept in memory, and returns its directory.
func Small(t *testing.T, bytes int) string {
	t.Helper()
	dir := t.TempDir()
	if err := unix.Mount("samecup-test", dir, "tmpfs", 0, fmt.Sprintf("size=%d,mode=0700", bytes)); err != nil {
		t.Skipf("%s: mount: %v", notHere, err)
	}
	t.Cleanup(func() { unmount(t, dir) })
	return dir
}

func unmount(t *testing.T, dir string) {
	t.Helper()
	// Whatever still has a file open on it keeps it until it is gone.
	if err := unix.Unmount(dir, unix.MNT_DETACH); err != nil {
		t.Errorf("unmount %s: %v", dir, err)
	}
}

// ReadOnly mounts the disk of [Small] anew, for reading alone or for writing too.
// The system refuses the former while a file on it is open for writing.
func ReadOnly(t *testing.T, dir string, yes bool) {
	t.Helper()
	flags := uintptr(unix.MS_REMOUNT)
	if yes {
		flags |= unix.MS_RDONLY
	}
	if err := unix.Mount("", dir, "", flags, ""); err != nil {
		t.Fatalf("mount %s anew: %v", dir, err)
	}
}

// FailingDisk is an ext4 file system in a file, which can be made to find itself
// damaged: then it takes no more writes, whatever is open on it.
type FailingDisk struct {
	// Dir is where it is mounted.
	Dir string

	t     *testing.T
	image string
}

// Failing makes such a disk. It skips the test where one cannot be had: it takes
// root, a loop device and e2fsprogs.
func Failing(t *testing.T) *FailingDisk {
	t.Helper()
	if os.Getuid() != 0 {
		t.Skip("a disk that can be made to fail takes root")
	}
	d := &FailingDisk{t: t, Dir: t.TempDir(), image: filepath.Join(t.TempDir(), "image")}
	if err := os.WriteFile(d.image, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(d.image, 16<<20); err != nil {
		t.Fatal(err)
	}
	d.mustOr(t.Skipf, "mkfs.ext4", "-q", "-F", d.image)
	d.mustOr(t.Skipf, "mount", "-o", "loop,errors=remount-ro", d.image, d.Dir)
	t.Cleanup(func() { unmount(t, d.Dir) })
	if _, err := os.Stat(d.trigger()); err != nil {
		t.Skipf("this kernel cannot make a disk fail: %v", err)
	}
	return d
}

func (d *FailingDisk) mustOr(otherwise func(string, ...any), name string, args ...string) {
	d.t.Helper()
	if out, err := exec.CommandContext(d.t.Context(), name, args...).CombinedOutput(); err != nil {
		otherwise("%s: %v: %s", name, err, out)
	}
}

// trigger is the file by which ext4 is told to find an error (the kernel's
// Documentation/ABI/testing/sysfs-fs-ext4).
func (d *FailingDisk) trigger() string {
	d.t.Helper()
	var st unix.Stat_t
	if err := unix.Stat(d.Dir, &st); err != nil {
		d.t.Fatal(err)
	}
	dev, err := os.Readlink(fmt.Sprintf("/sys/dev/block/%d:%d", unix.Major(st.Dev), unix.Minor(st.Dev)))
	if err != nil {
		d.t.Skipf("find the disk's device: %v", err)
	}
	return filepath.Join("/sys/fs/ext4", filepath.Base(dev), "trigger_fs_error")
}

// Fail makes the disk read-only from one moment to the next.
func (d *FailingDisk) Fail() {
	d.t.Helper()
	if err := os.WriteFile(d.trigger(), []byte("played by a test\n"), 0o600); err != nil {
		d.t.Skipf("make the disk fail: %v", err)
	}
}

// Mend checks the disk and mounts it for writing again, as its owner would.
// Nothing may be open on it.
func (d *FailingDisk) Mend() {
	d.t.Helper()
	if err := unix.Unmount(d.Dir, 0); err != nil {
		d.t.Fatalf("unmount %s: %v", d.Dir, err)
	}
	// Exit code 1: it was mended.
	if out, err := exec.CommandContext(d.t.Context(), "e2fsck", "-f", "-y", d.image).CombinedOutput(); err != nil {
		if e, ok := errors.AsType[*exec.ExitError](err); !ok || e.ExitCode() != 1 {
			d.t.Fatalf("e2fsck: %v: %s", err, out)
		}
	}
	d.mustOr(d.t.Fatalf, "mount", "-o", "loop,errors=remount-ro", d.image, d.Dir)
}
