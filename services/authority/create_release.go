package authority

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// CreateRelease implements pb.BookServiceServer: it publishes directly, which
// only an installation without people may. The release counts from the moment
// it is stored; a bus that is away delays it and does not fail the call.
func (s bookService) CreateRelease(ctx context.Context, req *pb.CreateReleaseRequest) (*pb.CreateReleaseResponse, error) {
	var c check
	c.createRelease(req)
	if err := c.err(); err != nil {
		return nil, err
	}
	call, err := s.call(ctx, req.RequestId, requestDigest(req))
	if err != nil {
		return nil, err
	}
	// Before the checks, so that a retry gets the first answer even when the
	// rules have changed in between.
	out, done, err := s.replay(call)
	if err != nil {
		return nil, refusal(err)
	}
	if !done {
		if out, err = s.publishDirect(ctx, call, req); err != nil {
			return nil, err
		}
	}
	number, err := s.directRelease(ctx, out)
	if err != nil {
		return nil, err
	}
	s.settle(ctx)
	return s.released(ctx, number)
}

func (s *Service) publishDirect(ctx context.Context, call govern.Call, req *pb.CreateReleaseRequest) (outcome, error) {
	files := sourceFiles(req.Files)
	book, problems := loadAndCheck(files)
	if err := blocked(book, problems); err != nil {
		return outcome{}, err
	}
	kept, err := proto.Marshal(&pb.CheckBookResponse{Problems: problemsToProto(problems)})
	if err != nil {
		return outcome{}, fmt.Errorf("marshal the problems: %w", err)
	}
	b := bookToMake{Files: files, Book: book, Problems: kept, Note: req.Note, Author: req.Author}
	if req.EffectiveTime != nil {
		// Stored times are whole microseconds, and what is signed must equal them.
		b.Effective = req.EffectiveTime.AsTime().Truncate(time.Microsecond)
	}
	return s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		q := govern.DirectRelease{Scope: req.Scope, Start: b.Effective, Note: req.Note, Make: s.editionMaker(ctx, t, b)}
		if req.Scope != "chain" {
			q.Make = s.scopeMaker(t, req.Scope, b)
		}
		acts, err := t.PublishDirect(t.Call, rules(), q)
		if tooLarge, ok := errors.AsType[*tooLargeError](err); ok {
			return nil, rpc.Blocked("RELEASE_TOO_LARGE", rpc.Violation{Field: "files", Description: tooLarge.Error()})
		}
		return acts, err
	})
}

// scopeMaker makes the one release that is published directly for a region or
// a site, on the newest edition.
func (s *Service) scopeMaker(t *turn, scope string, b bookToMake) govern.Maker {
	return func(first uint64) (govern.Made, error) {
		content, err := t.sources(b.Files)
		if err != nil {
			return govern.Made{}, err
		}
		r, err := s.seal(t, toSeal{bookToMake: b, Number: first, Edition: t.Newest(), Scope: scope})
		if err != nil {
			return govern.Made{}, err
		}
		return govern.Made{Content: content, Releases: []govern.ReleaseMade{r}}, nil
	}
}

// directRelease is the number of the release that a call published.
func (s *Service) directRelease(ctx context.Context, out outcome) (uint64, error) {
	acts := out.Acts
	if out.Before {
		var err error
		if acts, err = s.answer(ctx, out.First); err != nil {
			return 0, err
		}
	}
	for _, a := range acts {
		if b, ok := a.Body.(*govern.DirectPublished); ok {
			return b.Release, nil
		}
	}
	return 0, fmt.Errorf("act %d published nothing, though it answered this request", out.First)
}

func (s *Service) released(ctx context.Context, number uint64) (*pb.CreateReleaseResponse, error) {
	r, err := s.store.Release(ctx, number)
	if err != nil {
		return nil, err
	}
	var kept pb.CheckBookResponse
	if err := proto.Unmarshal(r.Problems, &kept); err != nil {
		return nil, fmt.Errorf("read the problems of release %d: %w", r.Number, err)
	}
	return &pb.CreateReleaseResponse{Release: releaseInfo(r), Problems: kept.Problems}, nil
}

type tooLargeError struct{ size, most int }

func (e *tooLargeError) Error() string {
	return fmt.Sprintf("make a release of %d bytes; at most %d fit on the bus: publish fewer drinks or shorter texts", e.size, e.most)
}

// envelopeExtra is more than an envelope adds to its payload.
const envelopeExtra = 512

// blocked is the error for a book that may not be released; nil when it may.
// Cautions and notes do not block.
func blocked(book *drink.Book, problems drink.Problems) error {
	switch errs := problems.At(drink.Error); {
	case problems.Unreadable():
		return rpc.Invalid(violations(errs)...)
	case len(errs) > 0:
		return rpc.Blocked("BOOK_HAS_ERRORS", violations(errs)...)
	}
	// What a station cannot compile it would refuse, site by site.
	if _, err := verdict.CompileBook(book.Servings()); err != nil {
		return rpc.Blocked("BOOK_HAS_ERRORS", rpc.Violation{Field: "files", Description: err.Error()})
	}
	return nil
}

// requestDigest stands for all that a request asks, whatever the order of its
// files. Lengths go in front so that no two requests share their bytes.
func requestDigest(req *pb.CreateReleaseRequest) [32]byte {
	var b []byte
	add := func(part []byte) {
		b = binary.BigEndian.AppendUint64(b, uint64(len(part)))
		b = append(b, part...)
	}
	add([]byte(req.Scope))
	add([]byte(req.Note))
	add([]byte(req.Author))
	if t := req.EffectiveTime; t != nil {
		add([]byte(t.AsTime().Format(time.RFC3339Nano)))
	} else {
		add(nil)
	}
	files := slices.SortedFunc(slices.Values(req.Files), func(x, y *pb.SourceFile) int {
		return strings.Compare(x.GetPath(), y.GetPath())
	})
	for _, f := range files {
		add([]byte(f.GetPath()))
		add(f.GetContent())
	}
	return sha256.Sum256(b)
}
