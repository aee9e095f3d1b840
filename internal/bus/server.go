package bus

import (
	"errors"
	"fmt"
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
	Log           *zap.Logger
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
	srv, err := server.NewServer(&server.Options{
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
	})
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

// URL is where clients connect.
func (s *Server) URL() string { return s.srv.ClientURL() }

// Shutdown stops the server and returns when its files are closed. Drain
// clients first.
func (s *Server) Shutdown() {
	s.srv.Shutdown()
	s.srv.WaitForShutdown()
	s.log.Info("bus down")
}
