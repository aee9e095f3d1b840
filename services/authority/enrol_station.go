package authority

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/bus"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// EnrolStation implements pb.FleetServiceServer. The consumer is made before
// the code is spent: when the bus is away the code stays good.
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
	scopes := release.Scopes(site.Region, site.ID)
	consumer, err := s.stationConsumer(ctx, open.StationKey, scopes)
	if err != nil {
		s.log.Warn("station not enrolled: no consumer", zap.String("site", open.Site), zap.String("station", open.Station), zap.Error(err))
		return nil, rpc.Fail(codes.Unavailable, "BUS_AWAY", "the bus does not answer; the code stays good, try again", nil)
	}
	spent, err := s.store.SpendEnrolment(ctx, hash, s.now())
	if err != nil {
		return nil, codeError(err)
	}
	s.dir.addStation(spent.StationKey, site.Region)
	s.log.Info("station enrolled", zap.String("site", spent.Site), zap.String("station", spent.Station))
	return &pb.EnrolStationResponse{
		Site:        spent.Site,
		Station:     spent.Station,
		Scopes:      scopes,
		TrustedKeys: [][]byte{s.PublicKey()},
		Consumer:    consumer,
		BusUrl:      s.busURL,
		TimeZone:    site.TimeZone,
	}, nil
}

func (s *Service) stationConsumer(ctx context.Context, key store.StationKey, scopes []string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, s.busWait)
	defer cancel()
	name, err := bus.EnsureStationConsumer(ctx, s.js, key.Site, key.Station, scopes)
	if !errors.Is(err, jetstream.ErrStreamNotFound) {
		return name, err
	}
	if err := s.ensureStreams(ctx); err != nil {
		return "", err
	}
	return bus.EnsureStationConsumer(ctx, s.js, key.Site, key.Station, scopes)
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
