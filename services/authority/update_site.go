package authority

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// siteFields are what an update mask may name.
var siteFields = map[string]func(to, from *pb.Site){
	"name":            func(to, from *pb.Site) { to.Name = from.Name },
	"region":          func(to, from *pb.Site) { to.Region = from.Region },
	"time_zone":       func(to, from *pb.Site) { to.TimeZone = from.TimeZone },
	"opening_minutes": func(to, from *pb.Site) { to.OpeningMinutes = from.OpeningMinutes },
	"day_cut_minutes": func(to, from *pb.Site) { to.DayCutMinutes = from.DayCutMinutes },
	"people_count":    func(to, from *pb.Site) { to.PeopleCount = from.PeopleCount },
}

// UpdateSite implements pb.FleetServiceServer. Without a mask every field is
// taken, as AIP-134 has it. Another time zone needs nothing of the stations, since
// an assignment carries instants; for another region they are sent a placement,
// before the assignments that need it, and are named.
func (s fleetService) UpdateSite(ctx context.Context, req *pb.UpdateSiteRequest) (*pb.UpdateSiteResponse, error) {
	if req.Site == nil {
		return nil, rpc.Invalid(rpc.Violation{Field: "site", Description: "is missing; send its id and the fields that change"})
	}
	paths := req.UpdateMask.GetPaths()
	for _, p := range paths {
		if siteFields[p] == nil && p != "*" {
			var names []string
			for n := range siteFields {
				names = append(names, n)
			}
			slices.Sort(names)
			return nil, rpc.Invalid(rpc.Violation{Field: "update_mask",
				Description: fmt.Sprintf("names %q; it may name %s", clip(p, 80), strings.Join(names, ", "))})
		}
	}
	var none check
	call, err := s.writeOnce(ctx, &none, req)
	if err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		old, ok := t.Site(req.Site.Id)
		if !ok {
			return nil, rpc.Fail(codes.NotFound, "SITE_NOT_FOUND", fmt.Sprintf("there is no site %q; add it first: samecup site add", clip(req.Site.Id, 80)), nil)
		}
		next := proto.CloneOf(req.Site)
		if len(paths) > 0 && !slices.Contains(paths, "*") {
			next = siteToProto(old)
			for _, p := range paths {
				siteFields[p](next, req.Site)
			}
		}
		var c check
		c.site(next)
		if err := c.err(); err != nil {
			return nil, err
		}
		t.site(siteFromProto(next))
		return t.UpdateSite(t.Call, rules(), siteFromProto(next))
	})
	if err != nil {
		return nil, err
	}
	res := &pb.UpdateSiteResponse{}
	s.view(func(st *govern.State) {
		v, _ := st.Site(req.Site.Id)
		res.Site = siteToProto(v)
		for _, x := range st.StationsOf(req.Site.Id) {
			if x.Placed == out.First { // by this very act, now or when it was first asked for
				res.MovingStations = append(res.MovingStations, x.Station)
			}
		}
	})
	s.log.Info("site changed", zap.String("site", res.Site.Id), zap.String("region", res.Site.Region), zap.Strings("moving_stations", res.MovingStations))
	return res, nil
}
