package authority

import (
	"context"
	"slices"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/services/authority/store"
)

// takeOver writes what a version without a record stored into the record: its
// sites, and its releases as published directly. Their numbers, bytes and times
// stay, so that every site goes on with what it follows.
func (s *Service) takeOver(ctx context.Context) error {
	// The first key list follows upon this, so that a start that was
	// interrupted here goes on where it was.
	done := false
	s.view(func(st *govern.State) { done = len(st.KeyLists()) > 0 })
	if done {
		return nil
	}
	sites, err := s.store.Sites(ctx)
	if err != nil {
		return err
	}
	rows, err := s.store.ListReleases(ctx, 0, 1_000_000)
	if err != nil {
		return err
	}
	if len(sites)+len(rows) == 0 {
		return nil
	}
	slices.Reverse(rows)
	local := govern.Actor{Person: govern.Local, Name: "An earlier version"}
	begin := s.now()
	if len(rows) > 0 {
		begin = rows[0].CreatedAt
	}
	for _, v := range sites {
		if _, err := s.do(ctx, govern.Call{Actor: local, At: begin}, func(t *turn) ([]govern.Act, error) {
			return t.AddSite(t.Call, rules(), govern.Site{ID: v.ID, Name: v.Name, Region: v.Region, Zone: v.TimeZone})
		}); err != nil {
			return err
		}
	}
	for _, r := range rows {
		if err := s.takeOverRelease(ctx, local, r); err != nil {
			return err
		}
	}
	s.log.Info("what an earlier version stored is in the record now", zap.Int("sites", len(sites)), zap.Int("releases", len(rows)))
	return nil
}

func (s *Service) takeOverRelease(ctx context.Context, by govern.Actor, r store.Release) error {
	there := false
	s.view(func(st *govern.State) { _, there = st.Release(r.Number) })
	if there {
		return nil
	}
	system := govern.Call{Actor: govern.SystemActor(), At: r.CreatedAt}
	if _, err := s.do(ctx, system, func(t *turn) ([]govern.Act, error) { return t.RaiseNumber(t.Call, r.Number-1), nil }); err != nil {
		return err
	}
	_, err := s.do(ctx, govern.Call{Actor: by, At: r.CreatedAt}, func(t *turn) ([]govern.Act, error) {
		return t.PublishDirect(t.Call, rules(), govern.DirectRelease{Scope: r.Scope, Start: r.EffectiveAt, Note: r.Note,
			Make: func(first uint64) (govern.Made, error) {
				return govern.Made{Releases: []govern.ReleaseMade{{Number: first, Scope: r.Scope, Digest: r.Digest}}}, nil
			}})
	})
	return err
}
