package bus_test

import (
	"errors"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"samecup.example/samecup/internal/bus"
)

func start(t *testing.T, dir string) (*bus.Server, jetstream.JetStream) {
	t.Helper()
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, Port: -1})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(srv.Shutdown)
	nc, err := bus.Connect(t.Context(), srv.URL(), "test", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if err := bus.EnsureStreams(t.Context(), js); err != nil {
		t.Fatal(err)
	}
	return srv, js
}

func TestEventIsStoredOnceAndCarriesCloudEventsHeaders(t *testing.T) {
	_, js := start(t, t.TempDir())
	at := time.Date(2026, 3, 1, 8, 0, 0, 0, time.UTC)
	for range 2 {
		m := bus.Event(bus.BuildSubject("tannery-row", "bar-1"), "tannery-row/bar-1/1-3", "samecup.build.batch", "/tannery-row/bar-1", at, []byte("x"))
		if _, err := js.PublishMsg(t.Context(), m); err != nil {
			t.Fatal(err)
		}
	}
	c, err := bus.EnsureIntakeConsumer(t.Context(), js, bus.StreamBuilds, "quality")
	if err != nil {
		t.Fatal(err)
	}
	info, err := c.Info(t.Context())
	if err != nil || info.NumPending != 1 {
		t.Fatalf("pending %d, %v", info.NumPending, err)
	}
	m, err := c.Next()
	if err != nil {
		t.Fatal(err)
	}
	// CloudEvents 1.0, NATS protocol binding, binary content mode: attributes
	// as ce- headers (from memory).
	for k, want := range map[string]string{"ce-specversion": "1.0", "ce-id": "tannery-row/bar-1/1-3", "ce-type": "samecup.build.batch", "ce-source": "/tannery-row/bar-1", "ce-time": "2026-03-01T08:00:00Z"} {
		if got := m.Headers().Get(k); got != want {
			t.Errorf("%s: got %q, want %q", k, got, want)
		}
	}
}

func TestBookKeepsTheLastOfEachSubjectAndIsReadDirectly(t *testing.T) {
	_, js := start(t, t.TempDir())
	for _, m := range [][2]string{
		{bus.ReleaseSubject("chain", 1), "r1"}, {bus.ReleaseSubject("chain", 2), "r2"},
		{bus.AssignmentSubject("tannery-row"), "old"}, {bus.AssignmentSubject("tannery-row"), "new"},
		{bus.StopListSubject(1), "s1"}, {bus.StopListSubject(2), "s2"}, {bus.KeyListSubject(1), "k1"},
	} {
		if _, err := js.Publish(t.Context(), m[0], []byte(m[1])); err != nil {
			t.Fatal(err)
		}
	}
	s, err := js.Stream(t.Context(), bus.StreamBook)
	if err != nil {
		t.Fatal(err)
	}
	if !s.CachedInfo().Config.AllowDirect || s.CachedInfo().State.Msgs != 6 {
		t.Errorf("stream is %+v", s.CachedInfo())
	}
	for subject, want := range map[string]string{
		bus.ReleaseSubject("chain", 1): "r1", bus.AssignmentSubject("tannery-row"): "new", bus.StopListSubjects: "s2",
		bus.ReleaseSubjects("chain"): "r2",
	} {
		m, err := s.GetLastMsgForSubject(t.Context(), subject)
		if err != nil || string(m.Data) != want {
			t.Errorf("%s: %v, %v; want %s", subject, m, err, want)
		}
	}
}

func TestServerRefusesToRunWithoutAStoreOrOnATakenPort(t *testing.T) {
	if _, err := bus.StartServer(bus.ServerConfig{Port: -1}); err == nil {
		t.Fatal("started with no store")
	}
}

func TestQueuesRefuseRatherThanDrop(t *testing.T) {
	_, js := start(t, t.TempDir())
	for _, name := range []string{bus.StreamBuilds, bus.StreamDeviations} {
		s, err := js.Stream(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		cfg := s.CachedInfo().Config
		if cfg.Discard != jetstream.DiscardNew || cfg.Retention != jetstream.WorkQueuePolicy || cfg.MaxAge != 0 || cfg.Storage != jetstream.FileStorage {
			t.Errorf("%s: %+v", name, cfg)
		}
	}
}

func TestPublishWhileTheBusIsAwayFailsAtOnce(t *testing.T) {
	srv, js := start(t, t.TempDir())
	srv.Shutdown()
	nc := js.Conn()
	for nc.IsConnected() {
		select {
		case <-nc.StatusChanged(nats.RECONNECTING):
		case <-time.After(time.Second):
		}
	}
	if err := nc.Publish("samecup.presence.a.b", []byte("x")); !errors.Is(err, nats.ErrReconnectBufExceeded) && !errors.Is(err, nats.ErrConnectionReconnecting) {
		t.Fatalf("want a refusal, got %v", err)
	}
}

func TestSplitStationSubject(t *testing.T) {
	for s, want := range map[string][2]string{
		bus.BuildSubject("tannery-row", "bar-1"):    {"tannery-row", "bar-1"},
		bus.DeviationSubject("oyster-steps", "b"):   {"oyster-steps", "b"},
		bus.PresenceSubject("lantern-hill", "bar2"): {"lantern-hill", "bar2"},
		"samecup.build.a":                           {},
		"samecup.build.a.":                          {},
		"samecup.build.a.b.c":                       {},
		"samecup.other.a.b":                         {},
	} {
		site, station, ok := bus.SplitStationSubject(s)
		if ok != (want[0] != "") || ok && [2]string{site, station} != want {
			t.Errorf("%s: %q %q %v", s, site, station, ok)
		}
	}
}
