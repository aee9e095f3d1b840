package quality

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/store"
)

const (
	defaultPage = 100
	maxPage     = 1000
	streamPage  = 500
	// maxPageBytes of records go into one answer.
	maxPageBytes = rpc.MaxMessageBytes / 2
)

type server struct {
	pb.UnimplementedQualityServiceServer
	service *Service
}

// pageToken is where a list goes on; it holds the filter, since a cursor of one
// list means nothing in another.
type pageToken struct {
	After uint64 `json:"a"`
	Site  string `json:"s,omitempty"`
	Drink string `json:"d,omitempty"`
}

func (t pageToken) encode() (string, error) {
	text, err := json.Marshal(t)
	if err != nil {
		return "", fmt.Errorf("write a page token: %w", err)
	}
	return base64.RawURLEncoding.EncodeToString(text), nil
}

func query(req *pb.ListDeviationsRequest) (store.DeviationQuery, error) {
	q := store.DeviationQuery{Limit: int(req.PageSize), Site: req.Site, Drink: req.Drink}
	switch {
	case q.Limit == 0:
		q.Limit = defaultPage
	case q.Limit < 0 || q.Limit > maxPage:
		return q, rpc.Invalid(rpc.Violation{Field: "page_size", Description: fmt.Sprintf("%d is not allowed; ask for 1 to %d, or 0 for %d", req.PageSize, maxPage, defaultPage)})
	}
	if req.PageToken == "" {
		return q, nil
	}
	bad := rpc.Violation{Field: "page_token", Description: "not a token of this list; pass next_page_token as it was given, with the same site and drink"}
	text, err := base64.RawURLEncoding.DecodeString(req.PageToken)
	if err != nil {
		return q, rpc.Invalid(bad)
	}
	var t pageToken
	if json.Unmarshal(text, &t) != nil || t.Site != req.Site || t.Drink != req.Drink {
		return q, rpc.Invalid(bad)
	}
	q.After = t.After
	return q, nil
}

func (s *server) ListDeviations(ctx context.Context, req *pb.ListDeviationsRequest) (*pb.ListDeviationsResponse, error) {
	q, err := query(req)
	if err != nil {
		return nil, err
	}
	rows, err := s.service.store.Deviations(ctx, q)
	if err != nil {
		return nil, err
	}
	res := new(pb.ListDeviationsResponse)
	more := len(rows) == q.Limit
	size := 0
	for i := range rows {
		// A page may be shorter than asked for, so that it fits in an answer.
		if size += len(rows[i].Record) + len(rows[i].Verdict); size > maxPageBytes && i > 0 {
			more = true
			break
		}
		d, err := deviation(&rows[i])
		if err != nil {
			return nil, err
		}
		res.Deviations = append(res.Deviations, d)
		q.After = d.Cursor
	}
	if more {
		res.NextPageToken, err = pageToken{After: q.After, Site: q.Site, Drink: q.Drink}.encode()
	}
	return res, err
}

// StreamDeviations reads pages from the database and waits for the bell in
// between; a subscriber has no queue that could overflow.
func (s *server) StreamDeviations(req *pb.StreamDeviationsRequest, out grpc.ServerStreamingServer[pb.StreamDeviationsResponse]) error {
	ctx := out.Context()
	if req.FromNow && req.AfterCursor > 0 {
		return rpc.Invalid(rpc.Violation{Field: "from_now", Description: fmt.Sprintf("true beside after_cursor %d is not allowed; set one of them", req.AfterCursor)})
	}
	// A subscriber learns at once that it is connected, however long it takes
	// until there is something to tell.
	if err := out.SendHeader(metadata.MD{}); err != nil {
		return err
	}
	q := store.DeviationQuery{After: req.AfterCursor, Limit: streamPage}
	if req.FromNow {
		var err error
		if q.After, err = s.service.store.NewestDeviation(ctx); err != nil {
			return err
		}
		if err := out.Send(&pb.StreamDeviationsResponse{Cursor: q.After}); err != nil {
			return err
		}
	}
	for {
		rang := s.service.heard.next()
		for {
			rows, err := s.service.store.Deviations(ctx, q)
			if err != nil {
				return err
			}
			for i := range rows {
				d, err := deviation(&rows[i])
				if err != nil {
					return err
				}
				if err := out.Send(&pb.StreamDeviationsResponse{Deviation: d, Cursor: d.Cursor}); err != nil {
					return err
				}
				q.After = d.Cursor
			}
			if len(rows) < q.Limit {
				break
			}
		}
		select {
		case <-rang:
		case <-ctx.Done():
			return ctx.Err()
		case <-s.service.closing:
			return rpc.Fail(codes.Unavailable, "SHUTTING_DOWN", "the service stops; connect again with after_cursor", nil)
		}
	}
}

func (s *server) GetBuild(ctx context.Context, req *pb.GetBuildRequest) (*pb.GetBuildResponse, error) {
	if req.Id == "" {
		return nil, rpc.Invalid(rpc.Violation{Field: "id", Description: "it is empty; give a build's id"})
	}
	b, err := s.service.store.Build(ctx, req.Id)
	if errors.Is(err, store.ErrNotFound) {
		return nil, rpc.Fail(codes.NotFound, "BUILD_NOT_FOUND", fmt.Sprintf("build %q was not counted here", req.Id), map[string]string{"id": req.Id})
	}
	if err != nil {
		return nil, err
	}
	res := &pb.GetBuildResponse{Record: new(pb.BuildRecord)}
	if err := proto.Unmarshal(b.Record, res.Record); err != nil {
		return nil, fmt.Errorf("read the record of build %q: %w", b.ID, err)
	}
	res.Verdict, err = centreVerdict(b.Grade, b.Verdict)
	return res, err
}

func (s *server) GetIntake(ctx context.Context, _ *pb.GetIntakeRequest) (*pb.GetIntakeResponse, error) {
	stations, err := s.service.store.Intake(ctx)
	if err != nil {
		return nil, err
	}
	res := &pb.GetIntakeResponse{Stations: make([]*pb.StationIntake, len(stations))}
	for i, st := range stations {
		res.Stations[i] = &pb.StationIntake{
			Site: st.Site, Station: st.Station, Builds: st.Builds, Deviations: st.Deviations,
			Disputed: st.Disputed, AwaitingRelease: st.Awaiting, WholeToSequence: st.WholeTo,
			HighestSequence: st.Highest, ChainBrokenAt: st.BrokenAt,
		}
	}
	res.Quarantined, err = s.service.store.Quarantined(ctx)
	return res, err
}

func deviation(d *store.Deviation) (*pb.Deviation, error) {
	var rec pb.BuildRecord
	if err := proto.Unmarshal(d.Record, &rec); err != nil {
		return nil, fmt.Errorf("read the record of deviation %d: %w", d.Cursor, err)
	}
	out := &pb.Deviation{Cursor: d.Cursor, Build: rec.Build, Verdict: new(pb.Verdict), Disputed: d.Disputed, ReceivedTime: timestamppb.New(d.Received), CorrectedBy: d.CorrectedBy}
	if err := proto.Unmarshal(d.Verdict, out.Verdict); err != nil {
		return nil, fmt.Errorf("read the verdict of deviation %d: %w", d.Cursor, err)
	}
	return out, nil
}
