package authority

import (
	"context"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// Sites are the sites as they are now, by id, and a channel that is closed when
// they may have changed: for those in the same process who judge by where a
// site lies. The error is always nil.
func (s *Service) Sites(context.Context) (sites []*pb.Site, changed <-chan struct{}, err error) {
	// Before the sites, so that a change in between is not missed.
	changed = s.changed()
	s.view(func(st *govern.State) {
		for _, v := range st.Sites() {
			sites = append(sites, siteToProto(v))
		}
	})
	return sites, changed, nil
}
