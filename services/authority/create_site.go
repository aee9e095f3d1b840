package authority

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// CreateSite implements pb.FleetServiceServer.
func (s fleetService) CreateSite(ctx context.Context, req *pb.CreateSiteRequest) (*pb.CreateSiteResponse, error) {
	var c check
	c.site(req.Site)
	if err := c.err(); err != nil {
		return nil, err
	}
	in := req.Site
	err := s.store.CreateSite(ctx, store.Site{ID: in.Id, Name: in.Name, Region: in.Region, TimeZone: in.TimeZone})
	if errors.Is(err, store.ErrSiteDiffers) {
		return nil, rpc.Fail(codes.AlreadyExists, "SITE_DIFFERS",
			fmt.Sprintf("site %q exists with another name, region or time zone; choose another id", in.Id),
			map[string]string{"site": in.Id})
	}
	if err != nil {
		return nil, err
	}
	s.log.Info("site known", zap.String("site", in.Id), zap.String("region", in.Region))
	return &pb.CreateSiteResponse{Site: in}, nil
}
