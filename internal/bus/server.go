package bus

import (
	"errors"
	"fmt"
	"net/url"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"go.uber.org/zap"
)

// ServerConfig sets up the in-process bus.
type ServerConfig struct {
	// StoreDir holds the streams; must be set, or they would land in a
	// temporary folder.
	StoreDir string
	// Host defaults to 127.0.0.1; Port -1 takes a free one.
	Host string
	Port int
	// MaxStoreBytes bounds what the streams may take on disk; 0 means 20 GiB.
	MaxStoreBytes int64
	// Cluster makes the server one of several; nil means that it is alone.
	Cluster *Cluster
	Log     *zap.Logger
}

// Cluster is how a server finds the others. JetStream needs three servers or
// more to go on when one is lost.
type Cluster struct {
	// Name of this server, another for each.
	Name string
	// Host and Port are where the others reach it.
	Host string
	Port int
	// Routes are URLs of all servers, such as "nats://bus-2:6222"; its own among
	// them is passed over.
	Routes []string
}

// Server is a running in-process bus.
type Server struct {
	srv *server.Server
	log *zap.Logger
}

const (
	defaultStoreBytes = 20 << 30
	// Recovering a large store can take long, and giving up would only start
	// the same work again.
	readyWait = 60 * time.Second
)

// StartServer starts the bus and returns when it answers.
func StartServer(cfg ServerConfig) (*Server, error) {
	if cfg.StoreDir == "" {
		return nil, errors.New("bus: StoreDir is empty; name a directory for the streams")
	}
	if cfg.Host == "" {
		cfg.Host = "127.0.0.1"
	}
	if cfg.MaxStoreBytes == 0 {
		cfg.MaxStoreBytes = defaultStoreBytes
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	opts := &server.Options{
		ServerName:         "samecup-bus",
		Host:               cfg.Host,
		Port:               cfg.Port,
		JetStream:          true,
		StoreDir:           cfg.StoreDir,
		JetStreamMaxStore:  cfg.MaxStoreBytes,
		JetStreamMaxMemory: 64 << 20,
		SyncAlways:         true,
		MaxPayload:         MaxPayloadBytes,
		MaxPending:         4 * MaxPayloadBytes,
		// Its signal handler would end the process before our own shutdown.
		NoSigs: true,
		NoLog:  true,
	}
	if cfg.Cluster != nil {
		if err := cfg.Cluster.apply(opts); err != nil {
			return nil, err
		}
	}
	srv, err := server.NewServer(opts)
	if err != nil {
		return nil, fmt.Errorf("bus: %w", err)
	}
	srv.Start()
	if !srv.ReadyForConnections(readyWait) {
		srv.Shutdown()
		return nil, fmt.Errorf("bus: not ready after %s at %s:%d; is the port taken?", readyWait, cfg.Host, cfg.Port)
	}
	// The option is easily lost between versions, and a lost sync is not seen
	// until the power goes.
	if js := srv.JetStreamConfig(); js == nil || !js.SyncAlways {
		srv.Shutdown()
		return nil, errors.New("bus: the server does not sync each write; refusing to run")
	}
	cfg.Log.Info("bus up", zap.String("url", srv.ClientURL()), zap.String("store", cfg.StoreDir))
	return &Server{srv: srv, log: cfg.Log}, nil
}

func (c *Cluster) apply(opts *server.Options) error {
	if c.Name == "" {
		return errors.New("bus: a server of a cluster needs a name of its own")
	}
	if len(c.Routes) == 0 {
		return fmt.Errorf("bus: server %s of a cluster has no routes; name those of all servers", c.Name)
	}
	opts.ServerName = c.Name
	opts.Cluster = server.ClusterOpts{Name: "samecup", Host: c.Host, Port: c.Port}
	for _, r := range c.Routes {
		u, err := url.Parse(r)
		if err != nil || u.Host == "" {
			return fmt.Errorf("bus: route %q: write a URL such as nats://bus-2:6222", r)
		}
		opts.Routes = append(opts.Routes, u)
	}
	return nil
}

// URL is where clients connect.
func (s *Server) URL() string { return s.srv.ClientURL() }

// Shutdown stops the server and returns when its files are closed. Drain
// clients first.
func (s *Server) Shutdown() {
	s.srv.Shutdown()
	s.srv.WaitForShutdown()
	s.log.Info("bus down")
}
