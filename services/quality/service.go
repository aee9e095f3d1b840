// Package quality answers one question: what was really made?
//
// It takes every station's log in from the bus, judges each build again from
// the release that the build names, keeps the count and tells deviations to
// whoever listens.
//
// # What is promised
//
// A message is acknowledged after the transaction that holds its content has
// been committed and synced. Acknowledgements themselves are not awaited: one
// that gets lost brings the message again, and the unique build id makes it
// count once. So the bus delivers at least once, and each build is counted
// exactly once. What cannot be read or believed is set aside with its bytes
// and acknowledged, so that it never blocks what comes after it.
package quality

import (
	"context"
	"errors"
	"fmt"
	"os"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/bus"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// Config sets a [Service] up.
type Config struct {
	// Dir holds the database; it is made where missing.
	Dir string
	// Database is the address of a PostgreSQL database, as internal/postgresdb
	// reads it; empty means a file in Dir.
	Database string
	Log      *zap.Logger
	// Now is the centre's clock; nil means time.Now.
	Now func() time.Time
	// NATS is the connection to the bus; the caller closes it.
	NATS *nats.Conn
	// KeyLists are signed envelopes of key lists, from version 1 on: who may
	// sign the releases and stop lists that builds are judged by. Later ones are
	// followed on the bus, and what is trusted is kept in Dir.
	KeyLists [][]byte
	// Sites tells where sites lie and when their business day begins; nil where
	// nobody can. Stops of a region count as holding at a site whose region is
	// not known.
	Sites SiteSource
	// UndoWait is how long the watch holds a build back that was logged just now, so
	// that the barista's own correction can come first; 0 means [UndoWait], less
	// than 0 not at all. What is unsafe is not held back, nor what was logged
	// longer ago.
	UndoWait time.Duration
}

// UndoWait is the minute in which a bar lets a logged build be opened again, and
// half a minute to mend it and bring it here.
const UndoWait = 90 * time.Second

// Service is the centre's intake and what it tells of it.
type Service struct {
	cfg   Config
	log   *zap.Logger
	js    jetstream.JetStream
	store store.Store
	books *books
	stops *stopLists
	trust *trust
	// places is where sites lie.
	places *places
	heard  *bell
	// taken rings when builds were committed or judged.
	taken *bell
	// writing orders commits of builds against the arrival of a release, so
	// that no build is left waiting for a release that is here.
	writing sync.Mutex
	closing chan struct{}
	once    sync.Once
}

// Open opens the database in cfg.Dir. Nothing is taken in before Run.
func Open(ctx context.Context, cfg Config) (*Service, error) {
	if cfg.Log == nil {
		cfg.Log = zap.NewNop()
	}
	if cfg.Now == nil {
		cfg.Now = time.Now
	}
	if cfg.UndoWait == 0 {
		cfg.UndoWait = UndoWait
	}
	if cfg.Dir == "" {
		return nil, errors.New("quality: Dir is empty; name a directory for the database")
	}
	if cfg.NATS == nil {
		return nil, errors.New("quality: NATS is nil; connect to the bus first")
	}
	if err := os.MkdirAll(cfg.Dir, 0o750); err != nil {
		return nil, fmt.Errorf("make the quality directory: %w", err)
	}
	js, err := jetstream.New(cfg.NATS)
	if err != nil {
		return nil, fmt.Errorf("use the bus: %w", err)
	}
	db, err := store.Open(ctx, cfg.Database, cfg.Dir)
	if err != nil {
		return nil, err
	}
	s, err := newService(ctx, cfg, js, db)
	if err != nil {
		return nil, errors.Join(err, db.Close())
	}
	return s, nil
}

func newService(ctx context.Context, cfg Config, js jetstream.JetStream, db store.Store) (*Service, error) {
	log := cfg.Log.Named("quality")
	s := &Service{
		cfg: cfg, log: log, js: js, store: db, places: newPlaces(),
		books: newBooks(db, log), heard: newBell(), taken: newBell(), closing: make(chan struct{}),
	}
	s.stops = newStopLists(db, log, s.places)
	var err error
	if s.trust, err = openTrust(ctx, db, cfg.KeyLists); err != nil {
		return nil, err
	}
	return s, errors.Join(s.books.load(ctx), s.stops.load(ctx), s.places.load(ctx, db))
}

// Register adds the quality, insight and case services to a server.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	pb.RegisterInsightServiceServer(r, &insightServer{service: s})
	s.registerCases(r)
	pb.RegisterQualityServiceServer(r, &server{service: s})
}

// Run takes in releases and builds until ctx ends; it then returns nil. It
// stands up again by itself whatever happens to the bus.
func (s *Service) Run(ctx context.Context) error {
	g, ctx := errgroup.WithContext(ctx)
	known := make(chan struct{})
	g.Go(func() error { return s.followSites(ctx, known) })
	s.awaitSites(ctx, known)
	// A crash may have come between a release's arrival and its builds'.
	if err := s.settleAll(ctx); err != nil && ctx.Err() == nil {
		s.log.Error("judging builds whose release arrived earlier failed", zap.Error(err))
	}
	g.Go(func() error { return s.follow(ctx, bus.StreamBook, s.resumeBook, s.takeDocuments) })
	for _, stream := range []string{bus.StreamBuilds, bus.StreamDeviations} {
		resume := func(ctx context.Context) (jetstream.Consumer, error) {
			return bus.EnsureIntakeConsumer(ctx, s.js, stream, consumerName)
		}
		g.Go(func() error { return s.follow(ctx, stream, resume, s.takeBuilds) })
	}
	g.Go(func() error { return s.rollUp(ctx) })
	g.Go(func() error { return s.runCasework(ctx) })
	return g.Wait()
}

// Close ends streams to subscribers and closes the database. End Run first.
func (s *Service) Close() error {
	var err error
	s.once.Do(func() {
		close(s.closing)
		err = s.store.Close()
	})
	return err
}
