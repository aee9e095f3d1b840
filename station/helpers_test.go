package station

import (
	"context"
	"crypto/ed25519"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	testSite    = "tannery-row"
	testStation = "bar-1"
	patience    = 30 * time.Second
)

var (
	testScopes = release.Scopes("north", testSite)
	testSigner = release.NewSigner(ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize)))
	// opening is when the test releases come into force.
	opening = time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC)
)

// espresso is a serving with one check; its tolerance is a choice of the test.
func espresso(low drink.Milli) drink.Serving {
	return drink.Serving{
		ID: "espresso/cup", Drink: "espresso", DrinkName: "Espresso", Size: "cup", Vessel: "cup", Shots: 1,
		Steps: []drink.Step{{ID: "pull", Act: "pull", Criticality: drink.Quality}},
		Checks: []drink.Check{{
			ID: "shot_time", Measure: "shot_time", Target: 29_000, Low: low, High: 32_000,
			Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 1_000,
		}},
	}
}

func testBook(low drink.Milli) *drink.Book {
	return &drink.Book{
		Chain:   "Harbour & Finch",
		House:   drink.House{Pull: drink.Pull{Basket: 20_000, StartEvent: "pump_on", SinglesPerPull: 2}},
		Vessels: []drink.Vessel{{ID: "cup", Name: "cup", Material: "china", Base: 50_000, Top: 80_000, Height: 60_000, Brim: 200_000}},
		Drinks:  []drink.Drink{{ID: "espresso", Name: "Espresso", Servings: []drink.Serving{espresso(low)}}},
	}
}

// sign makes an envelope; low tells the books of two releases apart.
func sign(t testing.TB, number uint64, scope string, effective time.Time, low drink.Milli) []byte {
	t.Helper()
	env, _, err := testSigner.Sign(&pb.Release{
		Number: number, Scope: scope, CreatedTime: timestamppb.New(opening), EffectiveTime: timestamppb.New(effective),
		Book: wire.BookToProto(testBook(low)),
	})
	if err != nil {
		t.Fatal(err)
	}
	return env
}

// enrolled makes a station's directory.
func enrolled(t testing.TB, dir, busURL string) {
	t.Helper()
	id := Identity{
		Version: identityVersion, Site: testSite, Station: testStation, Scopes: testScopes,
		TrustedKeys: [][]byte{testSigner.Public()}, Consumer: bus.StationConsumer(testSite, testStation), BusURL: busURL,
	}
	raw, err := json.Marshal(id)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, identityFile), raw, 0o600); err != nil {
		t.Fatal(err)
	}
}

func open(t testing.TB, cfg Config) *Agent {
	t.Helper()
	a, err := Open(t.Context(), cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

// offline opens a fresh agent with release 1 and no bus.
func offline(t testing.TB) *Agent {
	t.Helper()
	dir := t.TempDir()
	enrolled(t, dir, "")
	a := open(t, Config{Dir: dir})
	give(t, a, sign(t, 1, "chain", opening, 26_000))
	return a
}

// give hands an envelope to the agent as the consumer would.
func give(t testing.TB, a *Agent, envelope []byte) {
	t.Helper()
	if err := a.take(t.Context(), envelope); err != nil {
		t.Fatal(err)
	}
}

// run starts the agent's Run and returns what ends it.
func run(t testing.TB, a *Agent) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	var once sync.Once
	stop = func() {
		once.Do(func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
	}
	t.Cleanup(stop)
	return stop
}

// build is an espresso made now, to the letter.
func build() *pb.Build {
	s := espresso(26_000)
	b := verdict.Exemplar(&s)
	b.ID, b.Release, b.Site, b.Station = uuid.NewString(), 0, "", ""
	b.StartedAt = time.Now().Add(-time.Minute)
	b.FinishedAt = b.StartedAt.Add(40 * time.Second)
	for i := range b.Readings {
		b.Readings[i].MeasuredAt, b.Readings[i].EnteredAt, b.Readings[i].ReceivedAt = time.Time{}, time.Time{}, time.Time{}
	}
	return wire.BuildToProto(&b)
}

// slow is a build whose shot ran long.
func slow() *pb.Build {
	b := build()
	b.Readings[0].ValueMilli = 40_000
	return b
}

func logOne(t testing.TB, a *Agent, b *pb.Build) *pb.LogBuildResponse {
	t.Helper()
	res, err := a.LogBuild(t.Context(), &pb.LogBuildRequest{Build: b})
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// until polls a condition.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	deadline := time.Now().Add(patience)
	for !ok() {
		if time.Now().After(deadline) {
			t.Fatalf("still not after %s: %s", patience, what)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// centre is a bus with what the centre does on it.
type centre struct {
	t   testing.TB
	srv *bus.Server
	cfg bus.ServerConfig
	nc  *nats.Conn
	js  jetstream.JetStream

	mu        sync.Mutex
	presences []*pb.Presence
	releases  map[string]uint64
}

func startCentre(t testing.TB) *centre {
	t.Helper()
	c := &centre{t: t, cfg: bus.ServerConfig{StoreDir: t.TempDir(), Port: -1}}
	c.start()
	t.Cleanup(func() { c.stop() })
	if err := bus.EnsureStreams(t.Context(), c.js); err != nil {
		t.Fatal(err)
	}
	if _, err := bus.EnsureStationConsumer(t.Context(), c.js, testSite, testStation, testScopes); err != nil {
		t.Fatal(err)
	}
	return c
}

func (c *centre) start() {
	c.t.Helper()
	srv, err := bus.StartServer(c.cfg)
	if err != nil {
		c.t.Fatal(err)
	}
	c.srv = srv
	var host string
	if _, err := fmt.Sscanf(srv.URL(), "nats://127.0.0.1:%d%s", &c.cfg.Port, &host); c.cfg.Port <= 0 {
		c.t.Fatalf("no port in %s: %v", srv.URL(), err)
	}
	if c.nc, err = bus.Connect(context.Background(), srv.URL(), "centre", zap.NewNop()); err != nil {
		c.t.Fatal(err)
	}
	if c.js, err = jetstream.New(c.nc); err != nil {
		c.t.Fatal(err)
	}
	if _, err := c.nc.Subscribe(bus.PresenceSubjects, c.answer); err != nil {
		c.t.Fatal(err)
	}
	if err := c.nc.Flush(); err != nil {
		c.t.Fatal(err)
	}
}

func (c *centre) stop() {
	if c.srv != nil {
		c.nc.Close()
		c.srv.Shutdown()
		c.srv = nil
	}
}

// answer is the authority's side of presence.
func (c *centre) answer(m *nats.Msg) {
	var p pb.Presence
	if err := proto.Unmarshal(m.Data, &p); err != nil {
		c.t.Error(err)
		return
	}
	c.mu.Lock()
	c.presences = append(c.presences, &p)
	reply := &pb.PresenceReply{CentreTime: timestamppb.Now(), Releases: c.releases}
	c.mu.Unlock()
	data, err := proto.Marshal(reply)
	if err != nil {
		c.t.Error(err)
		return
	}
	_ = m.Respond(data)
}

func (c *centre) lastPresence() *pb.Presence {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.presences) == 0 {
		return nil
	}
	return c.presences[len(c.presences)-1]
}

func (c *centre) publish(scope string, envelope []byte) {
	c.t.Helper()
	if _, err := c.js.Publish(c.t.Context(), bus.BookSubject(scope), envelope); err != nil {
		c.t.Fatal(err)
	}
}

// intake reads n distinct builds off BUILDS, counting each build id once, and
// checks order, numbering and chain.
func (c *centre) intake(n int) []*pb.BuildRecord {
	c.t.Helper()
	cons, err := bus.EnsureIntakeConsumer(c.t.Context(), c.js, bus.StreamBuilds, "intake")
	if err != nil {
		c.t.Fatal(err)
	}
	seen := make(map[string]bool)
	var raws [][]byte
	var out []*pb.BuildRecord
	for len(out) < n {
		m, err := cons.Next(jetstream.FetchMaxWait(patience))
		if err != nil {
			c.t.Fatalf("%d of %d builds came: %v", len(out), n, err)
		}
		var batch pb.BuildBatch
		if err := proto.Unmarshal(m.Data(), &batch); err != nil {
			c.t.Fatal(err)
		}
		for _, raw := range batch.GetRecords() {
			var r pb.BuildRecord
			if err := proto.Unmarshal(raw, &r); err != nil {
				c.t.Fatal(err)
			}
			if seen[r.GetBuild().GetId()] {
				continue
			}
			seen[r.GetBuild().GetId()] = true
			raws, out = append(raws, raw), append(out, &r)
		}
		if err := m.DoubleAck(c.t.Context()); err != nil {
			c.t.Fatal(err)
		}
	}
	checkChain(c.t, raws)
	return out
}

// deviations reads n distinct build ids off DEVIATIONS.
func (c *centre) deviations(n int) map[string]bool {
	c.t.Helper()
	cons, err := bus.EnsureIntakeConsumer(c.t.Context(), c.js, bus.StreamDeviations, "deviations")
	if err != nil {
		c.t.Fatal(err)
	}
	out := make(map[string]bool)
	for len(out) < n {
		m, err := cons.Next(jetstream.FetchMaxWait(patience))
		if err != nil {
			c.t.Fatalf("%d of %d deviations came: %v", len(out), n, err)
		}
		var r pb.BuildRecord
		if err := proto.Unmarshal(m.Data(), &r); err != nil {
			c.t.Fatal(err)
		}
		out[r.GetBuild().GetId()] = true
		if err := m.DoubleAck(c.t.Context()); err != nil {
			c.t.Fatal(err)
		}
	}
	return out
}
