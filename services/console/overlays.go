package console

import (
	"fmt"

	pb "samecup.example/samecup/proto/samecup/v1"
)

// overlaysPage lists what regions and sites do otherwise.
type overlaysPage struct{ Table *Table }

func overlayState(s pb.OverlayState) (word, tone string) {
	switch s {
	case pb.OverlayState_OVERLAY_STATE_PROPOSED:
		return "proposed", "caution"
	case pb.OverlayState_OVERLAY_STATE_ACTIVE:
		return "active", "good"
	case pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE:
		return "needs rebase", "alert"
	}
	return "retired", "quiet"
}

func overlayList(v *visit) (*view, error) {
	all, err := v.everyOverlay()
	if err != nil {
		return nil, err
	}
	t := &Table{ID: "overlays", Caption: "Overlays", Cols: cols("where", "state", "#on edition", "#fields", "~why", "author", "changed"),
		Empty: "There is no overlay: every site follows the chain's book as it is."}
	for _, o := range all {
		word, tone := overlayState(o.State)
		t.add(head(sentenceCase(v.scopeWords(o.Scope)), "/overlays/"+o.Scope), Cell{Text: word, Tone: tone}, textf("%d", o.BaseEdition), textf("%d", len(o.Edits)), text(o.Reason), text(v.who(o.Author)), v.moment(o.UpdateTime))
	}
	return &view{Title: "Overlays", Data: overlaysPage{t}, Tables: []*Table{t}}, nil
}

// overlayPage is one overlay with what an approver must see.
type overlayPage struct {
	*pb.Overlay
	Where, Word, Tone, Lead string
	Conflicts               []string
	Edits                   *Table
	Change                  *changePart
	Approvals               []string
	Approval                approval
	Proposed                bool
	MayRebase, MayRetire    bool
	Lacks                   string
	Form                    *form
}

func overlayShow(v *visit) (*view, error) {
	scope := v.PathValue("scope")
	res, err := v.ask.overlays.ReviewOverlay(v.ctx, &pb.ReviewOverlayRequest{Name: "overlays/" + scope})
	if err != nil {
		return nil, missingOr(err, "overlay", scope, link{"/overlays", "All overlays"})
	}
	o := res.Overlay
	b, _ := v.newestBook() // without one, ids are shown
	p := &overlayPage{Overlay: o, Where: sentenceCase(v.scopeWords(o.Scope)), Form: v.newForm(o.Etag), Conflicts: sentences(o.Conflicts), Approvals: v.approvalWords(o.Approvals)}
	p.Word, p.Tone = overlayState(o.State)
	p.Lead = fmt.Sprintf("pinned on edition %d by %s, %s", o.BaseEdition, v.who(o.Author), v.at(o.UpdateTime))
	p.Edits = &Table{ID: "edits", Caption: "Field by field", Cols: cols("file", "~field", "~in the edition", "~here"), Empty: "It changes nothing."}
	for _, e := range o.Edits {
		p.Edits.add(text(e.Edit.GetFile()), head(e.Edit.GetPath(), ""), text(orNothing(e.BaseValue)), text(orElse(e.Edit.GetValue(), "taken away")))
	}
	p.Change = v.changePart(b, res.Changes, res.SafetyReasons)
	p.Change.Against, p.Change.Reach = "the wider book", "It holds for "+v.scopeWords(o.Scope)+" alone."
	p.Proposed = o.State == pb.OverlayState_OVERLAY_STATE_PROPOSED
	p.Approval = approval{Cautions: cautionBoxes(res.Cautions), Form: p.Form, Needed: listWords(res.ApprovalsNeeded)}
	if p.Proposed {
		p.Approval.Roles, p.Approval.Why = v.mayApprove(res.ApprovalsNeeded, []string{o.Author}, o.Approvals)
	}
	live := o.State != pb.OverlayState_OVERLAY_STATE_RETIRED
	p.MayRebase = live && v.me.any(roleAuthor...)
	p.MayRetire = live && v.me.any(roleRetire...)
	if live && !p.MayRebase && !p.MayRetire {
		p.Lacks = v.lacks("rebase it", roleAuthor) + " " + v.lacks("retire it", roleRetire)
	}
	return &view{Title: "Overlay of " + p.Where, Data: p, Tables: []*Table{p.Edits, p.Change.Changes, p.Change.Effects}}, nil
}

func overlayAct(v *visit) (string, error) {
	name, etag := "overlays/"+v.PathValue("scope"), v.PostFormValue("etag")
	switch v.PostFormValue("act") {
	case "approver", "food-safety":
		_, err := v.ask.overlays.ApproveOverlay(v.ctx, &pb.ApproveOverlayRequest{RequestId: v.requestID(), Name: name, Etag: etag, Role: v.PostFormValue("act"), Cautions: v.PostForm["caution"]})
		return "/" + name, err
	case "rebase":
		_, err := v.ask.overlays.RebaseOverlay(v.ctx, &pb.RebaseOverlayRequest{RequestId: v.requestID(), Name: name, Etag: etag, Reason: v.typed("reason")})
		return "/" + name, err
	case "retire":
		_, err := v.ask.overlays.RetireOverlay(v.ctx, &pb.RetireOverlayRequest{RequestId: v.requestID(), Name: name, Reason: v.typed("reason")})
		return "/" + name, err
	}
	return "", v.unknownAct()
}
