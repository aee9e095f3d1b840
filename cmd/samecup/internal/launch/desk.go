package launch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"

	"samecup.example/samecup/internal/rpc"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// desk is one person's view of the authority.
type desk struct {
	drafts   pb.DraftServiceClient
	overlays pb.OverlayServiceClient
	rollouts pb.RolloutServiceClient
	stops    pb.StopServiceClient
	office   pb.GovernanceServiceClient
	fleet    pb.FleetServiceClient
	books    pb.BookServiceClient
}

// desk opens one for a token; an empty one is nobody's.
func (c *chain) desk(token string) (*desk, error) {
	cc, err := rpc.Dial(c.address, rpc.WithToken(token))
	if err != nil {
		return nil, err
	}
	c.undo = append(c.undo, cc.Close)
	return &desk{pb.NewDraftServiceClient(cc), pb.NewOverlayServiceClient(cc), pb.NewRolloutServiceClient(cc), pb.NewStopServiceClient(cc),
		pb.NewGovernanceServiceClient(cc), pb.NewFleetServiceClient(cc), pb.NewBookServiceClient(cc)}, nil
}

// hire adds a person and opens their desk.
func (c *chain) hire(ctx context.Context, by *desk, id, name string, roles ...string) (*desk, error) {
	res, err := by.office.CreatePerson(ctx, &pb.CreatePersonRequest{RequestId: newID(), PersonId: id, DisplayName: name, Roles: roles})
	if err != nil {
		return nil, fmt.Errorf("add %s: %w", id, err)
	}
	c.tokens[id] = res.Token
	return c.desk(res.Token)
}

func newID() string { return uuid.NewString() }

// refused wants a call to have been refused for a reason.
func (s *season) refused(err error, reason string) error {
	if err == nil {
		return fmt.Errorf("was allowed; a refusal with %s is wanted", reason)
	}
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.Reason == reason {
			s.res.Refusals = append(s.res.Refusals, reason)
			return nil
		}
	}
	return fmt.Errorf("a refusal with %s is wanted: %w", reason, err)
}

// approve has all roles in a review approve, each by who holds it.
func (s *season) approve(ctx context.Context, d *pb.Draft) (*pb.Draft, *pb.ReviewDraftResponse, error) {
	r, err := s.ben.drafts.ReviewDraft(ctx, &pb.ReviewDraftRequest{Name: d.Name})
	if err != nil {
		return nil, nil, err
	}
	for _, role := range r.ApprovalsNeeded {
		who := map[string]*desk{"approver": s.ben, "food-safety": s.fay}[role]
		if who == nil {
			return nil, nil, fmt.Errorf("nobody here has the role %q", role)
		}
		got, err := who.drafts.ApproveDraft(ctx, &pb.ApproveDraftRequest{RequestId: newID(), Name: d.Name, Etag: d.Etag, Role: role, Cautions: ids(r.Cautions)})
		if err != nil {
			return nil, nil, err
		}
		d = got.Draft
	}
	if d.State != pb.DraftState_DRAFT_STATE_APPROVED {
		return nil, nil, fmt.Errorf("draft %s is %v after all approvals", d.Name, d.State)
	}
	return d, r, nil
}

func ids(cs []*pb.ReviewCaution) (out []string) {
	for _, c := range cs {
		out = append(out, c.Id)
	}
	return out
}

func edit(file, path, value string) *pb.FieldEdit {
	return &pb.FieldEdit{File: file, Path: path, Value: value}
}

// draft makes a draft with edits.
func (s *season) draft(ctx context.Context, id, title string, edits ...*pb.FieldEdit) (*pb.Draft, error) {
	made, err := s.ada.drafts.CreateDraft(ctx, &pb.CreateDraftRequest{RequestId: newID(), DraftId: id, Title: title})
	if err != nil {
		return nil, err
	}
	got, err := s.ada.drafts.UpdateDraft(ctx, &pb.UpdateDraftRequest{RequestId: newID(), Name: made.Draft.Name, Etag: made.Draft.Etag, Edits: edits})
	if err != nil {
		return nil, err
	}
	return got.Draft, nil
}

func (s *season) propose(ctx context.Context, d *pb.Draft) (*pb.Draft, error) {
	got, err := s.ada.drafts.ProposeDraft(ctx, &pb.ProposeDraftRequest{RequestId: newID(), Name: d.Name, Etag: d.Etag})
	if err != nil {
		return nil, err
	}
	return got.Draft, nil
}

// wantState waits for a rollout's state.
func (s *season) wantState(ctx context.Context, name string, want pb.RolloutState, advice pb.WaveAdvice) (*pb.Rollout, error) {
	var r *pb.Rollout
	err := eventually(ctx, fmt.Sprintf("%s is %v with the advice %v", name, want, advice), func() (bool, error) {
		got, err := s.flo.rollouts.GetRollout(ctx, &pb.GetRolloutRequest{Name: name})
		if err != nil {
			return false, err
		}
		r = got.Rollout
		if r.State == want && r.Report.GetAdvice() == advice {
			return true, nil
		}
		return false, errors.New(r.State.String() + ", " + r.Report.GetAdvice().String() + ": " + r.Report.GetText())
	})
	return r, err
}

// lookOn lets time pass in steps, each until the test of a rollout has looked,
// and counts the looks that its course holds by then.
func (s *season) lookOn(ctx context.Context, name string, until time.Time, step time.Duration) (looks int, err error) {
	for at := s.clock.now(); at.Before(until); {
		if at = at.Add(step); at.After(until) {
			at = until
		}
		s.clock.to(at)
		if err := eventually(ctx, "the test looks at the rates of "+at.Format(time.RFC3339), func() (bool, error) {
			got, err := s.flo.rollouts.GetRollout(ctx, &pb.GetRolloutRequest{Name: name})
			course := got.GetRollout().GetCourse()
			looks = len(course)
			return looks > 0 && !course[looks-1].LookTime.AsTime().Before(at), err
		}); err != nil {
			return 0, err
		}
	}
	return looks, nil
}
