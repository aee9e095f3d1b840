package tablet

import (
	"context"
	"crypto/ed25519"
	"net/url"
	"strconv"
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
	"samecup.example/samecup/station"
)

// centre is a real bus whose other end answers the station.
type centre struct {
	t   testing.TB
	cfg bus.ServerConfig
	srv *bus.Server
	nc  *nats.Conn
	key *release.Signer
	now func() time.Time
	// url stays the same when it comes back.
	url string
}

func newCentre(t testing.TB, now func() time.Time) *centre {
	t.Helper()
	// The same key as the rig's, which the station trusts.
	c := &centre{t: t, now: now, cfg: bus.ServerConfig{StoreDir: t.TempDir(), Port: -1}, key: release.NewSigner(ed25519.NewKeyFromSeed(make([]byte, ed25519.SeedSize)))}
	c.start()
	t.Cleanup(c.stop)
	return c
}

func (c *centre) start() {
	c.t.Helper()
	must := func(err error) {
		c.t.Helper()
		if err != nil {
			c.t.Fatal(err)
		}
	}
	var err error
	c.srv, err = bus.StartServer(c.cfg)
	must(err)
	c.url = c.srv.URL()
	at, err := url.Parse(c.url)
	must(err)
	c.cfg.Port, err = strconv.Atoi(at.Port())
	must(err)
	c.nc, err = bus.Connect(context.Background(), c.url, "centre", zap.NewNop())
	must(err)
	js, err := jetstream.New(c.nc)
	must(err)
	must(bus.EnsureStreams(context.Background(), js))
	_, err = c.nc.Subscribe(bus.PresenceSubjects, c.answer)
	must(err)
	must(c.nc.Flush())
}

func (c *centre) stop() {
	if c.srv == nil {
		return
	}
	c.nc.Close()
	c.srv.Shutdown()
	c.srv = nil
}

// answer is the centre's side of presence.
func (c *centre) answer(m *nats.Msg) {
	var p pb.Presence
	if err := proto.Unmarshal(m.Data, &p); err != nil {
		c.t.Error(err)
		return
	}
	now := timestamppb.New(c.now())
	standing, _, err := c.key.Seal(release.StandingPayloadType, &pb.Standing{Site: p.GetSite(), Station: p.GetStation(), Nonce: p.GetNonce(), CentreTime: now, KeyList: 1, Assignment: p.GetAssignment()})
	if err != nil {
		c.t.Error(err)
		return
	}
	data, err := proto.Marshal(&pb.PresenceReply{CentreTime: now, Standing: standing})
	if err != nil {
		c.t.Error(err)
		return
	}
	_ = m.Respond(data) // a station that went away asks again
}

// connect takes the shop's station up again, now with a bus, and runs it.
func (s *shop) connect(c *centre) {
	s.t.Helper()
	s.shut()
	s.must(s.Agent.Close())
	s.reopen(c)
}

// reopen takes a station up whose agent is closed.
func (s *shop) reopen(c *centre) {
	s.t.Helper()
	a, err := station.Open(context.Background(), station.Config{Dir: s.Dir, Now: s.Clock.Now, BusURL: c.url, PresenceEvery: 100 * time.Millisecond})
	s.must(err)
	s.Agent = a
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- a.Run(ctx) }()
	s.endRun = func() {
		cancel()
		if err := <-done; err != nil {
			s.t.Error(err)
		}
	}
	s.openUp()
}
