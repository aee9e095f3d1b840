package authority

import (
	"bytes"
	"testing"

	"github.com/google/uuid"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	pb "samecup.example/samecup/proto/samecup/v1"
)

func (s *season) newDraft(t *testing.T, title string) *pb.Draft {
	t.Helper()
	return must(s.ada.drafts.CreateDraft(t.Context(), &pb.CreateDraftRequest{RequestId: uuid.NewString(), Title: title}))(t).Draft
}

func (s *season) files(t *testing.T, d *pb.Draft) map[string][]byte {
	t.Helper()
	got := must(s.ada.drafts.GetDraft(t.Context(), &pb.GetDraftRequest{Name: d.Name, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"files"}}}))(t)
	return sourceFiles(got.Draft.Files)
}

func TestADraftKeepsEachByteThatNobodyEdited(t *testing.T) {
	s := openSeason(t)
	d := s.newDraft(t, "Autumn menu")
	if d.Name != "drafts/autumn-menu" || d.BaseEdition != 1 || d.Revision != 1 {
		t.Fatalf("draft: %v", d)
	}
	if again := s.newDraft(t, "Autumn menu"); again.Name != "drafts/autumn-menu-2" {
		t.Errorf("the second is %s", again.Name)
	}
	before := bookFiles(t)
	d = must(s.ada.drafts.UpdateDraft(t.Context(), &pb.UpdateDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag,
		Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "61 °C")}}))(t).Draft
	after := s.files(t, d)
	if len(after) != len(before) {
		t.Fatalf("%d files of %d", len(after), len(before))
	}
	for path, was := range before {
		want := was
		if path == latteFile {
			want = bytes.Replace(was, []byte("milk_temp: {target: 60 °C"), []byte("milk_temp: {target: 61 °C"), 1)
		}
		if !bytes.Equal(after[path], want) {
			t.Errorf("%s was changed:\n%s", path, after[path])
		}
	}
}

func TestTwoWhoEditAtOnce(t *testing.T) {
	s := openSeason(t)
	d := s.newDraft(t, "Autumn")
	update := func(who *desk, etag, file, path, value string) (*pb.UpdateDraftResponse, error) {
		return who.drafts.UpdateDraft(t.Context(), &pb.UpdateDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: etag,
			Edits: []*pb.FieldEdit{edit(file, path, value)}})
	}
	first := must(update(s.flo, d.Etag, latteFile, tempPath, "61 °C"))(t).Draft
	_, err := update(s.ada, d.Etag, latteFile, tempPath, "59 °C")
	if fields := refused(t, err, codes.Aborted, "ETAG_DIFFERS"); !hasField(fields, "milk_temp") || !hasField(fields, "etag") {
		t.Fatalf("violations: %v", fields)
	}
	got := must(update(s.ada, first.Etag, latteFile, tempPath, "59 °C"))(t).Draft
	if len(got.Editors) != 2 || got.Revision != 3 {
		t.Fatalf("draft: %v", got)
	}
}

func TestADraftWithErrorsIsSavedAndNotProposed(t *testing.T) {
	s := openSeason(t)
	d := s.newDraft(t, "Hot")
	d = must(s.ada.drafts.UpdateDraft(t.Context(), &pb.UpdateDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag,
		Edits: []*pb.FieldEdit{edit(latteFile, tempPath, "70 °C")}}))(t).Draft
	_, err := s.ada.drafts.ProposeDraft(t.Context(), &pb.ProposeDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Etag: d.Etag})
	if fields := refused(t, err, codes.FailedPrecondition, "BOOK_HAS_ERRORS"); !hasField(fields, latteFile) {
		t.Fatalf("violations: %v", fields)
	}
	must(s.ada.drafts.CommentDraft(t.Context(), &pb.CommentDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Field: latteFile, Text: "too hot"}))(t)
	d = must(s.ada.drafts.WithdrawDraft(t.Context(), &pb.WithdrawDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Reason: "too hot"}))(t).Draft
	if d.State != pb.DraftState_DRAFT_STATE_WITHDRAWN || len(d.Comments) != 1 {
		t.Fatalf("draft: %v", d)
	}
	list := must(s.ada.drafts.ListDrafts(t.Context(), &pb.ListDraftsRequest{States: []pb.DraftState{pb.DraftState_DRAFT_STATE_OPEN}}))(t)
	if len(list.Drafts) != 0 {
		t.Fatalf("open: %v", list.Drafts)
	}
}

func TestAReturnedDraftNeedsItsApprovalsAnew(t *testing.T) {
	s := openSeason(t)
	d := s.approve(t, s.draft(t, "autumn", edit(latteFile, tempPath, "61 °C")))
	d = must(s.ben.drafts.ReturnDraft(t.Context(), &pb.ReturnDraftRequest{RequestId: uuid.NewString(), Name: d.Name, Reason: "mind the mug"}))(t).Draft
	if d.State != pb.DraftState_DRAFT_STATE_OPEN {
		t.Fatalf("state %v", d.State)
	}
	_, err := s.flo.rollouts.CreateRollout(t.Context(), &pb.CreateRolloutRequest{RequestId: uuid.NewString(), Draft: d.Name})
	refused(t, err, codes.FailedPrecondition, "DRAFT_NOT_APPROVED")
}

func TestDraftRequestsThatCannotBeUsed(t *testing.T) {
	s := openSeason(t)
	d := s.newDraft(t, "Autumn")
	for name, c := range map[string]struct {
		req   *pb.UpdateDraftRequest
		field string
	}{
		"a name of another kind":  {&pb.UpdateDraftRequest{Name: "books/1"}, "name"},
		"an unknown mask":         {&pb.UpdateDraftRequest{Name: d.Name, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"author"}}}, "update_mask"},
		"a file out of the book":  {&pb.UpdateDraftRequest{Name: d.Name, Files: []*pb.SourceFile{{Path: "../x.yaml"}}}, "files[0].path"},
		"a path that is none":     {&pb.UpdateDraftRequest{Name: d.Name, Edits: []*pb.FieldEdit{edit(latteFile, "a[", "1")}}, "edits[0].path"},
		"a field that is nowhere": {&pb.UpdateDraftRequest{Name: d.Name, Etag: d.Etag, Edits: []*pb.FieldEdit{edit("drinks/none.yaml", "name", "x")}}, "edits[0]"},
		"a file that is not held": {&pb.UpdateDraftRequest{Name: d.Name, Etag: d.Etag, RemovedFiles: []string{"drinks/none.yaml"}}, "removed_files[0]"},
	} {
		t.Run(name, func(t *testing.T) {
			c.req.RequestId = uuid.NewString()
			_, err := s.ada.drafts.UpdateDraft(t.Context(), c.req)
			if fields := refused(t, err, codes.InvalidArgument, "BAD_REQUEST"); !hasField(fields, c.field) {
				t.Errorf("violations %v do not name %s", fields, c.field)
			}
		})
	}
	_, err := s.ada.drafts.GetDraft(t.Context(), &pb.GetDraftRequest{Name: "drafts/none"})
	refused(t, err, codes.NotFound, "DRAFT_NOT_FOUND")
	_, err = s.ben.drafts.CreateDraft(t.Context(), &pb.CreateDraftRequest{RequestId: uuid.NewString(), Title: "Mine"})
	refused(t, err, codes.PermissionDenied, "ROLE_MISSING")
	_, err = s.ada.drafts.CreateDraft(t.Context(), &pb.CreateDraftRequest{RequestId: uuid.NewString(), DraftId: "autumn"})
	refused(t, err, codes.AlreadyExists, "DRAFT_EXISTS")
}
