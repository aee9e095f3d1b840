package station

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/sqlitedb/faultvfs"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/durable"
)

var systems atomic.Int64

// faulty registers a file system for the build log of which hook decides.
func faulty(t testing.TB, hook faultvfs.Hook) string {
	t.Helper()
	name := fmt.Sprintf("station-test-%d", systems.Add(1))
	if err := faultvfs.Register(name, hook); err != nil {
		t.Fatal(err)
	}
	return name
}

// withRelease makes a station's directory that holds release 1.
func withRelease(t testing.TB, busURL string) string {
	t.Helper()
	dir := t.TempDir()
	enrolled(t, dir, busURL)
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	return dir
}

const (
	// killAt tells a child to kill itself ahead of its n-th operation on the
	// disk of the build log.
	killAt     = "SAMECUP_TEST_KILL_AT"
	killBuilds = 25
)

// logAndDie logs killBuilds builds, printing each id after its answer, and
// kills itself with SIGKILL ahead of the n-th operation. It prints "whole" if
// it came to the end.
func logAndDie(dir string, n int64) error {
	var ops atomic.Int64
	err := faultvfs.Register("kill", func(op faultvfs.Op) faultvfs.Code {
		if op.Kind != faultvfs.Open && ops.Add(1) == n {
			if self, err := os.FindProcess(os.Getpid()); err == nil {
				_ = self.Kill()
			}
			select {}
		}
		return faultvfs.OK
	})
	if err != nil {
		return err
	}
	a, err := Open(context.Background(), Config{Dir: dir, vfs: "kill"})
	if err != nil {
		return err
	}
	for i := range killBuilds {
		b := build()
		if _, err := a.LogBuild(context.Background(), &pb.LogBuildRequest{Build: b}); err != nil {
			return err
		}
		fmt.Println(b.GetId())
		if i%5 == 4 {
			s, _ := a.store.State()
			a.store.MarkBuilds(s.Last - 2)
		}
	}
	if err := a.Close(); err != nil {
		return err
	}
	fmt.Println("whole")
	return nil
}

// An agent kills itself ahead of its first, second, … operation on the disk,
// until one comes through: whatever was answered is there, and the numbers and
// the chain hold.
func TestKilledAtEveryWriteBoundary(t *testing.T) {
	start := withRelease(t, "")
	step := int64(1)
	if testing.Short() {
		step = 11
	}
	for n := int64(1); ; n += step {
		dir := t.TempDir()
		if err := os.CopyFS(dir, os.DirFS(start)); err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), crashDir+"="+dir, killAt+"="+strconv.FormatInt(n, 10))
		cmd.Stderr = os.Stderr
		out, err := cmd.Output()
		answered := strings.Fields(string(out))
		whole := len(answered) > 0 && answered[len(answered)-1] == "whole"
		if whole == (err != nil) {
			t.Fatalf("operation %d: %v, %q", n, err, out)
		}
		if whole {
			answered = answered[:len(answered)-1]
		}
		a, err := Open(t.Context(), Config{Dir: dir})
		if err != nil {
			t.Fatalf("operation %d: %v", n, err)
		}
		if d := a.Damage(); d != "" {
			t.Errorf("operation %d: %s", n, d)
		}
		raws, ids := stored(t, a)
		checkChain(t, raws)
		for _, id := range answered {
			if !ids[id] {
				t.Errorf("operation %d: build %s was answered and is lost", n, id)
			}
		}
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
		if whole {
			if len(answered) != killBuilds || n < 3*killBuilds && step == 1 {
				t.Errorf("%d builds in %d operations", len(answered), n)
			}
			t.Logf("%d operations", n)
			return
		}
	}
}

func TestAFullDiskRefusesInWordsAndWorksAgain(t *testing.T) {
	var full atomic.Bool
	dir := withRelease(t, "")
	a := open(t, Config{Dir: dir, vfs: faulty(t, func(op faultvfs.Op) faultvfs.Code {
		if full.Load() && op.Kind == faultvfs.Write {
			return faultvfs.Full
		}
		return faultvfs.OK
	})})
	logOne(t, a, build())
	full.Store(true)
	b := build()
	for range 3 {
		_, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b})
		if status.Code(err) != codes.Unavailable || reason(err) != "LOG_UNAVAILABLE" || !strings.Contains(err.Error(), "was not logged: the disk is full: free some space and send it again") {
			t.Errorf("%v", err)
		}
	}
	// The station goes on for those who only look.
	if s := a.Status(); s.Release != 1 || s.LastSequence != 1 {
		t.Errorf("on a full disk %+v", s)
	}
	full.Store(false)
	if res := logOne(t, a, b); res.GetSequence() != 2 || res.GetDuplicate() {
		t.Errorf("with room again %v; want record 2, new", res)
	}
	raws, _ := stored(t, a)
	checkChain(t, raws)
}

func TestAReadOnlyDiskIsAStartUpErrorInWords(t *testing.T) {
	dir := withRelease(t, "")
	_, err := Open(t.Context(), Config{Dir: dir, vfs: faulty(t, func(op faultvfs.Op) faultvfs.Code {
		if op.Kind == faultvfs.Open {
			return faultvfs.OK
		}
		return faultvfs.ReadOnly
	})})
	if err == nil || !strings.Contains(err.Error(), "the station cannot write to "+dir+": mount its disk for writing") {
		t.Errorf("%v", err)
	}
	// The whole directory, as the system tells it of the lock file.
	err = diskWords(dir, fmt.Errorf("open the lock file: %w", syscall.EROFS))
	if !strings.Contains(err.Error(), "mount its disk for writing") || !errors.Is(err, syscall.EROFS) {
		t.Errorf("%v", err)
	}
	// Nothing is left behind that keeps the station from starting later.
	logOne(t, open(t, Config{Dir: dir}), build())
}

// A log with a page spoilt goes on with what can be read; the bus gets the rest
// across the gap, and the station says what happened.
func TestADamagedLogGoesOn(t *testing.T) {
	c := startCentre(t)
	dir := withRelease(t, "")
	a, err := Open(t.Context(), Config{Dir: dir})
	if err != nil {
		t.Fatal(err)
	}
	const builds = 200
	for range builds {
		logOne(t, a, build())
	}
	raws, _ := stored(t, a)
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "builds.db")
	db, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	// The page that holds record 100, save for its head.
	at := strings.Index(string(db), string(raws[99])) &^ 4095
	clear(db[at+100 : at+4096])
	if err := os.WriteFile(path, db, 0o600); err != nil {
		t.Fatal(err)
	}
	a = open(t, Config{Dir: dir, BusURL: c.srv.URL(), PresenceEvery: shortPresence})
	if d := a.Damage(); !strings.Contains(d, "it is kept as it was in "+path+".damaged-") || !strings.Contains(d, "is missing at the centre") || !strings.Contains(d, "the numbering goes on at 201") {
		t.Errorf("damage %q", d)
	}
	run(t, a)
	if res := logOne(t, a, build()); res.GetSequence() != builds+1 {
		t.Errorf("the next build is %d, want %d", res.GetSequence(), builds+1)
	}
	drained(t, a)
	d := a.store.Damage()
	js := c.records(int(d.Kept) + 1)
	if len(js) != int(d.Kept)+1 || d.Kept >= builds || d.Kept < builds-20 {
		t.Errorf("%d records were sent and %d kept of %d", len(js), d.Kept, builds)
	}
	until(t, "the centre hears of it", func() bool {
		p := c.lastPresence()
		return len(p.GetRefusals()) > 0 && p.GetRefusals()[0].GetReason() == "LOG_DAMAGED"
	})
}

// records reads n distinct records off BUILDS.
func (c *centre) records(n int) map[string]bool {
	c.t.Helper()
	cons, err := bus.EnsureIntakeConsumer(c.t.Context(), c.js, bus.StreamBuilds, "records")
	if err != nil {
		c.t.Fatal(err)
	}
	out := make(map[string]bool)
	for len(out) < n {
		m, err := cons.Next(jetstream.FetchMaxWait(patience))
		if err != nil {
			c.t.Fatalf("%d of %d records came: %v", len(out), n, err)
		}
		var batch pb.BuildBatch
		if err := proto.Unmarshal(m.Data(), &batch); err != nil {
			c.t.Fatal(err)
		}
		for _, raw := range batch.GetRecords() {
			out[string(raw)] = true
		}
		if err := m.DoubleAck(c.t.Context()); err != nil {
			c.t.Fatal(err)
		}
	}
	return out
}

// A clock set back by a day changes times, and nothing else: numbers, chain,
// the first answer to a repeated build and the way to the centre hold.
func TestAClockSetBackByADay(t *testing.T) {
	c := startCentre(t)
	dir := withRelease(t, c.srv.URL())
	var back atomic.Int64
	now := func() time.Time { return time.Now().Add(-time.Duration(back.Load())) }
	a, err := Open(t.Context(), Config{Dir: dir, Now: now, PresenceEvery: shortPresence})
	if err != nil {
		t.Fatal(err)
	}
	stop := run(t, a)
	before := build()
	first := logOne(t, a, before)
	back.Store(int64(24 * time.Hour))
	if again := logOne(t, a, before); !again.GetDuplicate() || again.GetSequence() != first.GetSequence() {
		t.Errorf("a build of before sent again: %v", again)
	}
	for range 50 {
		b := build()
		b.StartedTime.Seconds -= 24 * 60 * 60
		b.FinishedTime.Seconds -= 24 * 60 * 60
		if res := logOne(t, a, b); res.GetRelease() != 1 {
			t.Errorf("judged by release %d", res.GetRelease())
		}
	}
	drained(t, a)
	until(t, "the station knows how far its clock is off", func() bool {
		return (a.Status().ClockOffset - 24*time.Hour).Abs() < time.Minute
	})
	// Set back while it is off, too.
	stop()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	back.Add(int64(24 * time.Hour))
	a = open(t, Config{Dir: dir, Now: now})
	run(t, a)
	if res := logOne(t, a, build()); res.GetSequence() != 52 {
		t.Errorf("after a restart two days back the next build is %d, want 52", res.GetSequence())
	}
	drained(t, a)
	got := c.intake(52)
	if d := got[1].GetLoggedTime().AsTime().Sub(got[0].GetLoggedTime().AsTime()); d > -23*time.Hour {
		t.Errorf("the second build was logged %s after the first; want the station's own time, a day before", d)
	}
}

// The second agent on a directory refuses and names the first; when that is
// killed, the directory is free.
func TestTwoAgentsOnOneDirectory(t *testing.T) {
	dir := withRelease(t, "")
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
	defer func() { _ = cmd.Process.Kill() }()
	lines := bufio.NewScanner(out)
	if !lines.Scan() {
		t.Fatal("the first agent logged nothing")
	}
	go func() {
		for lines.Scan() {
		}
	}()
	_, err = Open(t.Context(), Config{Dir: dir})
	want := fmt.Sprintf("another agent, process %d, runs on %s: stop it, or name another directory", cmd.Process.Pid, dir)
	if err == nil || !strings.Contains(err.Error(), want) || !errors.Is(err, durable.ErrLocked) {
		t.Errorf("%v\nwant %s", err, want)
	}
	if err := cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	logOne(t, open(t, Config{Dir: dir}), build())
}

// Three days at the peak rate with no bus, then it comes back: all goes out in
// order, and a deviation of now does not wait behind those of the outage.
func TestThreeDaysOfflineThenDrained(t *testing.T) {
	builds := 100_000
	if testing.Short() {
		builds = 10_000
	}
	const outage, oneIn = 72 * time.Hour, 10
	c := startCentre(t)
	dir := withRelease(t, c.srv.URL())
	began := time.Now().Add(-outage)
	var passed atomic.Int64
	a := open(t, Config{Dir: dir, PresenceEvery: time.Minute, Now: func() time.Time { return began.Add(time.Duration(passed.Load())) }})
	const callers = 256
	errs := make(chan error, callers)
	for k := range callers {
		go func() {
			for i := k; i < builds; i += callers {
				b := build()
				if i%oneIn == 0 {
					b = slow()
				}
				passed.Add(int64(outage) / int64(builds))
				if _, err := a.LogBuild(context.Background(), &pb.LogBuildRequest{Build: b}); err != nil {
					errs <- err
					return
				}
			}
			errs <- nil
		}()
	}
	for range callers {
		if err := <-errs; err != nil {
			t.Fatal(err)
		}
	}
	if depth := a.Status().OutboxDepth; depth != uint64(builds) {
		t.Fatalf("%d builds wait, want %d", depth, builds)
	}
	deviations := func() uint64 {
		s, err := c.js.Stream(t.Context(), bus.StreamDeviations)
		if err != nil {
			t.Fatal(err)
		}
		return s.CachedInfo().State.LastSeq
	}
	live := slow()
	left := make(chan uint64, 1)
	if _, err := c.nc.Subscribe(bus.DeviationSubject(testSite, testStation), func(m *nats.Msg) {
		if strings.Contains(string(m.Data), live.GetId()) {
			left <- a.Status().OutboxDepth
		}
	}); err != nil {
		t.Fatal(err)
	}
	run(t, a)
	until(t, "the backlog of deviations drains", func() bool { return deviations() > 0 })
	logOne(t, a, live)
	ahead := deviations()
	drained(t, a)
	if n := <-left; n == 0 {
		t.Error("the live deviation waited for the whole backlog")
	} else {
		t.Logf("%d of %d builds waited when the live deviation went out", n, builds)
	}
	if place := c.placeOf(live.GetId()); place > ahead+3*deviationsAtOnce {
		t.Errorf("the live deviation went out as number %d; %d were out when it was logged, so at most %d", place, ahead, ahead+3*deviationsAtOnce)
	}
	c.intake(builds + 1)
}

// placeOf is as which message a deviation came.
func (c *centre) placeOf(id string) uint64 {
	c.t.Helper()
	cons, err := bus.EnsureIntakeConsumer(c.t.Context(), c.js, bus.StreamDeviations, "places")
	if err != nil {
		c.t.Fatal(err)
	}
	for {
		m, err := cons.Next(jetstream.FetchMaxWait(patience))
		if err != nil {
			c.t.Fatalf("deviation %s did not come: %v", id, err)
		}
		var r pb.BuildRecord
		if err := proto.Unmarshal(m.Data(), &r); err != nil {
			c.t.Fatal(err)
		}
		meta, err := m.Metadata()
		if err != nil {
			c.t.Fatal(err)
		}
		if r.GetBuild().GetId() == id {
			return meta.Sequence.Stream
		}
	}
}
