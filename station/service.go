package station

import (
	"context"
	"fmt"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/station/shelf"
)

// service is the agent's face towards tablets and instruments.
type service struct {
	pb.UnimplementedStationServiceServer
	agent *Agent
}

func (s *service) LogBuild(ctx context.Context, req *pb.LogBuildRequest) (*pb.LogBuildResponse, error) {
	return s.agent.LogBuild(ctx, req)
}

func (s *service) ListServings(context.Context, *pb.ListServingsRequest) (*pb.ListServingsResponse, error) {
	h, err := s.agent.inForce()
	if err != nil {
		return nil, err
	}
	return &pb.ListServingsResponse{Release: h.Number, Servings: wire.BookToProto(h.Book).GetServings()}, nil
}

func (s *service) GetCard(_ context.Context, req *pb.GetCardRequest) (*pb.GetCardResponse, error) {
	h, err := s.agent.inForce()
	if err != nil {
		return nil, err
	}
	serving, ok := h.Book.ServingByID(req.GetServing())
	if !ok {
		return nil, rpc.Fail(codes.NotFound, "NO_SERVING", fmt.Sprintf("release %d has no serving %q; list the servings for those it has", h.Number, clip(req.GetServing())), nil)
	}
	return &pb.GetCardResponse{Release: h.Number, Text: drink.Card(h.Book, serving)}, nil
}

func (s *service) GetStatus(context.Context, *pb.GetStatusRequest) (*pb.GetStatusResponse, error) {
	st := s.agent.Status()
	res := &pb.GetStatusResponse{
		Edition: st.Edition, Stale: st.Stale, StaleReason: st.StaleReason, StopList: st.StopList,
		Site: st.Site, Station: st.Station, Release: st.Release, NextRelease: st.NextRelease,
		Online: st.Online, OutboxDepth: st.OutboxDepth, LastSequence: st.LastSequence,
	}
	if st.Release != 0 {
		res.ReleaseEffectiveTime = timestamppb.New(st.ReleaseEffective)
	}
	if st.NextRelease != 0 {
		res.NextReleaseTime = timestamppb.New(st.NextAt)
	}
	if !st.Heard.IsZero() {
		res.HeardTime = timestamppb.New(st.Heard)
	}
	return res, nil
}

// ListStops tells what must not be made here, whatever the book says.
func (s *service) ListStops(ctx context.Context, _ *pb.StationServiceListStopsRequest) (*pb.StationServiceListStopsResponse, error) {
	a := s.agent
	res := &pb.StationServiceListStopsResponse{}
	list := a.shelf.Stops()
	if list == nil {
		return res, nil
	}
	seen, err := a.store.StopsSeen(ctx)
	if err != nil {
		return nil, err
	}
	now := a.cfg.Now()
	res.Version, res.Stops = list.Version, list.Stops.Open()
	for _, stop := range res.Stops {
		if seen[stop.GetId()] {
			res.Acknowledged = append(res.Acknowledged, stop.GetId())
		}
	}
	if f := a.keep.fresh.Load().Freshness(a.id.Site, now, a.cfg.StaleAfter); !f.StopList.IsZero() {
		res.ConfirmTime = timestamppb.New(f.StopList)
	}
	if o := a.shelf.InForce(now); o != nil {
		for i := range o.Held.Book.Drinks {
			for j := range o.Held.Book.Drinks[i].Servings {
				if sv := &o.Held.Book.Drinks[i].Servings[j]; list.Stops.Serving(sv) {
					res.Servings = append(res.Servings, sv.ID)
				}
			}
		}
	}
	return res, nil
}

func (s *service) AcknowledgeStop(ctx context.Context, req *pb.StationServiceAcknowledgeStopRequest) (*pb.StationServiceAcknowledgeStopResponse, error) {
	return s.agent.AcknowledgeStop(ctx, req)
}

func (s *service) AcknowledgeCard(ctx context.Context, req *pb.StationServiceAcknowledgeCardRequest) (*pb.StationServiceAcknowledgeCardResponse, error) {
	return s.agent.AcknowledgeCard(ctx, req)
}

func (a *Agent) inForce() (*shelf.Held, error) {
	o := a.shelf.InForce(a.cfg.Now())
	if o == nil {
		return nil, noRelease()
	}
	return o.Held, nil
}

func noRelease() error {
	return rpc.Fail(codes.FailedPrecondition, "NO_RELEASE", "this station holds no release in force yet; publish one, or wait until it has arrived", nil)
}
