package console

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strconv"

	"samecup.example/samecup/internal/overlay"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// overlaysPage lists what regions and sites do otherwise.
type overlaysPage struct {
	Table *Table
	Lacks string
	// NoSite is set while there is nowhere to depart.
	NoSite bool
}

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
	p := overlaysPage{Table: t, Lacks: v.lacks("propose an overlay", roleAuthor), NoSite: len(v.sites().Sites) == 0}
	return &view{Title: "Overlays", Data: p, Tables: []*Table{t}}, nil
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
	// Behind says that an edition came out since it was proposed, so that it cannot
	// be approved as it is.
	Behind               bool
	MayRebase, MayRetire bool
	Lacks                string
	Form                 *form
	// Touched are the fields that the newest edition changed, Stay counts the
	// others; Newest is that edition, 0 where its sources cannot be read.
	Touched []touchedField
	Stay    int
	Newest  uint64
	// Editor is where other fields are set.
	Editor string
	Anew   input
}

// touchedField is a field of an overlay that a newer edition changed too.
type touchedField struct {
	N           int
	Label, Path string
	// Was stood in the edition that it was pinned on, Now stands in the newest,
	// Ours is the overlay's.
	Was, Now, Ours string
	Choice, Fault  string
}

const sidePrefix = "side"

// Side is the name of the choice in the form.
func (t touchedField) Side() string { return sideName(t.N) }

func sideName(n int) string { return sidePrefix + strconv.Itoa(n) }

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
	p.Edits = &Table{ID: "edits", Caption: "Field by field", Cols: cols("~field", "~in the edition", "~here", "~path"), Empty: "It changes nothing."}
	for _, e := range o.Edits {
		p.Edits.add(head(fieldWords(b, sources{}, e.Edit.GetFile(), e.Edit.GetPath()), ""), text(orNothing(e.BaseValue)), text(orElse(e.Edit.GetValue(), "taken away")), text(e.Edit.GetFile()+" "+e.Edit.GetPath()))
	}
	p.Change = v.changePart(b, res.Changes, res.SafetyReasons)
	p.Change.Against, p.Change.Reach = "the wider book", "It holds for "+v.scopeWords(o.Scope)+" alone."
	p.Proposed = o.State == pb.OverlayState_OVERLAY_STATE_PROPOSED
	p.Approval = approval{Cautions: cautionBoxes(res.Cautions), Form: p.Form, Needed: listWords(res.ApprovalsNeeded)}
	if p.Proposed {
		info, err := v.newestEdition()
		p.Behind = err == nil && info.Edition > o.BaseEdition
		p.Approval.Roles, p.Approval.Why = v.mayApprove(res.ApprovalsNeeded, []string{o.Author}, o.Approvals)
	}
	if o.State != pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE {
		p.Conflicts = nil // what it was proposed anew for
	}
	live := o.State != pb.OverlayState_OVERLAY_STATE_RETIRED
	p.MayRebase = live && v.me.any(roleAuthor...)
	p.MayRetire = live && v.me.any(roleRetire...)
	if p.MayRebase || len(p.Conflicts) > 0 {
		if err := v.rebasePart(p, b); err != nil {
			return nil, err
		}
	}
	if p.Newest > 0 && len(p.Touched) > 0 { // said field by field, in the words of the page
		p.Conflicts = nil
	}
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
	case "rebase", "weigh":
		return v.rebaseOverlay(name, etag)
	case "retire":
		_, err := v.ask.overlays.RetireOverlay(v.ctx, &pb.RetireOverlayRequest{RequestId: v.requestID(), Name: name, Reason: v.typed("reason")})
		return "/" + name, err
	}
	return "", v.unknownAct()
}

// touched finds what the newest edition changed of the fields that an overlay
// sets. Where its sources cannot be read every field counts as touched, so that
// none is carried over silently.
func (v *visit) touched(o *pb.Overlay) (fields []touchedField, newest uint64, err error) {
	info, err := v.newestEdition()
	if err != nil && !errors.Is(err, errNoBasis) {
		return nil, 0, err
	}
	if info.GetEdition() == o.BaseEdition && o.State != pb.OverlayState_OVERLAY_STATE_NEEDS_REBASE {
		return nil, o.BaseEdition, nil // it was pinned on that very edition
	}
	all, err := v.everyOverlay()
	if err != nil {
		return nil, 0, err
	}
	mine := overlayOf(o)
	// The page is worth more than these values, so they may take a part of its time.
	asking := *v
	ctx, cancel := context.WithTimeout(v.ctx, pageWait/3)
	defer cancel()
	asking.ctx = ctx
	var conflicts []overlay.Conflict
	base, err := asking.basisOf(o.Scope, all, (&editorState{edits: mine.Edits}).need())
	if err == nil {
		newest, conflicts = base.edition, overlay.Conflicts(base.files, mine)
	} else {
		if !errors.Is(err, errNoBasis) {
			v.part("what the newest edition says", err)
		}
		for _, e := range mine.Edits {
			conflicts = append(conflicts, overlay.Conflict{Edit: e, Base: e.Base, Now: "not known here"})
		}
	}
	for _, c := range conflicts {
		n := slices.IndexFunc(mine.Edits, func(e overlay.Edit) bool { return e == c.Edit })
		fields = append(fields, touchedField{N: n, Path: c.Edit.File + " " + c.Edit.Path, Was: orNothing(c.Base), Now: orNothing(c.Now), Ours: orElse(c.Edit.Value, "taken away")})
	}
	return fields, newest, nil
}

// rebasePart offers to propose the overlay anew, with a choice for each field
// that was touched.
func (v *visit) rebasePart(p *overlayPage, b *book) error {
	var err error
	if p.Touched, p.Newest, err = v.touched(p.Overlay); err != nil {
		return err
	}
	for i := range p.Touched {
		t := &p.Touched[i]
		e := p.Overlay.Edits[t.N].Edit
		t.Label = fieldWords(b, sources{}, e.GetFile(), e.GetPath())
		t.Choice, t.Fault = p.Form.Or(t.Side(), ""), p.Form.Fault(t.Side())
	}
	p.Stay = len(p.Overlay.Edits) - len(p.Touched)
	p.Editor = (&editorState{scope: p.Scope}).address(overlayOf(p.Overlay).Edits)
	p.Anew = p.Form.input("reason", "Why it departs from the chain's book", p.Overlay.Reason, input{})
	if !p.Form.Did("rebase") && !p.Form.Did("weigh") {
		p.Anew.Value, p.Anew.Fault = p.Overlay.Reason, ""
	}
	return nil
}

// rebaseOverlay proposes an overlay anew with the sides that were chosen, or
// shows what that would come to.
func (v *visit) rebaseOverlay(name, etag string) (string, error) {
	res, err := v.ask.overlays.GetOverlay(v.ctx, &pb.GetOverlayRequest{Name: name})
	if err != nil {
		return "", err
	}
	o := res.Overlay
	touched, _, err := v.touched(o)
	if err != nil {
		return "", err
	}
	if o.Etag != etag {
		touched = nil // what was chosen was about another overlay; the authority refuses it
	}
	bad, taken := faults{}, map[int]bool{}
	for _, t := range touched {
		switch v.PostFormValue(t.Side()) {
		case "keep":
		case "take":
			taken[t.N] = true
		default:
			bad.at(t.Side(), "Say which value stands: ours, or the new edition's.")
		}
	}
	if err := bad.err(); err != nil {
		return "", err
	}
	var kept []*pb.FieldEdit
	for i, e := range o.Edits {
		if !taken[i] {
			kept = append(kept, e.Edit)
		}
	}
	if len(kept) == 0 {
		return "", &refusal{Title: "Nothing would be left of it", Points: []string{"Every field would follow the wider book again."}, Next: "Nothing was changed. Retire the overlay instead.", Status: http.StatusUnprocessableEntity}
	}
	if v.PostFormValue("act") == "weigh" {
		edits := make([]overlay.Edit, len(kept))
		for i, e := range kept {
			edits[i] = overlay.Edit{File: e.File, Path: e.Path, Value: e.Value}
		}
		return (&editorState{scope: o.Scope}).address(edits) + "#effect", nil
	}
	if len(taken) == 0 {
		kept = nil // as they are, so that who wrote them stays known
	}
	_, err = v.ask.overlays.RebaseOverlay(v.ctx, &pb.RebaseOverlayRequest{RequestId: v.requestID(), Name: name, Etag: etag, Reason: v.typed("reason"), Edits: kept})
	return "/" + name, err
}
