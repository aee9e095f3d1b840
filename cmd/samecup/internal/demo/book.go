package demo

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"maps"
	"slices"

	"github.com/google/uuid"
	"google.golang.org/grpc"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/testdata"
)

// bookDir is the demo's book within the embedded test data.
const bookDir = "harbour-finch"

// edit is a change that head office makes between two releases.
type edit struct{ file, old, new, note string }

// secondEdit is what changes in the middle of the shift: a build right by the
// first release can be wrong by the second and the other way round.
var secondEdit = edit{
	file: "house.yaml",
	old:  "shot_time: {target: 28 s, within: 3 s,",
	new:  "shot_time: {target: 30 s, within: 2 s,",
	note: "slower shots for the new lot: 28 to 32 s",
}

// firstBook is the book as it is embedded.
func firstBook() (map[string][]byte, error) {
	sub, err := fs.Sub(testdata.FS, bookDir)
	if err != nil {
		return nil, fmt.Errorf("embedded book: %w", err)
	}
	files, problems := drink.ReadFiles(sub)
	if problems.HasErrors() {
		return nil, fmt.Errorf("embedded book: %v", problems[0])
	}
	return files, nil
}

// edited is the embedded book with an edit; the edit must apply exactly once,
// so that a change of the book cannot make it void unseen.
func edited(e edit) (map[string][]byte, error) {
	files, err := firstBook()
	if err != nil {
		return nil, err
	}
	text := files[e.file]
	if n := bytes.Count(text, []byte(e.old)); n != 1 {
		return nil, fmt.Errorf("embedded book: %q stands %d times in %s; the demo's edit needs it once", e.old, n, e.file)
	}
	files[e.file] = bytes.Replace(text, []byte(e.old), []byte(e.new), 1)
	return files, nil
}

// ensureRelease publishes the book if these data hold no release yet.
func (c *chain) ensureRelease(ctx context.Context) error {
	list, err := c.books.ListReleases(ctx, &pb.ListReleasesRequest{PageSize: 1}, grpc.WaitForReady(true))
	if err != nil {
		return fmt.Errorf("list releases: %w", err)
	}
	if len(list.GetReleases()) > 0 {
		return nil
	}
	files, err := firstBook()
	if err != nil {
		return err
	}
	_, err = c.publish(ctx, files, "the house book")
	return err
}

// nextBook is what head office changes in the middle of a shift: it makes the
// edit or, on data that already have it, takes it back.
func (c *chain) nextBook(ctx context.Context) (files map[string][]byte, note string, err error) {
	list, err := c.books.ListReleases(ctx, &pb.ListReleasesRequest{PageSize: 1})
	if err != nil {
		return nil, "", fmt.Errorf("list releases: %w", err)
	}
	if r := list.GetReleases(); len(r) > 0 && r[0].GetNote() == secondEdit.note {
		files, err = firstBook()
		return files, "back to the house book", err
	}
	files, err = edited(secondEdit)
	return files, secondEdit.note, err
}

// publish releases a book for the whole chain, at once.
func (c *chain) publish(ctx context.Context, files map[string][]byte, note string) (number uint64, err error) {
	req := &pb.CreateReleaseRequest{RequestId: uuid.NewString(), Scope: "chain", Note: note, Author: "demo"}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		req.Files = append(req.Files, &pb.SourceFile{Path: path, Content: files[path]})
	}
	// The same request id makes a try that got through unheard harmless.
	res, err := retry(ctx, func(ctx context.Context) (*pb.CreateReleaseResponse, error) {
		return c.books.CreateRelease(ctx, req, grpc.WaitForReady(true))
	})
	if err != nil {
		return 0, fmt.Errorf("publish the book (%s): %w", note, err)
	}
	return res.GetRelease().GetNumber(), nil
}
