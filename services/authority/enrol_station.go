package authority

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// EnrolStation implements pb.FleetServiceServer. The code is what the caller is
// known by, so no person's token is asked for, and the bus is not needed.
func (s fleetService) EnrolStation(ctx context.Context, req *pb.EnrolStationRequest) (*pb.EnrolStationResponse, error) {
	code, ok := normalCode(req.Code)
	if !ok {
		return nil, rpc.Invalid(rpc.Violation{Field: "code",
			Description: fmt.Sprintf("is not an enrolment code; it has %d of the characters %s, and samecup station-code prints one", codeLength, codeAlphabet)})
	}
	hash := hashCode(code)
	open, err := s.store.Enrolment(ctx, hash, s.now())
	if err != nil {
		return nil, codeError(err)
	}
	site, err := s.store.Site(ctx, open.Site)
	if err != nil {
		return nil, err
	}
	spent, err := s.store.SpendEnrolment(ctx, hash, s.now())
	if err != nil {
		return nil, codeError(err)
	}
	s.dir.add(spent.StationKey)
	s.log.Info("station enrolled", zap.String("site", spent.Site), zap.String("station", spent.Station))
	return &pb.EnrolStationResponse{
		Site:     spent.Site,
		Station:  spent.Station,
		Scopes:   release.Scopes(site.Region, site.ID),
		KeyLists: s.KeyLists(),
		BusUrl:   s.busURL,
		TimeZone: site.TimeZone,
	}, nil
}

// codeError says of a code no more than its holder needs to know.
func codeError(err error) error {
	const again = "; ask for a new one: samecup station-code SITE STATION"
	switch {
	case errors.Is(err, store.ErrNotFound):
		return rpc.Fail(codes.NotFound, "CODE_UNKNOWN", "there is no such enrolment code, or a newer one replaced it"+again, nil)
	case errors.Is(err, store.ErrCodeSpent):
		return rpc.Fail(codes.FailedPrecondition, "CODE_SPENT", "this enrolment code was used already"+again, nil)
	case errors.Is(err, store.ErrCodeExpired):
		return rpc.Fail(codes.FailedPrecondition, "CODE_EXPIRED",
			fmt.Sprintf("this enrolment code is older than %d minutes%s", int(codeLife.Minutes()), again), nil)
	}
	return err
}
