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

	"go.uber.org/zap"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	"samecup.example/samecup/internal/verdict"
	"samecup.example/samecup/internal/wire"
	pb "samecup.example/samecup/proto/samecup/v1"
	"samecup.example/samecup/services/authority/store"
)

// CreateRelease implements pb.BookServiceServer. The release counts from the
// moment it is stored; a bus that is away delays it and does not fail the call.
func (s bookService) CreateRelease(ctx context.Context, req *pb.CreateReleaseRequest) (*pb.CreateReleaseResponse, error) {
	var c check
	c.createRelease(req)
	if err := c.err(); err != nil {
		return nil, err
	}
	// One id in two spellings is one id.
	id := strings.ToLower(req.RequestId)
	asked := requestDigest(req)

	// Before the checks, so that a retry gets the first answer even when the
	// rules have changed in between.
	made, err := s.store.ReleaseByRequest(ctx, id, asked)
	switch {
	case err == nil:
		return s.released(ctx, made)
	case errors.Is(err, store.ErrRequestReused):
		return nil, requestReused(id)
	case !errors.Is(err, store.ErrNotFound):
		return nil, err
	}
	if err := s.scopeKnown(ctx, req.Scope); err != nil {
		return nil, err
	}
	book, problems := drink.LoadAndCheckFiles(sourceFiles(req.Files))
	if err := blocked(book, problems); err != nil {
		return nil, err
	}
	kept, err := proto.Marshal(&pb.CheckBookResponse{Problems: problemsToProto(problems)})
	if err != nil {
		return nil, fmt.Errorf("marshal the problems: %w", err)
	}
	// Stored times are whole microseconds, and what is signed must equal them.
	created := s.now().UTC().Truncate(time.Microsecond)
	effective := created
	if req.EffectiveTime != nil {
		effective = req.EffectiveTime.AsTime().Truncate(time.Microsecond)
	}
	body := wire.BookToProto(book)
	made, _, err = s.store.CreateRelease(ctx, store.NewRelease{
		RequestID:     id,
		RequestDigest: asked,
		Scope:         req.Scope,
		CreatedAt:     created,
		EffectiveAt:   effective,
		Note:          req.Note,
		Author:        req.Author,
		ServingCount:  len(body.Servings),
		Chain:         body.Chain,
		Problems:      kept,
	}, func(number uint64) ([]byte, [32]byte, error) {
		return s.seal(&pb.Release{
			Number:        number,
			Scope:         req.Scope,
			CreatedTime:   timestamppb.New(created),
			EffectiveTime: timestamppb.New(effective),
			Book:          body,
			Note:          req.Note,
		})
	})
	if errors.Is(err, store.ErrRequestReused) {
		return nil, requestReused(id)
	}
	if tooLarge, ok := errors.AsType[*tooLargeError](err); ok {
		return nil, rpc.Blocked("RELEASE_TOO_LARGE", rpc.Violation{Field: "files", Description: tooLarge.Error()})
	}
	if err != nil {
		return nil, err
	}
	s.log.Info("release stored", zap.Uint64("release", made.Number), zap.String("scope", made.Scope),
		zap.Int("servings", made.ServingCount), zap.String("author", made.Author))
	return s.released(ctx, made)
}

// released publishes what is stored and answers.
func (s *Service) released(ctx context.Context, r store.Release) (*pb.CreateReleaseResponse, error) {
	s.dir.addRelease(r.Scope, r.Number)
	ctx, cancel := context.WithTimeout(ctx, s.busWait)
	defer cancel()
	if err := s.publishScope(ctx, r.Scope); err != nil {
		s.log.Warn("release stored but not published yet; it will be when the bus answers",
			zap.Uint64("release", r.Number), zap.String("scope", r.Scope), zap.Error(err))
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

func (s *Service) seal(rel *pb.Release) ([]byte, [32]byte, error) {
	if size := proto.Size(rel) + envelopeExtra; size > s.maxEnvelope {
		return nil, [32]byte{}, &tooLargeError{size: size, most: s.maxEnvelope}
	}
	return s.signer.Sign(rel)
}

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

// scopeKnown refuses a release that no station would ever follow, most often a
// slip in the scope's name.
func (s *Service) scopeKnown(ctx context.Context, text string) error {
	scope, err := release.ParseScope(text)
	if err != nil {
		return rpc.Invalid(rpc.Violation{Field: "scope", Description: err.Error()})
	}
	found := true
	switch scope.Level {
	case "site":
		_, err = s.store.Site(ctx, scope.Name)
		if errors.Is(err, store.ErrNotFound) {
			found, err = false, nil
		}
	case "region":
		found, err = s.store.RegionExists(ctx, scope.Name)
	}
	if err != nil || found {
		return err
	}
	return rpc.Blocked("SCOPE_UNKNOWN", rpc.Violation{Field: "scope",
		Description: fmt.Sprintf("is %q, but there is no such %s; add a site there first, or mend the name", text, scope.Level)})
}

func requestReused(id string) error {
	return rpc.Fail(codes.AlreadyExists, "REQUEST_REUSED",
		"request_id "+id+" already made a release of other content; use a fresh UUID for each release",
		map[string]string{"request_id": id})
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
