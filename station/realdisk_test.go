package station

import (
	"bufio"
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
	"samecup.example/samecup/station/durable/disktest"
)

// onDisk puts a station that holds release 1 on a disk.
func onDisk(t testing.TB, disk string) (dir string) {
	t.Helper()
	dir = filepath.Join(disk, "station")
	from := os.DirFS(withRelease(t, ""))
	if err := os.CopyFS(dir, from); err != nil {
		t.Fatal(err)
	}
	// A copy is not synced, and what the station writes itself is.
	err := fs.WalkDir(from, ".", func(path string, _ fs.DirEntry, err error) error {
		return errors.Join(err, durable.SyncDir(filepath.Join(dir, path)))
	})
	if err != nil {
		t.Fatal(err)
	}
	return dir
}

// allThere checks that what was answered is in the log, numbered and chained.
func allThere(t testing.TB, a *Agent, answered []string) {
	t.Helper()
	if d := a.Damage(); d != "" {
		t.Error(d)
	}
	raws, ids := stored(t, a)
	checkChain(t, raws)
	for _, id := range answered {
		if !ids[id] {
			t.Errorf("build %s was answered and is lost", id)
		}
	}
}

// refusedFor logs a build that must be refused in these words.
func refusedFor(t testing.TB, a *Agent, b *pb.Build, words string) {
	t.Helper()
	_, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b})
	if status.Code(err) != codes.Unavailable || reason(err) != "LOG_UNAVAILABLE" || !strings.Contains(err.Error(), words) {
		t.Errorf("%v; want a refusal with %q", err, words)
	}
}

const (
	smallDisk = 2 << 20
	saysFull  = "the build was not logged: the disk is full: free some space and send it again"
	saysMount = "the station cannot write to "
)

// A disk of 2 MiB fills up while builds are logged, and has room again.
func TestARealFullDisk(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	disk := disktest.Small(t, smallDisk)
	dir := onDisk(t, disk)
	a, err := Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	var answered []string
	log := func(n int) (refused *pb.Build) {
		t.Helper()
		for range n {
			b := build()
			if _, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b}); err != nil {
				return b
			}
			answered = append(answered, b.GetId())
		}
		return nil
	}
	if log(20) != nil {
		t.Fatal("a build was refused on a disk with room")
	}
	// First the log fills the disk by itself; after that it may have some room left
	// in its own files.
	for _, fill := range []func(testing.TB, string) func(){ballast, disktest.Fill, disktest.Fill} {
		free := fill(t, disk)
		b := log(10_000)
		if b == nil {
			t.Fatal("the disk never filled up")
		}
		refusedFor(t, a, b, saysFull)
		if s := a.Status(); s.Release != 1 || s.LastSequence != uint64(len(answered)) {
			t.Errorf("on a full disk the station says %+v; %d builds were answered", s, len(answered))
		}
		free()
		if res := logOne(t, a, b); res.GetDuplicate() || res.GetSequence() != uint64(len(answered))+1 {
			t.Errorf("with room again %v; want record %d, new", res, len(answered)+1)
		}
		answered = append(answered, b.GetId())
	}
	// Orders that find no room are taken when they come again.
	free := disktest.Fill(t, disk)
	next := sign(t, 2, "chain", opening.Add(time.Hour), 25_000)
	held, _ := a.shelf.Assigned()
	orders := assign(t, a.shelf.Serial()+1, append(slices.Clone(held.Assignment.Orders), orderOf(t, next))...)
	if err := a.take(t.Context(), nil, bus.AssignmentSubject(testSite), orders); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("orders on a full disk: %v", err)
	}
	if s := a.Status(); s.Release != 1 {
		t.Errorf("on a full disk release %d is in force", s.Release)
	}
	free()
	takeIn(t, a, bus.AssignmentSubject(testSite), orders)
	takeIn(t, a, bus.ReleaseSubject("chain", 2), next)
	if s := a.Status(); s.Release != 2 {
		t.Errorf("with room again release %d is in force", s.Release)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir})
	allThere(t, a, answered)
	t.Logf("%d builds answered on a disk of %d bytes", len(answered), smallDisk)
}

// ballast takes half of a small disk.
func ballast(t testing.TB, disk string) (free func()) {
	t.Helper()
	path := filepath.Join(disk, "ballast")
	if err := os.WriteFile(path, make([]byte, smallDisk/2), 0o600); err != nil {
		t.Fatal(err)
	}
	return func() { _ = os.Remove(path) }
}

// A station whose disk filled up while it was off refuses to start in words, or
// starts, where a kill left what it needs, for those who look and for the outbox.
// Once there is room all that was answered is there, and it goes on.
func TestARealFullDiskAtTheStart(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	disk := disktest.Small(t, smallDisk)
	dir := onDisk(t, disk)
	answered := killed(t, dir)
	free := disktest.Fill(t, disk)
	a, err := Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatalf("after a kill: %v", err)
	}
	refusedFor(t, a, build(), saysFull)
	allThere(t, a, answered)
	if err := a.Close(); err != nil {
		t.Logf("closed: %v", err)
	}
	free()
	a, err = Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	b := build()
	logOne(t, a, b)
	answered = append(answered, b.GetId())
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	free = disktest.Fill(t, disk)
	_, err = Open(t.Context(), Config{Dir: dir})
	if err == nil || !strings.Contains(err.Error(), "the disk that holds "+dir+" is full: free some space") {
		t.Errorf("after an orderly end: %v", err)
	}
	free()
	a = open(t, Config{Dir: dir})
	allThere(t, a, answered)
	logOne(t, a, build())
}

// The power goes in the middle of work, and the disk comes back read-only, as one
// does that must be checked first: the start is refused in words, and nothing
// answered is lost once it can be written again.
func TestARealReadOnlyDisk(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	disk := disktest.Small(t, 32<<20)
	dir := onDisk(t, disk)
	var answered []string
	for range 3 {
		answered = append(answered, killed(t, dir)...)
		disktest.ReadOnly(t, disk, true)
		_, err := Open(t.Context(), Config{Dir: dir})
		if err == nil || !strings.Contains(err.Error(), saysMount+dir+": mount its disk for writing") {
			t.Errorf("on a read-only disk: %v", err)
		}
		disktest.ReadOnly(t, disk, false)
	}
	a := open(t, Config{Dir: dir})
	allThere(t, a, answered)
	logOne(t, a, build())
}

// killed runs an agent in a process of its own and kills it in the middle of
// work; it returns the builds that were answered.
func killed(t *testing.T, dir string) (answered []string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), crashDir+"="+dir)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	for lines := bufio.NewScanner(out); lines.Scan(); {
		if len(lines.Text()) == 36 {
			answered = append(answered, lines.Text())
		}
		if len(answered) == 50 {
			if err := cmd.Process.Kill(); err != nil {
				t.Fatal(err)
			}
		}
	}
	_ = cmd.Wait()
	if len(answered) < 50 {
		t.Fatalf("only %d builds were answered", len(answered))
	}
	return answered
}

// The disk finds itself damaged in the middle of work and takes no more writes:
// builds are refused in words, and once it was checked and mounted again, all
// that was answered is there and work goes on.
func TestADiskThatGoesReadOnlyAtWork(t *testing.T) {
	if !disktest.Own(t) {
		return
	}
	d := disktest.Failing(t)
	dir := onDisk(t, d.Dir)
	a, err := Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	var answered []string
	for range 30 {
		b := build()
		logOne(t, a, b)
		answered = append(answered, b.GetId())
	}
	d.Fail()
	last := build()
	for range 3 {
		refusedFor(t, a, last, "the build was not logged: the disk cannot be written: mount it for writing and send it again")
	}
	if s := a.Status(); s.LastSequence != uint64(len(answered)) {
		t.Errorf("the station says %d builds, %d were answered", s.LastSequence, len(answered))
	}
	// It may say that it could not write a last word.
	if err := a.Close(); err != nil {
		t.Logf("closed: %v", err)
	}
	if _, err := Open(t.Context(), Config{Dir: dir}); err == nil || !strings.Contains(err.Error(), saysMount+dir) {
		t.Errorf("the next start: %v", err)
	}
	d.Mend()
	a, err = Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}()
	allThere(t, a, answered)
	if res := logOne(t, a, last); res.GetSequence() != uint64(len(answered))+1 {
		t.Errorf("the refused build sent again is %v; want record %d", res, len(answered)+1)
	}
}
