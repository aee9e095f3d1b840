package station

import (
	"context"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const shortPresence = 50 * time.Millisecond

func drained(t testing.TB, a *Agent) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	if err := a.Drained(ctx); err != nil {
		t.Fatal(err)
	}
}

func TestFollowsLogsAndDrains(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	run(t, a)
	c.order(sign(t, 1, "chain", opening, 26_000))
	until(t, "release 1 is in force", func() bool { return a.Status().Release == 1 })
	want := make(map[string]bool)
	for i := range 300 {
		b := build()
		if i%10 == 0 {
			b = slow()
			want[b.GetId()] = true
		}
		logOne(t, a, b)
	}
	drained(t, a)
	c.intake(300)
	for id := range c.deviations(len(want)) {
		if !want[id] {
			t.Errorf("%s is no deviation", id)
		}
	}
	until(t, "the station is online and has reported all", func() bool {
		p := c.lastPresence()
		return a.Status().Online && p.GetRelease() == 1 && p.GetLastSequence() == 300 && p.GetOutboxDepth() == 0
	})
	if off := a.Status().ClockOffset.Abs(); off > 5*time.Second {
		t.Errorf("the clock is said to be %s off", off)
	}
	c.mu.Lock()
	c.newest.Assignment = 2
	c.mu.Unlock()
	until(t, "the station sees that it is behind", func() bool { return a.Status().Behind })
	c.mu.Lock()
	c.newest.Assignment = 1
	c.mu.Unlock()
	c.order(sign(t, 2, "chain", opening.Add(time.Hour), 28_000))
	until(t, "it has caught up", func() bool { s := a.Status(); return !s.Behind && s.Release == 2 })
}

func TestRefusalsAreReportedOverTheBus(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: time.Hour})
	run(t, a)
	c.order(sign(t, 5, "chain", opening, 26_000))
	until(t, "release 5 is in force", func() bool { return a.Status().Release == 5 })
	flipped := sign(t, 6, "chain", opening, 26_000)
	flipped[len(flipped)-1] ^= 1
	c.put(bus.ReleaseSubject("chain", 6), flipped)
	until(t, "the altered release is refused", func() bool { return len(c.lastPresence().GetRefusals()) == 1 })
	c.order(sign(t, 4, "chain", opening.Add(time.Minute), 26_000))
	until(t, "both refusals are reported", func() bool {
		p := c.lastPresence()
		return len(p.GetRefusals()) == 2 && p.GetRefusals()[0].GetReason() == "BAD_SIGNATURE" &&
			p.GetRefusals()[1].GetReason() == "OLDER" && p.GetRefusals()[1].GetRelease() == 4 && p.GetRelease() == 5
	})
}

func TestOfflineAndBackInOrder(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir, PresenceEvery: shortPresence})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	run(t, a)
	for range 100 {
		logOne(t, a, build())
	}
	drained(t, a)
	until(t, "online", func() bool { return a.Status().Online })
	c.stop()
	until(t, "offline", func() bool { return !a.Status().Online })
	for i := range 700 {
		if i%7 == 0 {
			logOne(t, a, slow())
		} else {
			logOne(t, a, build())
		}
	}
	if depth := a.Status().OutboxDepth; depth != 700 {
		t.Errorf("%d builds wait, want 700", depth)
	}
	c.start()
	drained(t, a)
	off := 0
	for _, r := range c.intake(800) {
		if r.GetVerdict().GetGrade() != pb.Grade_GRADE_IN_SPEC {
			off++
		}
	}
	if off != 100 {
		t.Errorf("%d deviations came, want 100", off)
	}
}

func TestRestartMidway(t *testing.T) {
	c := startCentre(t)
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	logged := 0
	for round := range 4 {
		a, err := Open(t.Context(), Config{Dir: dir, PresenceEvery: shortPresence})
		if err != nil {
			t.Fatal(err)
		}
		if round == 0 {
			give(t, a, sign(t, 1, "chain", opening, 26_000))
		}
		stop := run(t, a)
		for range 150 + round {
			logOne(t, a, build())
			logged++
		}
		// Stopped with whatever is under way.
		stop()
		if err := a.Close(); err != nil {
			t.Fatal(err)
		}
	}
	a := open(t, Config{Dir: dir})
	run(t, a)
	if res := logOne(t, a, slow()); res.GetSequence() != uint64(logged+1) {
		t.Errorf("sequence %d after the restarts, want %d", res.GetSequence(), logged+1)
	}
	drained(t, a)
	c.intake(logged + 1)
	c.deviations(1)
}

func TestAFullStreamIsWaitedFor(t *testing.T) {
	c := startCentre(t)
	cfg := jetstream.StreamConfig{
		Name: bus.StreamBuilds, Subjects: []string{bus.BuildSubject("*", "*")}, Retention: jetstream.WorkQueuePolicy,
		Discard: jetstream.DiscardNew, Storage: jetstream.FileStorage, Duplicates: bus.DedupeWindow, DenyDelete: true, MaxBytes: 2000,
	}
	if _, err := c.js.UpdateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	enrolled(t, dir, c.srv.URL())
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	run(t, a)
	for range 50 {
		logOne(t, a, build())
	}
	// Deviations have their own way out, past the backlog.
	bad := slow()
	logOne(t, a, bad)
	if !c.deviations(1)[bad.GetId()] {
		t.Error("the deviation did not come")
	}
	if a.Status().OutboxDepth == 0 {
		t.Fatal("a full stream took everything")
	}
	cfg.MaxBytes = 64 << 20
	if _, err := c.js.UpdateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	drained(t, a)
	c.intake(51)
}

func TestRunWithoutABus(t *testing.T) {
	dir := t.TempDir()
	enrolled(t, dir, "nats://127.0.0.1:1")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	stop := run(t, a)
	if res := logOne(t, a, build()); res.GetVerdict().GetGrade() != pb.Grade_GRADE_IN_SPEC {
		t.Errorf("verdict %v", res.GetVerdict())
	}
	stop()
}
