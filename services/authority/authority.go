// Package authority answers which book every counter follows: it decides who
// may change it, numbers and signs releases, tells each site which of them it
// follows from when, and knows the sites and stations.
//
// It is event-sourced. Every change is an act that internal/govern decided; one
// transaction adds the acts to a hash-chained record together with the releases
// and sources that they name, and only then are they applied. The database is
// the record and the bus is transport: what is due there is signed, stored and
// published after the commit, and when the bus is away at that moment Run
// publishes it as soon as it is back, at the latest with the next
// reconciliation (each minute), which also refills a stream that was lost.
package authority

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"
	_ "time/tzdata" // sites name IANA zones, and a bare image has no zone files

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	defaultReconcileEvery = time.Minute
	defaultFlushEvery     = time.Second
	// What a call could not publish by then, Run does.
	defaultBusWait = 5 * time.Second

	defaultTickEvery = 15 * time.Second

	// KeyFile held the one signing key of earlier versions in the data
	// directory; where it is, it goes on as a key of key list 1. PublicKeyFile
	// has the key that releases are signed with now, in hexadecimal.
	KeyFile       = "release-key"
	PublicKeyFile = "release-key.pub"
)

// Config sets up the authority.
type Config struct {
	// Dir holds the signing keys and the database; made if missing.
	Dir string
	// Database is the address of a PostgreSQL database, as internal/postgresdb
	// reads it; empty means a file in Dir.
	Database string
	// Replicas is how many servers of the bus keep each stream; 0 means 1.
	Replicas int
	Log      *zap.Logger
	// Now is the centre's clock; nil means time.Now.
	Now func() time.Time
	// NATS is the bus as the authority reaches it.
	NATS *nats.Conn
	// BusURL is the bus as stations reach it, told to them when they enrol.
	BusURL string
	// ReconcileEvery is how often the stream BOOK is compared with the
	// database; 0 means a minute.
	ReconcileEvery time.Duration
	// FlushEvery is how often presences are written to disk; 0 means a second.
	FlushEvery time.Duration
	// TickEvery is how often what depends on time alone is looked at: renewing
	// assignments; 0 means 15 s.
	TickEvery time.Duration
	// Rates counts builds at sites, so that a rollout's waves are watched at
	// each tick; nil means that nobody watches them.
	Rates RateSource

	// shared leaves the data directory unlocked, for tests of what happens when
	// two have it.
	shared bool
}

// Service is the running authority.
type Service struct {
	log    *zap.Logger
	now    func() time.Time
	nats   *nats.Conn
	js     jetstream.JetStream
	busURL string

	dataDir string
	lock    *os.File
	store   store.Store
	ledger  ledger
	keys    keyring
	pub     *publisher
	dir     directory
	seen    presences
	office  office
	// sums are digests of releases' envelopes under key list sumsFor; the
	// publisher's lock guards them.
	sums    map[uint64]string
	sumsFor uint64
	// making lets one goroutine at a time make the streams: the bus counts the
	// room of a stream that is being made twice, and may refuse the second.
	making sync.Mutex
	// onTick is called at each tick; set up before Run.
	onTick []func(ctx context.Context, now time.Time)

	reconcileEvery, flushEvery, tickEvery time.Duration
	replicas                              int
	// maxEnvelope bounds a release's bytes, busWait how long a call waits for
	// the bus; fields so that tests can lower them.
	maxEnvelope int
	busWait     time.Duration
}

// Open opens the data directory, which must belong to this process alone. It
// does not need the bus to be up.
func Open(ctx context.Context, cfg Config) (svc *Service, err error) {
	switch {
	case cfg.Dir == "":
		return nil, errors.New("authority: Dir is empty; name the data directory")
	case cfg.NATS == nil:
		return nil, errors.New("authority: NATS is nil; connect to the bus first")
	}
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.ReconcileEvery <= 0 {
		cfg.ReconcileEvery = defaultReconcileEvery
	}
	if cfg.FlushEvery <= 0 {
		cfg.FlushEvery = defaultFlushEvery
	}
	if cfg.TickEvery <= 0 {
		cfg.TickEvery = defaultTickEvery
	}
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("authority: make the data directory: %w", err)
	}
	js, err := bus.JetStream(cfg.NATS)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	var lock *os.File
	if !cfg.shared {
		if lock, err = lockDir(cfg.Dir); err != nil {
			return nil, fmt.Errorf("authority: %w; stop the other one first", err)
		}
		defer func() {
			if svc == nil {
				err = errors.Join(err, lock.Close())
			}
		}()
	}
	db, err := store.Open(ctx, cfg.Database, cfg.Dir)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	s := &Service{
		log:      cfg.Log,
		now:      cfg.Now,
		nats:     cfg.NATS,
		js:       js,
		busURL:   cfg.BusURL,
		store:    db,
		dataDir:  cfg.Dir,
		lock:     lock,
		pub:      newPublisher(),
		replicas: max(1, cfg.Replicas), reconcileEvery: cfg.ReconcileEvery,
		flushEvery:  cfg.FlushEvery,
		tickEvery:   cfg.TickEvery,
		maxEnvelope: release.MaxEnvelopeBytes,
		busWait:     defaultBusWait,
	}
	s.WatchRates(cfg.Rates)
	if err := s.load(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("authority: %w", err), db.Close())
	}
	return s, nil
}

// load reads what the store holds.
func (s *Service) load(ctx context.Context) error {
	s.ledger.moved = make(chan struct{})
	s.ledger.mu.Lock()
	err := s.reload(ctx)
	s.ledger.mu.Unlock()
	if err != nil {
		return err
	}
	if err := s.takeOver(ctx); err != nil {
		return fmt.Errorf("take over what an earlier version stored: %w", err)
	}
	if err := s.openKeys(ctx); err != nil {
		return err
	}
	if err := s.loadDocuments(ctx); err != nil {
		return err
	}
	return s.loadDirectory(ctx)
}

// Register puts the authority's services on a server.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	pb.RegisterBookServiceServer(r, bookService{Service: s})
	pb.RegisterFleetServiceServer(r, fleetService{Service: s})
	s.registerOffice(r)
}

// Close closes the database. Stop Run and the server first.
func (s *Service) Close() error {
	err := s.store.Close()
	if s.lock != nil {
		err = errors.Join(err, s.lock.Close())
	}
	return err
}

type bookService struct {
	pb.UnimplementedBookServiceServer
	*Service
}

type fleetService struct {
	pb.UnimplementedFleetServiceServer
	*Service
}
