package authority

import (
	"context"
	"encoding/hex"
	"fmt"
	"maps"
	"slices"
	"strings"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const (
	draftToken    = "d"
	maxEdits      = 1000
	maxTextRunes  = 4000
	maxValueBytes = 256 << 10
)

// CreateDraft implements pb.DraftServiceServer.
func (s draftService) CreateDraft(ctx context.Context, req *pb.CreateDraftRequest) (*pb.CreateDraftResponse, error) {
	var c check
	c.text("title", req.Title, maxNameRunes)
	if req.DraftId != "" {
		c.slug("draft_id", req.DraftId, "autumn-menu")
	} else if slugOf(req.Title) == "" {
		c.fail("draft_id", "is empty, and title %q gives none; send either", clip(req.Title, 80))
	}
	if len(req.Files) > 0 {
		c.files(req.Files)
	}
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		base, edition, err := s.newestFiles(ctx, t.State)
		if err != nil {
			return nil, err
		}
		files := base
		if len(req.Files) > 0 {
			files = sourceFiles(req.Files)
		}
		if files == nil {
			return nil, rpc.Blocked("NO_EDITION", rpc.Violation{Field: "files", Description: "is empty, and there is no edition to begin from; send the book's YAML files"})
		}
		etag, err := t.sources(files)
		if err != nil {
			return nil, err
		}
		return t.CreateDraft(t.Call, govern.NewDraft{ID: freeDraftID(t.State, req), Title: req.Title, Etag: etag.String(),
			BaseEdition: edition, Touched: s.review(base, files).Touched})
	})
	if err != nil {
		return nil, err
	}
	made, _, err := firstAct[*govern.DraftCreated](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	d, err := s.draft(ctx, made.Draft, false)
	return &pb.CreateDraftResponse{Draft: d}, err
}

// freeDraftID is the id asked for, else the first of the title's that is free.
func freeDraftID(st *govern.State, req *pb.CreateDraftRequest) string {
	if req.DraftId != "" {
		return req.DraftId
	}
	id := slugOf(req.Title)
	for n := 2; ; n++ {
		if _, taken := st.Draft(id); !taken {
			return id
		}
		id = fmt.Sprintf("%s-%d", slugOf(req.Title), n)
	}
}

// slugOf makes a slug of a title; empty where no letter or digit is in it.
func slugOf(title string) string {
	parts := strings.FieldsFunc(strings.ToLower(title), func(r rune) bool { return (r < 'a' || r > 'z') && (r < '0' || r > '9') })
	const most = 48 // leaves room for a number behind
	id := strings.Join(parts, "-")
	return strings.Trim(id[:min(len(id), most)], "-")
}

// draft is one with its problems, and its files where asked for.
func (s *Service) draft(ctx context.Context, id string, withFiles bool) (*pb.Draft, error) {
	d, r, files, err := s.reviewDraft(ctx, id)
	if err != nil {
		return nil, err
	}
	out := draftToProto(d)
	out.Problems = problemsToProto(r.problems)
	if withFiles {
		for _, path := range slices.Sorted(maps.Keys(files)) {
			out.Files = append(out.Files, &pb.SourceFile{Path: path, Content: files[path]})
		}
	}
	return out, nil
}

// reviewDraft reviews a draft against the newest edition.
func (s *Service) reviewDraft(ctx context.Context, id string) (d govern.Draft, r *reviewed, files map[string][]byte, err error) {
	var against edition
	s.view(func(st *govern.State) { d, against, err = basisOf(st, id) })
	if err != nil {
		return d, nil, nil, err
	}
	r, files, err = s.reviewOf(ctx, d, against)
	return d, r, files, err
}

// edition is one that a draft is held against: the newest, or for a draft that
// was released, the one before. began is the content that the draft was begun
// from, where that was another.
type edition struct {
	number  uint64
	content govern.Digest
	began   govern.Digest
}

func basisOf(st *govern.State, id string) (d govern.Draft, against edition, err error) {
	d, ok := st.Draft(id)
	if !ok {
		return d, against, noDraft(id)
	}
	for _, e := range st.Editions() {
		if d.Edition == 0 || e.Number < d.Edition {
			against.number, against.content = e.Number, e.Content
		}
	}
	if from, ok := st.Edition(d.BaseEdition); ok && d.Edition == 0 && from.Number < against.number {
		against.began = from.Content
	}
	return d, against, nil
}

func noDraft(id string) error {
	return rpc.Fail(codes.NotFound, "DRAFT_NOT_FOUND", fmt.Sprintf("there is no draft %q; list the drafts to see their names", clip(id, 80)), nil)
}

func (s *Service) reviewOf(ctx context.Context, d govern.Draft, against edition) (*reviewed, map[string][]byte, error) {
	base, err := s.contentFiles(ctx, against.content)
	if err != nil {
		return nil, nil, err
	}
	files, err := s.filesAt(ctx, d.Etag)
	if err != nil {
		return nil, nil, err
	}
	r := s.review(base, files)
	if against.began == (govern.Digest{}) || base == nil {
		return r, files, nil
	}
	began, err := s.bookFiles(ctx, against.began)
	if err != nil {
		return nil, nil, err
	}
	return r.overtaken(d.BaseEdition, against.number, began, base, files), files, nil
}

// contentFiles are the files of a content; nil for none.
func (s *Service) contentFiles(ctx context.Context, content govern.Digest) (map[string][]byte, error) {
	if content == (govern.Digest{}) {
		return nil, nil
	}
	return s.bookFiles(ctx, content)
}

// filesAt are the files that had an etag.
func (s *Service) filesAt(ctx context.Context, etag string) (map[string][]byte, error) {
	content, ok := contentOf(etag)
	if !ok {
		return nil, fmt.Errorf("etag %.80q is no digest", etag)
	}
	return s.bookFiles(ctx, content)
}

// contentOf reads an etag, which is the digest of a draft's sources.
func contentOf(etag string) (d govern.Digest, ok bool) {
	b, err := hex.DecodeString(etag)
	if err != nil || len(b) != len(d) {
		return d, false
	}
	copy(d[:], b)
	return d, true
}

// GetDraft implements pb.DraftServiceServer. Files come as they were sent,
// byte for byte.
func (s draftService) GetDraft(ctx context.Context, req *pb.GetDraftRequest) (*pb.GetDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	c.mask("read_mask", req.ReadMask, "files")
	if err := c.err(); err != nil {
		return nil, err
	}
	d, err := s.draft(ctx, id, slices.Contains(req.ReadMask.GetPaths(), "files"))
	return &pb.GetDraftResponse{Draft: d}, err
}

func (c *check) mask(field string, m *fieldmaskpb.FieldMask, allowed ...string) {
	for _, p := range m.GetPaths() {
		if !slices.Contains(allowed, p) {
			c.fail(field, "holds %q; name only %s", clip(p, 80), strings.Join(allowed, " and "))
		}
	}
}

// ListDrafts implements pb.DraftServiceServer.
func (s draftService) ListDrafts(_ context.Context, req *pb.ListDraftsRequest) (*pb.ListDraftsResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	var all []govern.Draft
	s.view(func(st *govern.State) { all = st.Drafts() })
	if len(req.States) > 0 {
		all = slices.DeleteFunc(all, func(d govern.Draft) bool { return !slices.Contains(req.States, draftStates[d.State]) })
	}
	part, next, err := page(all, draftToken, req.PageToken, size, func(d govern.Draft) string { return d.ID })
	if err != nil {
		return nil, err
	}
	res := &pb.ListDraftsResponse{NextPageToken: next}
	for _, d := range part {
		res.Drafts = append(res.Drafts, draftToProto(d))
	}
	return res, nil
}

// UpdateDraft implements pb.DraftServiceServer.
func (s draftService) UpdateDraft(ctx context.Context, req *pb.UpdateDraftRequest) (*pb.UpdateDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	c.mask("update_mask", req.UpdateMask, "title", "files")
	c.text("title", req.Title, maxNameRunes)
	if len(req.Files) > 0 {
		c.files(req.Files)
	}
	c.edits(req.Edits)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	s.foresee(ctx, id, req)
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		d, against, err := basisOf(t.State, id)
		if err != nil {
			return nil, err
		}
		files, err := s.edited(ctx, d, req)
		if err != nil {
			return nil, err
		}
		etag, err := t.sources(files)
		if err != nil {
			return nil, err
		}
		d.Etag = etag.String()
		// What was just written is not in the database yet.
		base, err := s.contentFiles(ctx, against.content)
		if err != nil {
			return nil, err
		}
		save := govern.DraftSave{BaseEtag: req.Etag, Etag: d.Etag, Touched: s.review(base, files).Touched}
		if masked(req.UpdateMask, "title") {
			save.Title = req.Title
		}
		return t.SaveDraft(t.Call, id, save)
	})
	if err != nil {
		return nil, err
	}
	d, err := s.draft(ctx, id, false)
	return &pb.UpdateDraftResponse{Draft: d}, err
}

// foresee works out the review of an update before the ledger is held, where it
// will be found again. What goes wrong here goes wrong there, and is told there.
func (s *Service) foresee(ctx context.Context, id string, req *pb.UpdateDraftRequest) {
	var d govern.Draft
	var against edition
	var err error
	s.view(func(st *govern.State) { d, against, err = basisOf(st, id) })
	if err != nil {
		return
	}
	files, err := s.edited(ctx, d, req)
	if err != nil {
		return
	}
	if base, err := s.contentFiles(ctx, against.content); err == nil {
		s.review(base, files)
	}
}

// masked reports whether a field is to be updated; without a mask all are that
// are there.
func masked(m *fieldmaskpb.FieldMask, path string) bool {
	return len(m.GetPaths()) == 0 || slices.Contains(m.GetPaths(), path)
}

func (c *check) edits(edits []*pb.FieldEdit) {
	if len(edits) > maxEdits {
		c.fail("edits", "holds %d; at most %d are taken at a time", len(edits), maxEdits)
		return
	}
	for i, e := range edits {
		field := fmt.Sprintf("edits[%d]", i)
		if e.GetFile() == "" {
			c.fail(field+".file", `is empty; name the file, such as "drinks/latte.yaml"`)
		}
		if _, err := bookedit.Parse(e.GetPath()); err != nil {
			c.fail(field+".path", "%s", err)
		}
		if n := len(e.GetValue()); n > maxValueBytes {
			c.fail(field+".value", "is %d bytes; at most %d are taken", n, maxValueBytes)
		}
	}
}

// edited are the draft's files after the request. An edit on another version
// than the stored one is refused with the fields that would be lost.
func (s *Service) edited(ctx context.Context, d govern.Draft, req *pb.UpdateDraftRequest) (map[string][]byte, error) {
	stored, err := s.filesAt(ctx, d.Etag)
	if err != nil {
		return nil, err
	}
	if req.Etag == d.Etag {
		return applyUpdate(stored, req)
	}
	violations := []rpc.Violation{{Field: "etag", Description: fmt.Sprintf(
		"is %q, but the draft is at %q now: somebody saved in between; read it again and repeat the edit", clip(req.Etag, 80), d.Etag)}}
	if content, ok := contentOf(req.Etag); ok {
		base, err := s.loadSources(ctx, content)
		if err == nil {
			mine, err := applyUpdate(base, req)
			if err != nil {
				return nil, err
			}
			for i, field := range bookedit.Differing(stored, base, mine) {
				if i == maxViolations {
					break
				}
				violations = append(violations, rpc.Violation{Field: field, Description: "was changed by somebody else since"})
			}
		}
	}
	return nil, rpc.Conflict("ETAG_DIFFERS", violations...)
}

// applyUpdate replaces, removes and edits, in this order.
func applyUpdate(stored map[string][]byte, req *pb.UpdateDraftRequest) (map[string][]byte, error) {
	files := maps.Clone(stored)
	if masked(req.UpdateMask, "files") {
		maps.Copy(files, sourceFiles(req.Files))
	}
	var c check
	for i, path := range req.RemovedFiles {
		if _, ok := files[path]; !ok {
			c.fail(fmt.Sprintf("removed_files[%d]", i), "is %q, which the draft does not hold", clip(path, 80))
		}
		delete(files, path)
	}
	for i, e := range req.Edits {
		next, err := bookedit.Set(files, e.GetFile(), e.GetPath(), e.GetValue())
		if err != nil {
			c.fail(fmt.Sprintf("edits[%d]", i), "%s", err)
			continue
		}
		files = next
	}
	total := 0
	for _, content := range files {
		total += len(content)
	}
	if total > maxFileBytes || len(files) > maxFiles {
		c.fail("files", "are %d with %d bytes together afterwards; at most %d with %d are kept", len(files), total, maxFiles, maxFileBytes)
	}
	if len(files) == 0 {
		c.fail("removed_files", "leaves no file; withdraw the draft instead")
	}
	return files, c.err()
}

var draftStates = map[govern.DraftState]pb.DraftState{
	govern.DraftIsOpen: pb.DraftState_DRAFT_STATE_OPEN, govern.DraftIsUp: pb.DraftState_DRAFT_STATE_PROPOSED,
	govern.DraftIsPassed: pb.DraftState_DRAFT_STATE_APPROVED, govern.DraftIsOut: pb.DraftState_DRAFT_STATE_RELEASED,
	govern.DraftIsGone: pb.DraftState_DRAFT_STATE_WITHDRAWN,
}

func draftToProto(d govern.Draft) *pb.Draft {
	out := &pb.Draft{Name: "drafts/" + d.ID, Title: d.Title, State: draftStates[d.State], Etag: d.Etag, BaseEdition: d.BaseEdition,
		Revision: int32(d.Revision), Author: d.Author, Editors: d.Editors, CreateTime: timestamppb.New(d.Created), //nolint:gosec // counts saves
		UpdateTime: timestamppb.New(d.Updated), Approvals: approvalsToProto(d.Approvals), Edition: d.Edition}
	for _, m := range d.Comments {
		out.Comments = append(out.Comments, &pb.Comment{Author: m.Author, CreateTime: timestamppb.New(m.Created), Field: m.Field,
			Text: m.Text, Revision: int32(m.Revision)}) //nolint:gosec // counts saves
	}
	return out
}

func approvalsToProto(in []govern.Approval) []*pb.Approval {
	out := make([]*pb.Approval, len(in))
	for i, a := range in {
		out[i] = &pb.Approval{Person: a.Person, Role: string(a.Role), CreateTime: timestamppb.New(a.Created), Cautions: a.Cautions,
			Revision: int32(a.Revision)} //nolint:gosec // counts saves
	}
	return out
}
