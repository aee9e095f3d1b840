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

	"samecup.example/samecup/internal/sqlitedb"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
	"samecup.example/samecup/station/store"
)

// DefaultPresenceEvery is how often a station reports itself.
const DefaultPresenceEvery = 15 * time.Second

// Config sets an agent up.
type Config struct {
	// Dir holds identity, keys, releases and the build log; one agent at a time.
	Dir string
	Log *zap.Logger
	// Now is the station's clock; time.Now if nil.
	Now func() time.Time
	// BusURL overrides the address learnt at enrolment.
	BusURL string
	// PresenceEvery defaults to DefaultPresenceEvery.
	PresenceEvery time.Duration
	// StaleAfter is how long the centre may be silent before the station says
	// that its book may be old; release.DefaultMaxSilence if 0. It works on.
	StaleAfter time.Duration
	// NATSOptions are added to the connection's.
	NATSOptions []nats.Option

	// vfs makes the disk of the build log fail, for tests.
	vfs string
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
	nc   atomic.Pointer[nats.Conn]
	keep *keeper
	used used
	// books wakes the presence when the shelf or the refusals changed, up all
	// who wait when the bus is back, behind the follower, acts their sender.
	books, up, behind, acts signal

	// deaf agents hear no push; for tests.
	deaf bool

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
	// standing is its signed word on what is newest; nil for never.
	standing *pb.Standing
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
	var opts []sqlitedb.Option
	if cfg.vfs != "" {
		opts = append(opts, sqlitedb.VFS(cfg.vfs))
	}
	if a.store, err = store.Open(ctx, filepath.Join(cfg.Dir, "builds.db"), opts...); err != nil {
		return nil, diskWords(cfg.Dir, err)
	}
	if d := a.Damage(); d != "" {
		a.log.Error(d)
	}
	if err := a.used.load(ctx, a.store); err != nil {
		return nil, err
	}
	a.keep, err = openKeeper(ctx, &keeper{id: id, now: cfg.Now, log: a.log, refused: a.refuse}, cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("open station %s/%s: %w", id.Site, id.Station, diskWords(cfg.Dir, err))
	}
	a.shelf = a.keep.shelf
	return a, nil
}

// Damage tells in words what was wrong with the build log when the agent
// started; empty for nothing. The centre hears of it with the presence, as a
// refusal for [store.ReasonDamaged].
func (a *Agent) Damage() string {
	if d := a.store.Damage(); d != nil {
		return d.String()
	}
	return ""
}

// Close waits for builds being written and lets go of the directory. End Run
// first.
func (a *Agent) Close() error {
	a.closing.Do(func() {
		if a.keep != nil {
			a.closed = a.keep.close()
		}
		if a.store != nil {
			a.closed = errors.Join(a.closed, a.store.Close())
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
