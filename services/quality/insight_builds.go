package quality

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/quality/rollup"
	"samecup.example/samecup/services/quality/store"
)

// maxLooked builds are read for one page where the filter looks into records.
const maxLooked = 10_000

// ListBuilds implements [pb.InsightServiceServer].
func (s *insightServer) ListBuilds(ctx context.Context, req *pb.ListBuildsRequest) (*pb.ListBuildsResponse, error) {
	q, of, err := buildQuery(req)
	if err != nil {
		return nil, err
	}
	want := q.Limit
	res := new(pb.ListBuildsResponse)
	size := 0
	for looked := 0; looked < maxLooked; looked += q.Limit {
		page, err := s.service.store.BuildsBeneath(ctx, q)
		if err != nil {
			return nil, err
		}
		for i := range page {
			b := &page[i]
			// A page may be shorter than asked for, so that it fits in an answer.
			if size += len(b.Record) + len(b.Verdict); len(res.Builds) == want || size > maxPageBytes && i > 0 {
				return more(res, of, q.After)
			}
			out, err := judgedBuild(b)
			if err != nil {
				return nil, err
			}
			if matches(out, req.Check, req.OffSide) {
				res.Builds = append(res.Builds, out)
			}
			q.After = store.BuildCursor{StationRef: b.StationRef, Hour: rollup.HourOf(b.Started), Ref: b.Ref}
		}
		if len(page) < q.Limit {
			return res, nil
		}
	}
	return more(res, of, q.After)
}

func more(res *pb.ListBuildsResponse, of []byte, at store.BuildCursor) (_ *pb.ListBuildsResponse, err error) {
	res.NextPageToken, err = insightToken{Of: of, Build: at}.encode()
	return res, err
}

func buildQuery(req *pb.ListBuildsRequest) (q store.BuildQuery, of []byte, err error) {
	var c checker
	q = store.BuildQuery{RollupFilter: c.filter(req.Filter), Limit: c.page(req.PageSize, defaultPage, maxPage)}
	if req.Hour != nil {
		if err := req.Hour.CheckValid(); err != nil {
			c.bad("hour", "%v; give a time within the hour", err)
		}
		h := rollup.HourOf(req.Hour.AsTime())
		q.Hour = &h
	}
	for i, g := range req.Grades {
		if _, ok := pb.Grade_name[int32(g)]; !ok {
			c.bad(fmt.Sprintf("grades[%d]", i), "%d is not a grade; see Grade", g)
		}
		q.Grades = append(q.Grades, int32(g))
	}
	if _, ok := pb.OffSide_name[int32(req.OffSide)]; !ok {
		c.bad("off_side", "%d is not a side; see OffSide", req.OffSide)
	}
	bare := proto.CloneOf(req)
	bare.PageSize, bare.PageToken = 0, ""
	if of, err = digest(bare); err != nil {
		return q, nil, err
	}
	q.After = c.token(req.PageToken, of).Build
	return q, of, c.err()
}

func judgedBuild(b *store.Build) (*pb.JudgedBuild, error) {
	var rec pb.BuildRecord
	if err := proto.Unmarshal(b.Record, &rec); err != nil {
		return nil, fmt.Errorf("read the record of build %q: %w", b.ID, err)
	}
	v, err := centreVerdict(b.Grade, b.Verdict)
	if err != nil {
		return nil, err
	}
	return &pb.JudgedBuild{Build: rec.Build, Verdict: v, Disputed: b.Disputed, ReceivedTime: timestamppb.New(b.Received)}, nil
}

// matches tells whether a build has a reading of the check, off on that side.
func matches(b *pb.JudgedBuild, check string, side pb.OffSide) bool {
	if side == pb.OffSide_OFF_SIDE_UNSPECIFIED {
		return check == "" || slices.ContainsFunc(b.Build.GetReadings(), func(r *pb.Reading) bool { return r.Check == check })
	}
	return slices.ContainsFunc(b.Verdict.GetFindings(), func(f *pb.Finding) bool {
		if check != "" && f.Check != check {
			return false
		}
		return f.Kind == "below_tolerance" && side != pb.OffSide_OFF_SIDE_HIGH ||
			f.Kind == "above_tolerance" && side != pb.OffSide_OFF_SIDE_LOW
	})
}
