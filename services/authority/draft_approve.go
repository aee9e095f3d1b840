package authority

import (
	"context"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// onDraft takes a decision about one draft with its review, and returns the
// draft as it is then.
func (s *Service) onDraft(ctx context.Context, call govern.Call, id string, decide func(*turn, govern.Draft, *reviewed) ([]govern.Act, error)) (*pb.Draft, error) {
	// The review is worked out before the ledger is held, and found again.
	if _, _, _, err := s.reviewDraft(ctx, id); err != nil {
		return nil, err
	}
	_, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		d, against, err := basisOf(t.State, id)
		if err != nil {
			return nil, err
		}
		r, _, err := s.reviewOf(ctx, d, against)
		if err != nil {
			return nil, err
		}
		return decide(t, d, r)
	})
	if err != nil {
		return nil, err
	}
	return s.draft(ctx, id, false)
}

// CommentDraft implements pb.DraftServiceServer.
func (s draftService) CommentDraft(ctx context.Context, req *pb.CommentDraftRequest) (*pb.CommentDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	c.text("field", req.Field, maxNoteRunes)
	c.prose("text", req.Text, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	d, err := s.onDraft(ctx, call, id, func(t *turn, _ govern.Draft, _ *reviewed) ([]govern.Act, error) {
		return t.CommentDraft(t.Call, id, req.Field, req.Text)
	})
	return &pb.CommentDraftResponse{Draft: d}, err
}

// ReviewDraft implements pb.DraftServiceServer.
func (s draftService) ReviewDraft(ctx context.Context, req *pb.ReviewDraftRequest) (*pb.ReviewDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	if err := c.err(); err != nil {
		return nil, err
	}
	d, r, files, err := s.reviewDraft(ctx, id)
	if err != nil {
		return nil, err
	}
	res := &pb.ReviewDraftResponse{Draft: draftToProto(d), Changes: changesToProto(r.changes), Cautions: cautionsToProto(r.cautions),
		SafetyReasons: r.SafetyReasons}
	res.Draft.Problems = problemsToProto(r.problems)
	s.view(func(st *govern.State) {
		res.ApprovalsNeeded = rolesToProto(st.DraftNeeds(id, r.Review))
		if d.Edition != 0 || r.Errors > 0 {
			return
		}
		var rebase []govern.Rebase
		_, rebase, err = resolveOverlays(st, files)
		for _, x := range rebase {
			res.NeedsRebase = append(res.NeedsRebase, x.Scope)
		}
	})
	return res, err
}

// ProposeDraft implements pb.DraftServiceServer.
func (s draftService) ProposeDraft(ctx context.Context, req *pb.ProposeDraftRequest) (*pb.ProposeDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	d, err := s.onDraft(ctx, call, id, func(t *turn, _ govern.Draft, r *reviewed) ([]govern.Act, error) {
		acts, err := t.ProposeDraft(t.Call, id, req.Etag, r.Review)
		return acts, r.told(err)
	})
	return &pb.ProposeDraftResponse{Draft: d}, err
}

// told puts each finding in the place of a refusal that only counts them.
func (r *reviewed) told(err error) error {
	switch {
	case hasReason(err, "BOOK_HAS_ERRORS"):
		return r.blocks()
	case hasReason(err, "DRAFT_BEHIND"):
		out := make([]rpc.Violation, 0, min(len(r.Behind), maxViolations))
		for _, field := range r.Behind[:min(len(r.Behind), maxViolations)] {
			out = append(out, rpc.Violation{Field: field, Description: "has another value since the draft was begun, which the draft would take back; bring the draft up to date first: samecup draft rebase"})
		}
		return rpc.Blocked("DRAFT_BEHIND", out...)
	}
	return err
}

// ApproveDraft implements pb.DraftServiceServer.
func (s draftService) ApproveDraft(ctx context.Context, req *pb.ApproveDraftRequest) (*pb.ApproveDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	d, err := s.onDraft(ctx, call, id, func(t *turn, _ govern.Draft, r *reviewed) ([]govern.Act, error) {
		acts, err := t.ApproveDraft(t.Call, id, req.Etag, govern.Role(req.Role), req.Cautions, r.Review)
		return acts, r.told(err)
	})
	return &pb.ApproveDraftResponse{Draft: d}, err
}

// ReturnDraft implements pb.DraftServiceServer.
func (s draftService) ReturnDraft(ctx context.Context, req *pb.ReturnDraftRequest) (*pb.ReturnDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	d, err := s.onDraft(ctx, call, id, func(t *turn, _ govern.Draft, _ *reviewed) ([]govern.Act, error) {
		return t.ReturnDraft(t.Call, id, req.Reason)
	})
	return &pb.ReturnDraftResponse{Draft: d}, err
}

// WithdrawDraft implements pb.DraftServiceServer.
func (s draftService) WithdrawDraft(ctx context.Context, req *pb.WithdrawDraftRequest) (*pb.WithdrawDraftResponse, error) {
	var c check
	id := c.named("name", req.Name, "drafts")
	c.prose("reason", req.Reason, maxTextRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	d, err := s.onDraft(ctx, call, id, func(t *turn, _ govern.Draft, _ *reviewed) ([]govern.Act, error) {
		return t.WithdrawDraft(t.Call, id, req.Reason)
	})
	return &pb.WithdrawDraftResponse{Draft: d}, err
}
