package demo

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/url"
	"path/filepath"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority"
	"samecup.example/samecup/services/quality"
)

// stopGrace is how long open calls may last once the demo stops.
const stopGrace = 2 * time.Second

// chain is everything that runs: the bus, the centre and the stations.
type chain struct {
	dir, database string
	log           *zap.Logger

	server  *bus.Server
	busURL  string
	conns   []*nats.Conn
	book    *authority.Service
	intake  *quality.Service
	centre  *served
	client  *grpc.ClientConn
	hosts   []*host
	stop    context.CancelFunc
	running sync.WaitGroup
	// failed gets the first error of a part that stopped by itself.
	failed chan error

	books   pb.BookServiceClient
	fleet   pb.FleetServiceClient
	quality pb.QualityServiceClient
}

// served is a gRPC server on its listener.
type served struct {
	srv  *grpc.Server
	addr string
	done chan struct{}
}

// serve starts srv on lis.
func serve(srv *grpc.Server, lis net.Listener, log *zap.Logger) *served {
	s := &served{srv: srv, addr: lis.Addr().String(), done: make(chan struct{})}
	go func() {
		defer close(s.done)
		if err := srv.Serve(lis); err != nil {
			log.Warn("server ended", zap.String("address", s.addr), zap.Error(err))
		}
	}()
	return s
}

// close lets calls finish for a while, then ends them.
func (s *served) close() {
	t := time.AfterFunc(stopGrace, s.srv.Stop)
	defer t.Stop()
	s.srv.GracefulStop()
	<-s.done
}

// openChain starts everything under opts.Dir. What it started it stops again
// when it fails.
func openChain(ctx context.Context, opts Options) (c *chain, err error) {
	// The parts outlive the caller's context, so that they stop in order.
	runCtx, stop := context.WithCancel(context.WithoutCancel(ctx))
	c = &chain{dir: opts.Dir, database: opts.Database, log: opts.Log, stop: stop, failed: make(chan error, 1)}
	defer func() {
		if err != nil {
			err = errors.Join(err, c.close())
		}
	}()
	if err := c.startBus(-1); err != nil {
		return c, err
	}
	if err := c.startCentre(ctx, runCtx, opts.Listen); err != nil {
		return c, err
	}
	if err := c.ensureRelease(ctx); err != nil {
		return c, err
	}
	for _, s := range sites {
		h, err := c.ensureStation(ctx, s)
		if err != nil {
			return c, fmt.Errorf("station %s/%s: %w", s.id, stationName, err)
		}
		c.hosts = append(c.hosts, h)
		if err := h.start(ctx); err != nil {
			return c, fmt.Errorf("station %s/%s: %w", s.id, stationName, err)
		}
	}
	return c, nil
}

func (c *chain) startBus(port int) error {
	srv, err := bus.StartServer(bus.ServerConfig{StoreDir: filepath.Join(c.dir, "bus"), Port: port, Log: c.log.Named("bus")})
	if err != nil {
		return err
	}
	c.server, c.busURL = srv, srv.URL()
	return nil
}

// takeBusAway stops the bus; bringBusBack starts it on the same port and store.
func (c *chain) takeBusAway() {
	if c.server != nil {
		c.server.Shutdown()
		c.server = nil
	}
}

func (c *chain) bringBusBack() error {
	u, err := url.Parse(c.busURL)
	if err != nil {
		return fmt.Errorf("bus address %q: %w", c.busURL, err)
	}
	port, err := strconv.Atoi(u.Port())
	if err != nil {
		return fmt.Errorf("bus address %q: %w", c.busURL, err)
	}
	return c.startBus(port)
}

func (c *chain) connect(ctx context.Context, name string) (*nats.Conn, error) {
	nc, err := bus.Connect(ctx, c.busURL, name, c.log.Named(name))
	if err != nil {
		return nil, err
	}
	c.conns = append(c.conns, nc)
	return nc, nil
}

func (c *chain) startCentre(ctx, runCtx context.Context, listen string) error {
	nc, err := c.connect(ctx, "authority")
	if err != nil {
		return err
	}
	c.book, err = authority.Open(ctx, authority.Config{
		Dir: filepath.Join(c.dir, "authority"), Database: c.database, Log: c.log.Named("authority"), Now: time.Now, NATS: nc, BusURL: c.busURL,
	})
	if err != nil {
		return fmt.Errorf("authority: %w", err)
	}
	if nc, err = c.connect(ctx, "quality"); err != nil {
		return err
	}
	c.intake, err = quality.Open(ctx, quality.Config{
		Dir: filepath.Join(c.dir, "quality"), Database: c.database, Log: c.log.Named("quality"), Now: time.Now, NATS: nc,
		KeyLists: c.book.KeyLists(), Sites: c.book.Sites,
	})
	if err != nil {
		return fmt.Errorf("quality: %w", err)
	}
	c.book.WatchRates(c.intake)
	lis, err := rpc.ListenLoopback(listen)
	if err != nil {
		return err
	}
	srv := rpc.NewServer(c.log.Named("centre"), rpc.Options{Authorise: c.book.Authorise})
	c.book.Register(srv)
	c.intake.Register(srv)
	c.centre = serve(srv, lis, c.log)
	c.run(runCtx, "authority", c.book.Run)
	c.run(runCtx, "quality", c.intake.Run)
	if c.client, err = rpc.Dial(c.centre.addr); err != nil {
		return err
	}
	c.books = pb.NewBookServiceClient(c.client)
	c.fleet = pb.NewFleetServiceClient(c.client)
	c.quality = pb.NewQualityServiceClient(c.client)
	return nil
}

// run keeps a part going until the chain stops; an end before that is a failure.
func (c *chain) run(ctx context.Context, name string, part func(context.Context) error) {
	c.running.Go(func() {
		err := part(ctx)
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			err = errors.New("stopped by itself")
		}
		c.fail(fmt.Errorf("%s: %w", name, err))
	})
}

func (c *chain) fail(err error) {
	select {
	case c.failed <- err:
	default:
	}
}

// close stops everything, the stations first and the bus last.
func (c *chain) close() error {
	var errs []error
	for _, h := range c.hosts {
		errs = append(errs, h.stop())
	}
	if c.client != nil {
		errs = append(errs, c.client.Close())
	}
	c.stop()
	if c.centre != nil {
		c.centre.close()
	}
	c.running.Wait()
	if c.intake != nil {
		errs = append(errs, c.intake.Close())
	}
	if c.book != nil {
		errs = append(errs, c.book.Close())
	}
	for _, nc := range c.conns {
		nc.Close()
	}
	c.takeBusAway()
	return errors.Join(errs...)
}
