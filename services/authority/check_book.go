package authority

import (
	"context"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/sampling"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// loadAndCheck reads a book and finds all that is wrong with it.
func loadAndCheck(files map[string][]byte) (*drink.Book, drink.Problems) {
	book, problems := drink.LoadAndCheckFiles(files)
	if !problems.Unreadable() {
		problems = append(problems, sampling.CheckBook(book)...)
	}
	return book, problems
}

// CheckBook implements pb.BookServiceServer.
func (s bookService) CheckBook(_ context.Context, req *pb.CheckBookRequest) (*pb.CheckBookResponse, error) {
	var c check
	c.files(req.Files)
	if err := c.err(); err != nil {
		return nil, err
	}
	book, problems := loadAndCheck(sourceFiles(req.Files))
	return &pb.CheckBookResponse{
		Problems:     problemsToProto(problems),
		ServingCount: int32(len(book.Servings())),
	}, nil
}
