//go:build !linux

package disktest

import "testing"

func isFull(error) bool { return false }

// Own skips the test: the package knows how to make disks on Linux alone.
func Own(t *testing.T) bool {
	t.Helper()
	t.Skip("disks of a test's own are made on Linux alone")
	return false
}

// Small is not reached, since Own skips the test.
func Small(t *testing.T, _ int) string {
	t.Helper()
	t.Skip("disks of a test's own are made on Linux alone")
	return ""
}

// ReadOnly is not reached, since Own skips the test.
func ReadOnly(*testing.T, string, bool) {}

// Failing is not reached, since Own skips the test.
func Failing(t *testing.T) *FailingDisk {
	t.Helper()
	t.Skip("disks of a test's own are made on Linux alone")
	return nil
}

// FailingDisk is what Failing makes.
type FailingDisk struct{ Dir string }

// Fail is not reached, since Own skips the test.
func (*FailingDisk) Fail() {}

// Mend is not reached, since Own skips the test.
func (*FailingDisk) Mend() {}
