package station

import (
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"
)

// With no bus, an outbox full of deviations tries nothing, says nothing of each of
// them, and drains once there is one.
func TestAnOutageIsNotToldByEachBuild(t *testing.T) {
	core, told := observer.New(zap.DebugLevel)
	dir := withRelease(t, "nats://127.0.0.1:1")
	a := open(t, Config{Dir: dir, Log: zap.New(core), PresenceEvery: shortPresence})
	for range 3 * deviationsAtOnce {
		logOne(t, a, slow())
	}
	stop := run(t, a)
	until(t, "the station says that nobody answers", func() bool { return told.FilterMessage("the centre does not answer").Len() > 0 })
	logOne(t, a, slow())
	stop()
	if n := told.FilterMessageSnippet("the bus does not take").Len(); n > 0 {
		t.Errorf("%d of %d messages were tried with no bus", n, 3*deviationsAtOnce)
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	c := startCentre(t)
	a = open(t, Config{Dir: dir, BusURL: c.srv.URL()})
	run(t, a)
	drained(t, a)
}
