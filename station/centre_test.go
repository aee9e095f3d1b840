package station

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// centre is a bus with what the centre does on it.
type centre struct {
	t   testing.TB
	srv *bus.Server
	cfg bus.ServerConfig
	nc  *nats.Conn
	js  jetstream.JetStream

	mu        sync.Mutex
	presences []*pb.Presence
	// signer signs what the centre says; newest is what standings name.
	signer *release.Signer
	newest *pb.Standing
	orders []*pb.Order
}

func startCentre(t testing.TB) *centre {
	t.Helper()
	c := &centre{t: t, signer: testSigner, newest: &pb.Standing{KeyList: 1}, cfg: bus.ServerConfig{StoreDir: t.TempDir(), Port: -1}}
	c.start()
	t.Cleanup(func() { c.stop() })
	if err := bus.EnsureStreams(t.Context(), c.js); err != nil {
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
	s := proto.CloneOf(c.newest)
	s.Site, s.Station, s.Nonce, s.CentreTime = p.GetSite(), p.GetStation(), p.GetNonce(), timestamppb.Now()
	standing, _, err := c.signer.Seal(release.StandingPayloadType, s)
	c.mu.Unlock()
	if err != nil {
		c.t.Error(err)
		return
	}
	reply := &pb.PresenceReply{CentreTime: s.CentreTime, Standing: standing}
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

// put publishes a document under its subject.
func (c *centre) put(subject string, envelope []byte) {
	c.t.Helper()
	if _, err := c.js.Publish(c.t.Context(), subject, envelope); err != nil {
		c.t.Fatal(err)
	}
}

// order publishes a release and then an assignment that orders it.
func (c *centre) order(envelope []byte) {
	c.t.Helper()
	o := orderOf(c.t, envelope)
	c.put(bus.ReleaseSubject(o.Scope, o.Release), envelope)
	c.orders = addOrder(c.orders, o, time.Now())
	c.assign(c.orders...)
}

// assign publishes the next assignment, and names it in standings.
func (c *centre) assign(orders ...*pb.Order) {
	c.t.Helper()
	c.mu.Lock()
	c.newest.Assignment++
	a := assignment(c.newest.Assignment, orders...)
	c.mu.Unlock()
	c.put(bus.AssignmentSubject(testSite), seal(c.t, c.signer, release.AssignmentPayloadType, a))
}

// stopNow publishes the next stop list.
func (c *centre) stopNow(stops ...*pb.Stop) {
	c.t.Helper()
	c.mu.Lock()
	c.newest.StopList++
	l := &pb.StopList{Version: c.newest.StopList, IssuedTime: timestamppb.Now(), Stops: stops}
	c.mu.Unlock()
	c.put(bus.StopListSubject(l.Version), seal(c.t, c.signer, release.StopsPayloadType, l))
}

// keys publishes a key list.
func (c *centre) keys(version uint64, envelope []byte) {
	c.t.Helper()
	c.mu.Lock()
	c.newest.KeyList = version
	c.mu.Unlock()
	c.put(bus.KeyListSubject(version), envelope)
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
