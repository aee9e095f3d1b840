package authority

import (
	"context"
	"fmt"
	"sync"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/services/authority/store"
)

// directory holds in memory what a presence is answered from, so that ten
// thousand stations do not each cost a query every few seconds. Numbers only
// rise and stations only come, so merging is always safe.
type directory struct {
	mu     sync.RWMutex
	scopes map[store.StationKey][]string
	latest map[string]uint64
}

func (d *directory) addStation(key store.StationKey, region string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.scopes == nil {
		d.scopes = map[store.StationKey][]string{}
	}
	d.scopes[key] = release.Scopes(region, key.Site)
}

func (d *directory) addRelease(scope string, number uint64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.latest == nil {
		d.latest = map[string]uint64{}
	}
	d.latest[scope] = max(d.latest[scope], number)
}

// expected maps each scope of a station that has a release to its number;
// false when the station is not enrolled.
func (d *directory) expected(key store.StationKey) (map[string]uint64, bool) {
	d.mu.RLock()
	defer d.mu.RUnlock()
	scopes, ok := d.scopes[key]
	if !ok {
		return nil, false
	}
	out := make(map[string]uint64, len(scopes))
	for _, scope := range scopes {
		if n := d.latest[scope]; n > 0 {
			out[scope] = n
		}
	}
	return out, true
}

// mostSpecific is the release that a station of these scopes should hold; 0
// for none.
func (d *directory) mostSpecific(scopes []string) uint64 {
	d.mu.RLock()
	defer d.mu.RUnlock()
	for i := len(scopes) - 1; i >= 0; i-- {
		if n := d.latest[scopes[i]]; n > 0 {
			return n
		}
	}
	return 0
}

// reload merges what the database holds into the directory.
func (s *Service) reload(ctx context.Context) error {
	latest, err := s.store.LatestByScope(ctx)
	if err != nil {
		return fmt.Errorf("load the directory: %w", err)
	}
	members, err := s.store.Members(ctx)
	if err != nil {
		return fmt.Errorf("load the directory: %w", err)
	}
	for scope, number := range latest {
		s.dir.addRelease(scope, number)
	}
	for _, m := range members {
		s.dir.addStation(m.StationKey, m.Region)
	}
	return nil
}
