package quality

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

const (
	// maxStopLists bounds the parsed versions in memory, maxCompiled what was
	// compiled of them for sites; when full they are let go and made again.
	maxStopLists = 32
	maxCompiled  = 8192
)

// stopLists finds what a version of the stop list forbids at a site. Every
// version is kept, since a build is judged by the list that was shown when it
// was made.
type stopLists struct {
	store  store.Store
	log    *zap.Logger
	places *places

	mu       sync.Mutex
	held     map[uint64]bool
	parsed   map[uint64]*pb.StopList
	compiled map[stopsKey]*release.Stops
	// noted are the sites of unknown region that were told of.
	noted map[string]bool
}

// stopsKey has the region, so that a site that moved is judged anew.
type stopsKey struct {
	version      uint64
	site, region string
	known        bool
}

func newStopLists(db store.Store, log *zap.Logger, p *places) *stopLists {
	return &stopLists{store: db, log: log, places: p, held: map[uint64]bool{}, parsed: map[uint64]*pb.StopList{},
		compiled: map[stopsKey]*release.Stops{}, noted: map[string]bool{}}
}

func (l *stopLists) load(ctx context.Context) error {
	versions, err := l.store.StopLists(ctx)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, v := range versions {
		l.held[v] = true
	}
	return nil
}

func (l *stopLists) add(version uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.held[version] = true
}

// lacks tells that a version is not in the store.
func (l *stopLists) lacks(version uint64) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return !l.held[version]
}

// stops returns what a version forbids at a site; false where it is not here.
func (l *stopLists) stops(ctx context.Context, version uint64, site string) (*release.Stops, bool, error) {
	region, known := l.places.region(site)
	key := stopsKey{version, site, region, known}
	l.mu.Lock()
	defer l.mu.Unlock()
	if s := l.compiled[key]; s != nil {
		return s, true, nil
	}
	list, err := l.list(ctx, version)
	if list == nil || err != nil {
		return nil, false, err
	}
	scopes := release.Scopes(region, site)
	if !known {
		scopes = append(scopes, regionsOf(list)...)
		if len(scopes) > 2 && !l.noted[site] {
			l.noted[site] = true
			l.log.Warn("the region of a site is not known; stops of every region count as holding there",
				zap.String("site", site), zap.Uint64("stop_list", version))
		}
	}
	s := release.CompileStops(list, scopes)
	if len(l.compiled) >= maxCompiled {
		clear(l.compiled)
	}
	l.compiled[key] = s
	return s, true, nil
}

// list reads a version; nil where it is not here. The lock must be held.
func (l *stopLists) list(ctx context.Context, version uint64) (*pb.StopList, error) {
	if list := l.parsed[version]; list != nil {
		return list, nil
	}
	if !l.held[version] {
		return nil, nil
	}
	envelope, err := l.store.StopList(ctx, version)
	if errors.Is(err, store.ErrNotFound) {
		delete(l.held, version)
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	// It was verified before it was stored.
	var env pb.Envelope
	list := new(pb.StopList)
	if err := proto.Unmarshal(envelope, &env); err != nil {
		return nil, fmt.Errorf("read the stored stop list %d: %w", version, err)
	}
	if err := proto.Unmarshal(env.Payload, list); err != nil {
		return nil, fmt.Errorf("read the stored stop list %d: %w", version, err)
	}
	if len(l.parsed) >= maxStopLists {
		clear(l.parsed)
	}
	l.parsed[version] = list
	return list, nil
}

// regionsOf are the scopes of regions that a list's stops name.
func regionsOf(list *pb.StopList) (out []string) {
	for _, stop := range list.Stops {
		for _, scope := range stop.Scopes {
			if strings.HasPrefix(scope, "region.") {
				out = append(out, scope)
			}
		}
	}
	return out
}

// rules finds what a build is judged by; nil where its release or its stop
// list is not here.
func (s *Service) rules(ctx context.Context, b *store.Build) (*rules, error) {
	book, err := s.books.book(ctx, b.Release)
	if book == nil || err != nil {
		return nil, err
	}
	if b.StopList == 0 {
		return &rules{book: book}, nil
	}
	stops, ok, err := s.stops.stops(ctx, b.StopList, b.Site)
	if !ok || err != nil {
		return nil, err
	}
	return &rules{book: book, stops: stops}, nil
}

// takeStopList stores a version of the stop list and judges the builds that
// waited for it.
func (s *Service) takeStopList(ctx context.Context, subject string, data []byte) error {
	l, err := s.trust.stopList(data)
	if r, ok := errors.AsType[*release.Refusal](err); ok && r.Reason == release.UntrustedKey {
		// The key list that names the key may be behind it in the stream.
		if err := s.fetchKeyLists(ctx); err != nil {
			return err
		}
		l, err = s.trust.stopList(data)
	}
	if err != nil {
		return s.refused(ctx, "stop list", subject, data, err)
	}
	version := l.List.Version
	if version > store.MaxNumber {
		return s.setAside(ctx, subject, reasonBadField, fmt.Sprintf("stop list %d is beyond what can be stored", version), data)
	}
	stored, err := s.storeStopList(ctx, store.StopList{Version: version, Digest: l.Digest[:], Envelope: data, Received: s.cfg.Now()})
	if err != nil {
		return err
	}
	if !bytes.Equal(stored, l.Digest[:]) {
		s.log.Error("two stop lists bear one version; the first is kept", zap.Uint64("stop_list", version), zap.String("subject", subject))
		return s.setAside(ctx, subject, reasonNumberTaken, fmt.Sprintf("stop list %d is here already with other content", version), data)
	}
	return s.settle(ctx, func(after int64) ([]store.Build, error) {
		return s.store.AwaitingStopList(ctx, version, after, settlePage)
	})
}

func (s *Service) storeStopList(ctx context.Context, l store.StopList) (digest []byte, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	err = s.store.Write(ctx, func(tx store.Tx) error {
		digest, err = tx.InsertStopList(l)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("store stop list %d: %w", l.Version, err)
	}
	// Under the lock: a build committed after this finds the list.
	s.stops.add(l.Version)
	return digest, nil
}
