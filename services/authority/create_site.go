package authority

import (
	"context"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// CreateSite implements pb.FleetServiceServer. The same site again is no error.
func (s fleetService) CreateSite(ctx context.Context, req *pb.CreateSiteRequest) (*pb.CreateSiteResponse, error) {
	var c check
	c.site(req.Site)
	call, err := s.writeOnce(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	site := siteFromProto(req.Site)
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		t.site(site)
		return t.AddSite(t.Call, rules(), site)
	})
	if err != nil {
		return nil, err
	}
	if len(out.Acts) > 0 {
		s.log.Info("site known", zap.String("site", site.ID), zap.String("region", site.Region))
	}
	return &pb.CreateSiteResponse{Site: req.Site}, nil
}
