package authority

import (
	"context"
	"fmt"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// ListStations implements pb.FleetServiceServer.
func (s fleetService) ListStations(ctx context.Context, req *pb.ListStationsRequest) (*pb.ListStationsResponse, error) {
	size, err := pageSize(req.PageSize, 100, 1000)
	if err != nil {
		return nil, err
	}
	after, err := decodeStationToken(req.PageToken)
	if err != nil {
		return nil, err
	}
	rows, err := s.store.ListStations(ctx, after, size+1)
	if err != nil {
		return nil, err
	}
	res := &pb.ListStationsResponse{}
	if len(rows) > size {
		rows = rows[:size]
		res.NextPageToken = encodeStationToken(rows[size-1].StationKey)
	}
	expected := make([]uint64, len(rows))
	now := s.now()
	s.view(func(st *govern.State) {
		for i, r := range rows {
			o, _ := st.InForce(r.Site, now)
			expected[i] = o.Release
		}
	})
	for i, r := range rows {
		st := &pb.Station{
			Site:            r.Site,
			Station:         r.Station,
			EnrolledTime:    timestamppb.New(r.EnrolledAt),
			ExpectedRelease: expected[i],
		}
		body, seen := r.Presence, r.SeenAt
		// What waits for the disk is newer than what is on it.
		if p, ok := s.seen.get(r.StationKey); ok {
			body, seen = p.Body, p.SeenAt
		}
		if !seen.IsZero() {
			st.PresenceTime, st.Presence = timestamppb.New(seen), new(pb.Presence)
			if err := proto.Unmarshal(body, st.Presence); err != nil {
				return nil, fmt.Errorf("read the stored presence of %s/%s: %w", r.Site, r.Station, err)
			}
			st.PlacementDue = st.Presence.Placement < s.pub.placedAt(r.StationKey)
		}
		res.Stations = append(res.Stations, st)
	}
	return res, nil
}
