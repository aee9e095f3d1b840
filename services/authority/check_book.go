package authority

import (
	"context"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// CheckBook implements pb.BookServiceServer.
func (s bookService) CheckBook(_ context.Context, req *pb.CheckBookRequest) (*pb.CheckBookResponse, error) {
	var c check
	c.files(req.Files)
	if err := c.err(); err != nil {
		return nil, err
	}
	book, problems := drink.LoadAndCheckFiles(sourceFiles(req.Files))
	return &pb.CheckBookResponse{
		Problems:     problemsToProto(problems),
		ServingCount: int32(len(book.Servings())),
	}, nil
}
