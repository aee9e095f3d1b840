package authority

import (
	"context"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// ListReleases implements pb.BookServiceServer.
func (s bookService) ListReleases(ctx context.Context, req *pb.ListReleasesRequest) (*pb.ListReleasesResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	before, err := decodeReleaseToken(req.PageToken)
	if err != nil {
		return nil, err
	}
	// One more than asked tells whether there is a next page.
	rows, err := s.store.ListReleases(ctx, before, size+1)
	if err != nil {
		return nil, err
	}
	res := &pb.ListReleasesResponse{}
	if len(rows) > size {
		rows = rows[:size]
		res.NextPageToken = encodeReleaseToken(rows[size-1].Number)
	}
	for _, r := range rows {
		res.Releases = append(res.Releases, releaseInfo(r))
	}
	return res, nil
}
