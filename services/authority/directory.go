package authority

import (
	"context"
	"fmt"
	"sync"

	"samecup.example/samecup/services/authority/store"
)

// directory holds in memory which stations are enrolled, so that ten thousand
// presences do not each cost a query every few seconds.
type directory struct {
	mu       sync.RWMutex
	stations map[store.StationKey]bool
}

func (d *directory) add(key store.StationKey) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.stations == nil {
		d.stations = map[store.StationKey]bool{}
	}
	d.stations[key] = true
}

func (d *directory) has(key store.StationKey) bool {
	d.mu.RLock()
	defer d.mu.RUnlock()
	return d.stations[key]
}

func (s *Service) loadDirectory(ctx context.Context) error {
	members, err := s.store.Members(ctx)
	if err != nil {
		return fmt.Errorf("load the directory: %w", err)
	}
	for _, m := range members {
		s.dir.add(m.StationKey)
	}
	return nil
}
