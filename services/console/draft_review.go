package console

import (
	"fmt"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// reviewPage is what an approver must see.
type reviewPage struct {
	ID, Title, State, Tone string
	Lead                   string
	Proposed, MayReturn    bool
	Open                   bool
	Change                 *changePart
	Approvals              []string
	Approval               approval
	Next                   Cell
	Form                   *form
}

func draftReview(v *visit) (*view, error) {
	id := v.PathValue("id")
	d, err := v.getDraft(id)
	if err != nil {
		return nil, err
	}
	res, err := v.ask.drafts.ReviewDraft(v.ctx, &pb.ReviewDraftRequest{Name: d.Name})
	if err != nil {
		return nil, err
	}
	var b *book
	if read, problems := drink.LoadFiles(filesMap(d)); !problems.Unreadable() {
		b = newBook(read, 0)
	}
	// The etag is that of what is shown, so that nothing else is approved.
	p := &reviewPage{ID: id, Title: d.Title, State: draftWord(d.State), Tone: draftTone(d.State), Form: v.newForm(res.Draft.Etag), Next: draftWaits(d),
		Change: v.changePart(b, res.Changes, res.SafetyReasons), Approvals: v.approvalWords(res.Draft.Approvals)}
	p.Change.Against, p.Change.Reach = "the newest edition", v.reach(res.NeedsRebase)
	for _, f := range res.Draft.Problems {
		p.Change.Broken = p.Change.Broken || f.Level == "error"
	}
	p.Lead = fmt.Sprintf("Save %d by %s, last %s.", d.Revision, v.whoAll(d.Editors), v.at(d.UpdateTime))
	p.Open = d.State == pb.DraftState_DRAFT_STATE_OPEN
	p.Proposed = d.State == pb.DraftState_DRAFT_STATE_PROPOSED
	p.MayReturn = (p.Proposed || d.State == pb.DraftState_DRAFT_STATE_APPROVED) && v.me.any(roleReturn...)
	p.Approval = approval{Cautions: cautionBoxes(res.Cautions), Form: p.Form, Needed: listWords(res.ApprovalsNeeded)}
	if p.Proposed {
		p.Approval.Roles, p.Approval.Why = v.mayApprove(res.ApprovalsNeeded, res.Draft.Editors, valid(res.Draft))
	}
	return &view{Title: "Review of " + d.Title, Data: p, Tables: []*Table{p.Change.Changes, p.Change.Effects}}, nil
}

// valid are the approvals of what the draft says now.
func valid(d *pb.Draft) (out []*pb.Approval) {
	for _, a := range d.Approvals {
		if a.Revision == d.Revision {
			out = append(out, a)
		}
	}
	return out
}

func draftDecide(v *visit) (string, error) {
	name := "drafts/" + v.PathValue("id")
	here := draftLink(v.PathValue("id")) + "/review"
	switch v.PostFormValue("act") {
	case "return":
		_, err := v.ask.drafts.ReturnDraft(v.ctx, &pb.ReturnDraftRequest{RequestId: v.requestID(), Name: name, Reason: v.typed("reason")})
		return here, err
	case "approver", "food-safety":
		_, err := v.ask.drafts.ApproveDraft(v.ctx, &pb.ApproveDraftRequest{RequestId: v.requestID(), Name: name, Etag: v.PostFormValue("etag"),
			Role: v.PostFormValue("act"), Cautions: v.PostForm["caution"]})
		return here, err
	}
	return "", v.unknownAct()
}
