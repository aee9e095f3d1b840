package authority

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// EnrolStation implements pb.FleetServiceServer. The code is what the caller is
// known by, so no person's token is asked for, and the bus is not needed. Who
// guesses at codes is made to wait.
func (s fleetService) EnrolStation(ctx context.Context, req *pb.EnrolStationRequest) (*pb.EnrolStationResponse, error) {
	code, ok := normalCode(req.Code)
	if !ok {
		return nil, rpc.Invalid(rpc.Violation{Field: "code",
			Description: fmt.Sprintf("is not an enrolment code; it has %d of the characters %s, and samecup station-code prints one", codeLength, codeAlphabet)})
	}
	from := source(ctx)
	if wait := s.office.guesses.wait(from, s.now()); wait > 0 {
		return nil, rpc.Fail(codes.ResourceExhausted, "CODE_GUESSES",
			fmt.Sprintf("too many enrolment codes that do not exist were tried from %s; wait %d s, then try the right one again", from, int((wait+time.Second-1)/time.Second)), nil)
	}
	hash := hashCode(code)
	var open store.Enrolment
	_, err := s.do(ctx, govern.Call{}, func(t *turn) ([]govern.Act, error) {
		var err error
		if open, err = s.store.Enrolment(ctx, hash, t.At()); err != nil {
			return nil, err
		}
		t.Call.Actor = govern.StationActor(open.Site, open.Station)
		t.commit.Spent, t.commit.Now = (*[32]byte)(&hash), t.At()
		return t.EnrolStation(t.Call, open.Site, open.Station)
	})
	if err != nil {
		if errors.Is(err, store.ErrNotFound) {
			s.office.guesses.wrong(from, s.now())
		}
		return nil, codeError(err)
	}
	var site govern.Site
	s.view(func(st *govern.State) { site, _ = st.Site(open.Site) })
	s.dir.add(open.StationKey)
	s.log.Info("station enrolled", zap.String("site", open.Site), zap.String("station", open.Station))
	return &pb.EnrolStationResponse{
		Site:      open.Site,
		Station:   open.Station,
		Scopes:    release.Scopes(site.Region, site.ID),
		KeyLists:  s.KeyLists(),
		BusUrl:    s.busURL,
		TimeZone:  site.Zone,
		Placement: s.placementFor(ctx, open.StationKey),
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
