package authority

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"samecup.example/samecup/internal/govern"
	"samecup.example/samecup/internal/overlay"
	"samecup.example/samecup/internal/release"
	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

const overlayToken = "o"

func (c *check) overlayScope(field, value string) {
	switch scope, err := release.ParseScope(value); {
	case err != nil:
		c.fail(field, "%s", err)
	case scope.Level == "chain":
		c.fail(field, "is chain; what holds for the whole chain belongs into its book: edit a draft")
	}
}

// CreateOverlay implements pb.OverlayServiceServer.
func (s overlayService) CreateOverlay(ctx context.Context, req *pb.CreateOverlayRequest) (*pb.CreateOverlayResponse, error) {
	var c check
	c.overlayScope("scope", req.Scope)
	c.prose("reason", req.Reason, maxNoteRunes)
	c.edits(req.Edits)
	if len(req.Edits) == 0 {
		c.fail("edits", "is empty; name at least one field")
	}
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		// Asked first for what govern refuses before it looks at the content.
		if _, err := t.CreateOverlay(t.Call, govern.NewOverlay{Scope: req.Scope, Reason: req.Reason, Etag: "-", Edits: []byte("[]")}); err != nil {
			return nil, err
		}
		q, err := s.pinOverlay(ctx, t, req.Scope, req.Reason, editsFromProto(req.Edits), nil)
		if err != nil {
			return nil, err
		}
		return t.CreateOverlay(t.Call, q)
	})
	if err != nil {
		return nil, err
	}
	o, problems, err := s.overlayNow(ctx, req.Scope)
	return &pb.CreateOverlayResponse{Overlay: o, Problems: problems}, err
}

// RebaseOverlay implements pb.OverlayServiceServer.
func (s overlayService) RebaseOverlay(ctx context.Context, req *pb.RebaseOverlayRequest) (*pb.RebaseOverlayResponse, error) {
	var c check
	scope := c.named("name", req.Name, "overlays")
	c.prose("reason", req.Reason, maxNoteRunes)
	c.edits(req.Edits)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		o, ok := t.Overlay(scope)
		if !ok {
			return nil, noOverlay(scope)
		}
		reason := req.Reason
		if reason == "" {
			reason = o.Reason
		}
		q := govern.NewOverlay{Scope: scope, Reason: reason, Etag: "-", BaseEtag: req.Etag}
		if _, err := t.RebaseOverlay(t.Call, q); err != nil {
			return nil, err
		}
		edits := editsFromProto(req.Edits)
		var authors []string
		if len(edits) == 0 {
			var err error
			if edits, err = decodeEdits(o.Edits); err != nil {
				return nil, err
			}
			// The values are still theirs, though the record takes edits that
			// are pinned anew for those of who rebased them.
			authors = append(pinnedBy(o.Edits), o.Editors...)
		}
		q, err := s.pinOverlay(ctx, t, scope, reason, edits, authors)
		if err != nil {
			return nil, err
		}
		q.BaseEtag = req.Etag
		return t.RebaseOverlay(t.Call, q)
	})
	if err != nil {
		return nil, err
	}
	o, problems, err := s.overlayNow(ctx, scope)
	return &pb.RebaseOverlayResponse{Overlay: o, Problems: problems}, err
}

func noOverlay(scope string) error {
	return rpc.Fail(codes.NotFound, "OVERLAY_NOT_FOUND", fmt.Sprintf("there is no overlay of %q; list the overlays to see their names", clip(scope, 80)), nil)
}

// GetOverlay implements pb.OverlayServiceServer.
func (s overlayService) GetOverlay(_ context.Context, req *pb.GetOverlayRequest) (*pb.GetOverlayResponse, error) {
	var c check
	scope := c.named("name", req.Name, "overlays")
	if err := c.err(); err != nil {
		return nil, err
	}
	o, err := s.overlayOf(scope)
	return &pb.GetOverlayResponse{Overlay: o}, err
}

// ListOverlays implements pb.OverlayServiceServer.
func (s overlayService) ListOverlays(_ context.Context, req *pb.ListOverlaysRequest) (*pb.ListOverlaysResponse, error) {
	size, err := pageSize(req.PageSize, 50, 500)
	if err != nil {
		return nil, err
	}
	var all []govern.Overlay
	s.view(func(st *govern.State) { all = st.Overlays() })
	part, next, err := page(all, overlayToken, req.PageToken, size, func(o govern.Overlay) string { return o.Scope })
	if err != nil {
		return nil, err
	}
	res := &pb.ListOverlaysResponse{NextPageToken: next}
	for _, o := range part {
		x, err := overlayToProto(o)
		if err != nil {
			return nil, err
		}
		res.Overlays = append(res.Overlays, x)
	}
	return res, nil
}

// ReviewOverlay implements pb.OverlayServiceServer.
func (s overlayService) ReviewOverlay(ctx context.Context, req *pb.ReviewOverlayRequest) (*pb.ReviewOverlayResponse, error) {
	var c check
	scope := c.named("name", req.Name, "overlays")
	if err := c.err(); err != nil {
		return nil, err
	}
	res := &pb.ReviewOverlayResponse{}
	var err error
	s.view(func(st *govern.State) {
		o, ok := st.Overlay(scope)
		if !ok {
			err = noOverlay(scope)
			return
		}
		var r *reviewed
		if r, err = s.reviewOverlay(ctx, st, o); err != nil {
			return
		}
		if res.Overlay, err = overlayToProto(o); err != nil {
			return
		}
		res.Changes, res.Cautions, res.SafetyReasons = changesToProto(r.changes), cautionsToProto(r.cautions), r.SafetyReasons
		res.ApprovalsNeeded = rolesToProto(st.OverlayNeeds(scope, r.Review))
	})
	if err != nil {
		return nil, err
	}
	return res, nil
}

// ApproveOverlay implements pb.OverlayServiceServer.
func (s overlayService) ApproveOverlay(ctx context.Context, req *pb.ApproveOverlayRequest) (*pb.ApproveOverlayResponse, error) {
	var c check
	scope := c.named("name", req.Name, "overlays")
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	out, err := s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		o, ok := t.Overlay(scope)
		if !ok {
			return nil, noOverlay(scope)
		}
		q := govern.OverlayApproval{Scope: scope, Etag: req.Etag, Role: govern.Role(req.Role), Cautions: req.Cautions}
		if t.Claimed() && slices.Contains(pinnedBy(o.Edits), t.Call.Actor.Person) {
			return nil, &govern.Refused{Code: govern.PermissionDenied, Reason: "OWN_CHANGE",
				Text: t.Call.Actor.Person + " edited it and may not approve it, though it was rebased since; ask somebody who did not"}
		}
		if o.State == govern.OverlayIsUp && o.BaseEdition == t.Newest() {
			r, err := s.reviewOverlay(ctx, t.State, o)
			if err != nil {
				return nil, err
			}
			q.Review, q.Make = r.Review, s.overlayMaker(ctx, t, o, r)
		}
		return t.ApproveOverlay(t.Call, q)
	})
	if err != nil {
		return nil, err
	}
	res := &pb.ApproveOverlayResponse{}
	made, ok, err := firstAct[*govern.OverlayReleased](ctx, s.Service, out)
	if err != nil {
		return nil, err
	}
	if ok {
		res.Release = made.Releases[0].Number
	}
	res.Overlay, err = s.overlayOf(scope)
	return res, err
}

// RetireOverlay implements pb.OverlayServiceServer.
func (s overlayService) RetireOverlay(ctx context.Context, req *pb.RetireOverlayRequest) (*pb.RetireOverlayResponse, error) {
	var c check
	scope := c.named("name", req.Name, "overlays")
	c.prose("reason", req.Reason, maxNoteRunes)
	call, err := s.write(ctx, &c, req)
	if err != nil {
		return nil, err
	}
	_, err = s.do(ctx, call, func(t *turn) ([]govern.Act, error) {
		return t.RetireOverlay(t.Call, scope, req.Reason, func(first uint64) (govern.Made, error) {
			live, err := liveOverlays(t.State)
			if err != nil {
				return govern.Made{}, err
			}
			delete(live, scope)
			made := govern.Made{}
			return made, s.makeNarrower(ctx, t, &made, first, scope, live, "retire it too first, or rebase it to other fields")
		})
	})
	if err != nil {
		return nil, err
	}
	o, err := s.overlayOf(scope)
	if err != nil {
		// Only a direct release was there for the scope, and no overlay.
		o = &pb.Overlay{Name: "overlays/" + scope, Scope: scope, State: pb.OverlayState_OVERLAY_STATE_RETIRED, Reason: req.Reason}
	}
	return &pb.RetireOverlayResponse{Overlay: o}, nil
}

func (s *Service) overlayOf(scope string) (out *pb.Overlay, err error) {
	s.view(func(st *govern.State) {
		o, ok := st.Overlay(scope)
		if !ok {
			err = noOverlay(scope)
			return
		}
		out, err = overlayToProto(o)
	})
	return out, err
}

// overlayNow is an overlay with what the check finds in its resolved book.
func (s *Service) overlayNow(ctx context.Context, scope string) (out *pb.Overlay, problems []*pb.Problem, err error) {
	s.view(func(st *govern.State) {
		o, ok := st.Overlay(scope)
		if !ok {
			err = noOverlay(scope)
			return
		}
		if out, err = overlayToProto(o); err != nil {
			return
		}
		// A repeated request may find it on an edition that has gone on.
		if r, rerr := s.reviewOverlay(ctx, st, o); rerr == nil {
			problems = problemsToProto(r.problems)
		}
	})
	return out, problems, err
}

var overlayStates = map[govern.OverlayState]pb.OverlayState{
	govern.OverlayIsUp: pb.OverlayState_OVERLAY_STATE_PROPOSED, govern.OverlayIsActive: pb.OverlayState_OVERLAY_STATE_ACTIVE,
	govern.OverlayIsBehind: pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE, govern.OverlayIsRetired: pb.OverlayState_OVERLAY_STATE_RETIRED,
}

func overlayToProto(o govern.Overlay) (*pb.Overlay, error) {
	edits, err := decodeEdits(o.Edits)
	if err != nil {
		return nil, fmt.Errorf("overlay of %s: %w", o.Scope, err)
	}
	out := &pb.Overlay{Name: "overlays/" + o.Scope, Scope: o.Scope, State: overlayStates[o.State], Etag: o.Etag, Reason: o.Reason, Author: o.Author,
		BaseEdition: o.BaseEdition, Approvals: approvalsToProto(o.Approvals), CreateTime: timestamppb.New(o.Created),
		UpdateTime: timestamppb.New(o.Updated), Conflicts: o.Conflicts}
	for _, e := range edits {
		out.Edits = append(out.Edits, &pb.OverlayEdit{Edit: &pb.FieldEdit{File: e.File, Path: e.Path, Value: e.Value}, BaseValue: e.Base})
	}
	return out, nil
}

func editsFromProto(in []*pb.FieldEdit) []overlay.Edit {
	out := make([]overlay.Edit, len(in))
	for i, e := range in {
		out[i] = overlay.Edit{File: e.GetFile(), Path: e.GetPath(), Value: e.GetValue()}
	}
	return out
}
