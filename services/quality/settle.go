package quality

import (
	"context"
	"fmt"

	"go.uber.org/zap"

	"samecup.example/samecup/services/quality/store"
)

// settleAll judges the builds of every release that is here and that some
// still wait for. Those that waited for a stop list are among them.
func (s *Service) settleAll(ctx context.Context) error {
	awaited, err := s.store.AwaitedReleases(ctx)
	if err != nil {
		return err
	}
	for _, n := range awaited {
		if err := s.settleRelease(ctx, n); err != nil {
			return err
		}
	}
	return nil
}

func (s *Service) settleRelease(ctx context.Context, number uint64) error {
	book, err := s.books.book(ctx, number)
	if err != nil || book == nil {
		return err
	}
	return s.settle(ctx, func(after int64) ([]store.Build, error) {
		return s.store.Awaiting(ctx, number, after, settlePage)
	})
}

// settle judges the builds that waited, page by page; what a crash leaves over
// is found again by settleAll. One that still lacks something goes on waiting.
func (s *Service) settle(ctx context.Context, pages func(after int64) ([]store.Build, error)) error {
	var after int64
	for {
		page, err := pages(after)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		after = page[len(page)-1].Ref
		var j judge
		var lookErr error
		find := func(b *store.Build) *rules {
			by, err := s.rules(ctx, b)
			if err != nil {
				lookErr = err
			}
			return by
		}
		settled := make([]*store.Build, 0, len(page))
		for i := range page {
			b := &page[i]
			judged, err := j.stored(b, find)
			if lookErr != nil {
				return lookErr
			}
			if err != nil {
				s.log.Error("a stored build cannot be judged", zap.String("build", b.ID), zap.Error(err))
				continue
			}
			if !judged {
				continue
			}
			b.Received = s.cfg.Now()
			settled = append(settled, b)
		}
		if err := s.commitSettled(ctx, settled); err != nil {
			return err
		}
	}
}

func (s *Service) commitSettled(ctx context.Context, builds []*store.Build) error {
	if len(builds) == 0 {
		return nil
	}
	s.writing.Lock()
	defer s.writing.Unlock()
	rang := false
	err := s.store.Write(ctx, func(tx store.Tx) error {
		c := counter{tx: tx, stations: map[stationKey]*tally{}, lacks: s.stops.lacks}
		for _, b := range builds {
			was, err := tx.Settle(b)
			if err != nil {
				return err
			}
			if !was {
				continue
			}
			t, err := c.station(b.Site, b.Station)
			if err != nil {
				return err
			}
			t.Awaiting--
			c.judged(t, b)
		}
		rang = len(c.deviations) > 0
		return c.save()
	})
	if err != nil {
		return fmt.Errorf("settle %d builds: %w", len(builds), err)
	}
	s.taken.ring()
	if rang {
		s.heard.ring()
	}
	return nil
}
