// Package authority answers which book every counter follows: it checks,
// numbers, signs and publishes releases, and knows the sites and stations that
// they go to.
//
// The database is the record and the bus is transport. A release is stored
// before it is published; when the bus is away at that moment, CreateRelease
// still succeeds and Run publishes it as soon as the bus is back, at the
// latest with the next reconciliation (each minute). The same reconciliation
// refills a stream that was lost.
package authority

import (
	"context"
	"crypto/ed25519"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"
	_ "time/tzdata" // sites name IANA zones, and a bare image has no zone files

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

const (
	defaultReconcileEvery = time.Minute
	defaultFlushEvery     = time.Second
	// What a call could not publish by then, Run does.
	defaultBusWait = 5 * time.Second

	// KeyFile holds the signing key in the data directory, PublicKeyFile the
	// key that readers must trust, in hexadecimal.
	KeyFile       = "release-key"
	PublicKeyFile = "release-key.pub"
)

// Config sets up the authority.
type Config struct {
	// Dir holds the database and the signing key; made if missing.
	Dir string
	Log *zap.Logger
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
}

// Service is the running authority.
type Service struct {
	log    *zap.Logger
	now    func() time.Time
	nats   *nats.Conn
	js     jetstream.JetStream
	busURL string

	store  store.Store
	signer *release.Signer
	dir    directory
	seen   presences

	reconcileEvery, flushEvery time.Duration
	// maxEnvelope bounds a release's bytes, busWait how long a call waits for
	// the bus; fields so that tests can lower them.
	maxEnvelope int
	busWait     time.Duration
	// making lets one goroutine at a time make the streams: the bus counts the
	// room of a stream that is being made twice, and may refuse the second.
	making sync.Mutex
	// publishing lets one goroutine of this process at a time compare a
	// subject with the database and publish to it.
	publishing sync.Mutex
}

// Open opens the data directory, which must belong to this process alone. It
// does not need the bus to be up.
func Open(ctx context.Context, cfg Config) (*Service, error) {
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
	if err := os.MkdirAll(cfg.Dir, 0o700); err != nil {
		return nil, fmt.Errorf("authority: make the data directory: %w", err)
	}
	signer, err := release.LoadOrCreateSigner(filepath.Join(cfg.Dir, KeyFile))
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	public := hex.EncodeToString(signer.Public()) + "\n"
	if err := os.WriteFile(filepath.Join(cfg.Dir, PublicKeyFile), []byte(public), 0o644); err != nil {
		return nil, fmt.Errorf("authority: write the public key: %w", err)
	}
	js, err := jetstream.New(cfg.NATS)
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	db, err := store.OpenSQLite(ctx, filepath.Join(cfg.Dir, "authority.db"))
	if err != nil {
		return nil, fmt.Errorf("authority: %w", err)
	}
	s := &Service{
		log:            cfg.Log,
		now:            cfg.Now,
		nats:           cfg.NATS,
		js:             js,
		busURL:         cfg.BusURL,
		store:          db,
		signer:         signer,
		reconcileEvery: cfg.ReconcileEvery,
		flushEvery:     cfg.FlushEvery,
		maxEnvelope:    release.MaxEnvelopeBytes,
		busWait:        defaultBusWait,
	}
	if err := s.reload(ctx); err != nil {
		return nil, errors.Join(fmt.Errorf("authority: %w", err), db.Close())
	}
	return s, nil
}

// Register puts BookService and FleetService on a server.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	pb.RegisterBookServiceServer(r, bookService{Service: s})
	pb.RegisterFleetServiceServer(r, fleetService{Service: s})
}

// PublicKey is the key that stations and quality must trust.
func (s *Service) PublicKey() ed25519.PublicKey { return s.signer.Public() }

// Close closes the database. Stop Run and the server first.
func (s *Service) Close() error { return s.store.Close() }

type bookService struct {
	pb.UnimplementedBookServiceServer
	*Service
}

type fleetService struct {
	pb.UnimplementedFleetServiceServer
	*Service
}
