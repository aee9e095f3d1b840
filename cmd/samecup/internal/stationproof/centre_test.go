package stationproof

import (
	"context"
	"crypto/ed25519"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality"
)

const site = "tannery-row"

var opening = time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC)

// espresso is a serving with one check; its tolerance is a choice of the test.
func espresso() drink.Serving {
	return drink.Serving{
		ID: "espresso/cup", Drink: "espresso", DrinkName: "Espresso", Size: "cup", Vessel: "cup", Shots: 1,
		Steps: []drink.Step{{ID: "pull", Act: "pull", Criticality: drink.Quality}},
		Checks: []drink.Check{{
			ID: "shot_time", Measure: "shot_time", Target: 29_000, Low: 26_000, High: 32_000,
			Criticality: drink.Quality, Need: drink.Always, Occurrences: 1, Resolution: 1_000,
		}},
	}
}

// centre is a bus, with a quality service on it, that can stop and start.
type centre struct {
	dir  string
	list []byte
	// front is where the centre's own connection goes, since the bus comes back
	// on another port: its last one may be taken meanwhile.
	front *proxy
	addr  atomic.Pointer[string]

	mu   sync.Mutex
	srv  *bus.Server
	nc   *nats.Conn
	end  func() error
	conn *grpc.ClientConn
}

func signerOf(n byte) *release.Signer {
	seed := make([]byte, ed25519.SeedSize)
	seed[0] = n
	return release.NewSigner(ed25519.NewKeyFromSeed(seed))
}

func startCentre(ctx context.Context, dir string) (*centre, error) {
	root, signer := signerOf(1), signerOf(2)
	list, err := release.FirstKeyList(release.KeyListPlan{
		Roots: []ed25519.PublicKey{root.Public()}, Threshold: 1, Issued: time.Now(), Lifetime: release.KeyListLifetime,
		Keys: []*pb.SigningKey{{PublicKey: signer.Public(), Label: "authority", Roles: []pb.KeyRole{pb.KeyRole_KEY_ROLE_RELEASE, pb.KeyRole_KEY_ROLE_ONLINE}}},
	})
	if err != nil {
		return nil, err
	}
	c := &centre{dir: dir}
	if c.list, err = release.SignKeyList(list, root); err != nil {
		return nil, err
	}
	if err := c.startBus(); err != nil {
		return nil, err
	}
	if c.front, err = startProxy(c.busAddr); err != nil {
		return nil, err
	}
	if c.nc, err = bus.Connect(ctx, c.front.url(), "centre", zap.NewNop(), nats.ReconnectWait(20*time.Millisecond), nats.ReconnectJitter(0, 0), nats.IgnoreDiscoveredServers()); err != nil {
		return nil, err
	}
	js, err := jetstream.New(c.nc)
	if err != nil {
		return nil, err
	}
	if err := bus.EnsureStreams(ctx, js); err != nil {
		return nil, err
	}
	if err := c.publishRelease(ctx, js, signer); err != nil {
		return nil, err
	}
	return c, c.startQuality(ctx)
}

// publishRelease puts a release in force at the site.
func (c *centre) publishRelease(ctx context.Context, js jetstream.JetStream, signer *release.Signer) error {
	book := &drink.Book{
		Chain:   "Harbour & Finch",
		House:   drink.House{Pull: drink.Pull{Basket: 20_000, StartEvent: "pump_on", SinglesPerPull: 2}},
		Vessels: []drink.Vessel{{ID: "cup", Name: "cup", Material: "china", Base: 50_000, Top: 80_000, Height: 60_000, Brim: 200_000}},
		Drinks:  []drink.Drink{{ID: "espresso", Name: "Espresso", Servings: []drink.Serving{espresso()}}},
	}
	env, sum, err := signer.Seal(release.PayloadType, &pb.Release{
		Number: 1, Edition: 1, Scope: "chain", CreatedTime: timestamppb.New(opening), EffectiveTime: timestamppb.New(opening), Book: wire.BookToProto(book),
	})
	if err != nil {
		return err
	}
	if _, err := js.Publish(ctx, bus.ReleaseSubject("chain", 1), env); err != nil {
		return err
	}
	now := time.Now()
	env, _, err = signer.Seal(release.AssignmentPayloadType, &pb.Assignment{
		Site: site, Serial: 1, KeyList: 1, IssuedTime: timestamppb.New(now), ExpireTime: timestamppb.New(now.Add(7 * 24 * time.Hour)),
		Orders: []*pb.Order{{Release: 1, Digest: sum[:], Scope: "chain", Edition: 1, StartTime: timestamppb.New(opening)}},
	})
	if err != nil {
		return err
	}
	_, err = js.Publish(ctx, bus.AssignmentSubject(site), env)
	return err
}

func (c *centre) startBus() error {
	var err error
	if c.srv, err = bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(c.dir, "bus"), Port: -1}); err != nil {
		return err
	}
	u, err := url.Parse(c.srv.URL())
	if err != nil {
		return err
	}
	c.addr.Store(&u.Host)
	return nil
}

func (c *centre) busAddr() string { return *c.addr.Load() }

func (c *centre) startQuality(ctx context.Context) error {
	svc, err := quality.Open(ctx, quality.Config{Dir: filepath.Join(c.dir, "quality"), NATS: c.nc, KeyLists: [][]byte{c.list}})
	if err != nil {
		return err
	}
	lis, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return err
	}
	srv := rpc.NewServer(zap.NewNop(), rpc.Options{})
	svc.Register(srv)
	if c.conn, err = rpc.Dial(lis.Addr().String()); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(context.WithoutCancel(ctx))
	done := make(chan error, 1)
	go func() { done <- svc.Run(ctx) }()
	go func() { _ = srv.Serve(lis) }()
	c.end = func() error {
		cancel()
		_ = c.conn.Close()
		srv.Stop()
		if err := <-done; err != nil {
			return fmt.Errorf("quality: %w", err)
		}
		return svc.Close()
	}
	return nil
}

// restartBus and restartQuality stop and start; two workers' schedules never
// share a centre.
func (c *centre) restartBus() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.srv.Shutdown()
	return c.startBus()
}

func (c *centre) restartQuality(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.end(); err != nil {
		return err
	}
	return c.startQuality(ctx)
}

func (c *centre) client() pb.QualityServiceClient {
	c.mu.Lock()
	defer c.mu.Unlock()
	return pb.NewQualityServiceClient(c.conn)
}

func (c *centre) close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	err := c.end()
	c.nc.Close()
	c.front.close()
	c.srv.Shutdown()
	return err
}
