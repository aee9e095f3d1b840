package authority

import (
	"context"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ListSites implements pb.FleetServiceServer.
func (s fleetService) ListSites(_ context.Context, req *pb.ListSitesRequest) (*pb.ListSitesResponse, error) {
	size, err := pageSize(req.PageSize, 100, 1000)
	if err != nil {
		return nil, err
	}
	after := ""
	if req.PageToken != "" {
		var ok bool
		if after, ok = decodeToken(siteToken, req.PageToken); !ok || after == "" {
			return nil, badToken()
		}
	}
	res := &pb.ListSitesResponse{}
	s.view(func(st *govern.State) {
		for _, v := range st.Sites() {
			if v.ID <= after {
				continue
			}
			if len(res.Sites) == size {
				res.NextPageToken = encodeToken(siteToken, res.Sites[size-1].Id)
				return
			}
			res.Sites = append(res.Sites, siteToProto(v))
		}
	})
	return res, nil
}
