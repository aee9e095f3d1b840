package quality

import (
	"context"
	"sync"
	"time"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/release"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

// SiteSource tells the sites as they are now, and a channel that is closed when
// they may have changed.
type SiteSource func(context.Context) (sites []*pb.Site, changed <-chan struct{}, err error)

// firstSites bounds the wait for the sites at the start: builds must not wait
// for an authority that is away.
const firstSites = 2 * time.Second

// places knows where each site lies.
type places struct {
	mu      sync.RWMutex
	regions map[string]string
	// told are the calendars that the roll-ups were told in this run.
	told map[string]calendar
}

type calendar struct {
	zone string
	hour int
}

func newPlaces() *places {
	return &places{regions: map[string]string{}, told: map[string]calendar{}}
}

func (p *places) region(site string) (region string, known bool) {
	p.mu.RLock()
	defer p.mu.RUnlock()
	region, known = p.regions[site]
	return region, known
}

func (p *places) load(ctx context.Context, db store.Store) error {
	regions, err := db.Regions(ctx)
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.regions = regions
	return nil
}

// followSites keeps regions and calendars as the authority has them until ctx
// ends. known is closed once they were told for the first time.
func (s *Service) followSites(ctx context.Context, known chan<- struct{}) error {
	if s.cfg.Sites == nil {
		close(known)
		return nil
	}
	wait := backoffLeast
	for first := true; ctx.Err() == nil; {
		sites, changed, err := s.cfg.Sites(ctx)
		if err == nil {
			err = s.learnSites(ctx, sites)
		}
		if err != nil {
			if ctx.Err() == nil {
				s.log.Warn("the sites are not known; asking again", zap.Duration("in", wait), zap.Error(err))
			}
			pause(ctx, wait)
			wait = min(2*wait, backoffMost)
			continue
		}
		wait = backoffLeast
		if first {
			close(known)
			first = false
		}
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
	return nil
}

// awaitSites gives the authority a moment to tell the sites, so that stops of a
// region are judged aright from the first build on.
func (s *Service) awaitSites(ctx context.Context, known <-chan struct{}) {
	wait := time.NewTimer(firstSites)
	defer wait.Stop()
	select {
	case <-known:
	case <-wait.C:
		s.log.Warn("the authority has not told the sites yet; builds are judged without")
	case <-ctx.Done():
	}
}

// learnSites stores what changed. Builds that were judged stay as they are.
func (s *Service) learnSites(ctx context.Context, sites []*pb.Site) error {
	var moved []*pb.Site
	s.places.mu.RLock()
	for _, v := range sites {
		if r, ok := s.places.regions[v.Id]; !ok || r != v.Region {
			moved = append(moved, v)
		}
	}
	s.places.mu.RUnlock()
	if len(moved) > 0 {
		err := s.store.Write(ctx, func(tx store.Tx) error {
			for _, v := range moved {
				if err := tx.SaveRegion(v.Id, v.Region); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			return err
		}
		s.places.mu.Lock()
		for _, v := range moved {
			s.places.regions[v.Id] = v.Region
		}
		s.places.mu.Unlock()
	}
	for _, v := range sites {
		c := calendar{zone: v.TimeZone, hour: dayStart(v)}
		if s.places.told[v.Id] == c {
			continue
		}
		if err := s.SetSiteCalendar(ctx, v.Id, c.zone, c.hour); err != nil {
			return err
		}
		s.places.told[v.Id] = c
	}
	return nil
}

// dayStart is the full hour in which a site's business day begins, since the
// roll-ups count in hours: the cut rounded down, and at most noon.
func dayStart(v *pb.Site) int {
	cut := int(v.DayCutMinutes)
	if cut == 0 {
		cut = release.DefaultDayCut
	}
	return min(cut/60, 12)
}
