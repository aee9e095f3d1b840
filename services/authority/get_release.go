package authority

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// GetRelease implements pb.BookServiceServer. The payload is the stored bytes,
// and so are the signatures while a key that made them is trusted.
func (s bookService) GetRelease(ctx context.Context, req *pb.GetReleaseRequest) (*pb.GetReleaseResponse, error) {
	if req.Number == 0 {
		return nil, rpc.Invalid(rpc.Violation{Field: "number", Description: "is 0; releases count from 1"})
	}
	// Above this there is none, and SQL integers are signed.
	if req.Number > math.MaxInt64 {
		return nil, noRelease(req.Number)
	}
	r, err := s.store.Release(ctx, req.Number)
	if errors.Is(err, store.ErrNotFound) {
		return nil, noRelease(req.Number)
	}
	if err != nil {
		return nil, err
	}
	raw, err := s.envelope(ctx, req.Number)
	if err != nil {
		return nil, err
	}
	res := &pb.GetReleaseResponse{Release: releaseInfo(r), Envelope: new(pb.Envelope)}
	if err := proto.Unmarshal(raw, res.Envelope); err != nil {
		return nil, fmt.Errorf("read the stored envelope of release %d: %w", req.Number, err)
	}
	return res, nil
}

func noRelease(number uint64) error {
	n := strconv.FormatUint(number, 10)
	return rpc.Fail(codes.NotFound, "RELEASE_NOT_FOUND", "there is no release "+n, map[string]string{"release": n})
}
