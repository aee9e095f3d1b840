package station

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
	"samecup.example/samecup/station/store"
)

// DefaultPresenceEvery is how often a station reports itself.
const DefaultPresenceEvery = 15 * time.Second

// Config sets an agent up.
type Config struct {
	// Dir holds identity, releases and the build log; one agent at a time.
	Dir string
	Log *zap.Logger
	// Now is the station's clock; time.Now if nil.
	Now func() time.Time
	// BusURL overrides the address learnt at enrolment.
	BusURL string
	// PresenceEvery defaults to DefaultPresenceEvery.
	PresenceEvery time.Duration
	// NATSOptions are added to the connection's.
	NATSOptions []nats.Option
}

// Agent is one station.
type Agent struct {
	cfg   Config
	id    *Identity
	log   *zap.Logger
	lock  *os.File
	store *store.Log
	shelf *shelf.Shelf
	work  sync.Pool

	// nc is the connection while Run runs.
	nc atomic.Pointer[nats.Conn]
	// books wakes the presence when the shelf or the refusals changed, up the
	// waiting senders when the bus is back, behind the follower.
	books, up, behind signal
	// behindFor counts answers in a row that expected more than is held; the
	// presence's own.
	behindFor int

	mu    sync.Mutex
	heard heard

	closing sync.Once
	closed  error
}

// heard is what the centre last said.
type heard struct {
	// at is when, on the real clock; zero for never.
	at time.Time
	// offset is the centre's clock minus the station's.
	offset time.Duration
	// releases by scope that the station should hold.
	releases map[string]uint64
}

// Open opens the station in cfg.Dir. It needs no bus: builds can be logged as
// soon as it returns if a release is held.
func Open(ctx context.Context, cfg Config) (_ *Agent, err error) {
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.PresenceEvery <= 0 {
		cfg.PresenceEvery = DefaultPresenceEvery
	}
	id, err := LoadIdentity(cfg.Dir)
	if err != nil {
		return nil, err
	}
	if cfg.BusURL == "" {
		cfg.BusURL = id.BusURL
	}
	a := &Agent{cfg: cfg, id: id, log: cfg.Log.Named("station").With(zap.String("site", id.Site), zap.String("station", id.Station))}
	a.work.New = func() any { return new(work) }
	if a.lock, err = lockDir(cfg.Dir); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, a.Close())
		}
	}()
	if a.store, err = store.Open(ctx, filepath.Join(cfg.Dir, "builds.db")); err != nil {
		return nil, err
	}
	floors, err := a.store.Floors(ctx)
	if err != nil {
		return nil, err
	}
	a.shelf, err = shelf.Open(shelf.Config{
		Dir: filepath.Join(cfg.Dir, "books"), Keys: id.keys(), Scopes: id.Scopes, Floors: floors, Now: cfg.Now, Log: a.log,
	})
	if err != nil {
		return nil, fmt.Errorf("open station %s/%s: %w", id.Site, id.Station, err)
	}
	return a, nil
}

// Close waits for builds being written and lets go of the directory. End Run
// first.
func (a *Agent) Close() error {
	a.closing.Do(func() {
		if a.store != nil {
			a.closed = a.store.Close()
		}
		if a.lock != nil {
			a.closed = errors.Join(a.closed, a.lock.Close())
		}
	})
	return a.closed
}

// Register puts the station's service on a gRPC server.
func (a *Agent) Register(r grpc.ServiceRegistrar) {
	pb.RegisterStationServiceServer(r, &service{agent: a})
}

// Identity is who this station is; not to be changed.
func (a *Agent) Identity() *Identity { return a.id }

// Drained waits until the bus acknowledged all that was logged.
func (a *Agent) Drained(ctx context.Context) error {
	for {
		s, changed := a.store.State()
		if s.Drained() {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return fmt.Errorf("%d builds wait to be sent: %w", s.Depth(), ctx.Err())
		}
	}
}

// signal is a broadcast: wait returns a channel closed by the next send.
type signal struct {
	mu sync.Mutex
	ch chan struct{}
}

func (s *signal) wait() <-chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ch == nil {
		s.ch = make(chan struct{})
	}
	return s.ch
}

func (s *signal) send() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.ch != nil {
		close(s.ch)
		s.ch = nil
	}
}
