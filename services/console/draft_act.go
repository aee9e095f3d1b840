package console

import (
	"net/http"
	"net/url"
	"regexp"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"go.uber.org/zap"

	pb "samecup.example/samecup/proto/samecup/v1"
)

var anchorShape = regexp.MustCompile(`^f[0-9]{1,5}$`)

// draftAct does what a form of a draft asks.
func draftAct(v *visit) (string, error) {
	id, file := v.PathValue("id"), v.URL.Query().Get("file")
	name, etag := "drafts/"+id, v.PostFormValue("etag")
	home := draftHref(id, file)
	anchor := ""
	if a := v.PostFormValue("anchor"); anchorShape.MatchString(a) {
		anchor = "#" + a
	}
	update := &pb.UpdateDraftRequest{RequestId: v.requestID(), Name: name, Etag: etag}
	switch v.PostFormValue("act") {
	case "try":
		if file == "" {
			return home, nil
		}
		return home + "&path=" + url.QueryEscape(v.PostFormValue("path")) + "&try=" + url.QueryEscape(v.typed("value")) + anchor, nil
	case "save", "add":
		update.Edits = []*pb.FieldEdit{{File: file, Path: v.typed("path"), Value: v.typed("value")}}
		_, err := v.ask.drafts.UpdateDraft(v.ctx, update)
		return home + anchor, err
	case "file":
		path := v.typed("file")
		update.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"files"}}
		update.Files = []*pb.SourceFile{{Path: path, Content: []byte(lines(v.PostFormValue("content")))}}
		_, err := v.ask.drafts.UpdateDraft(v.ctx, update)
		return draftHref(id, path), err
	case "remove":
		update.RemovedFiles = []string{file}
		_, err := v.ask.drafts.UpdateDraft(v.ctx, update)
		return draftLink(id), err
	case "title":
		update.UpdateMask = &fieldmaskpb.FieldMask{Paths: []string{"title"}}
		update.Title = v.typed("title")
		_, err := v.ask.drafts.UpdateDraft(v.ctx, update)
		return home, err
	case "remark":
		_, err := v.ask.drafts.CommentDraft(v.ctx, &pb.CommentDraftRequest{RequestId: v.requestID(), Name: name, Field: v.typed("about"), Text: v.typed("text")})
		return home + "#remarks", err
	case "propose":
		_, err := v.ask.drafts.ProposeDraft(v.ctx, &pb.ProposeDraftRequest{RequestId: v.requestID(), Name: name, Etag: etag})
		return draftLink(id), err
	case "withdraw":
		_, err := v.ask.drafts.WithdrawDraft(v.ctx, &pb.WithdrawDraftRequest{RequestId: v.requestID(), Name: name, Reason: v.typed("reason")})
		return draftLink(id), err
	case "rebase":
		req := &pb.RebaseDraftRequest{RequestId: v.requestID(), Name: name, Etag: etag}
		for _, field := range v.PostForm["field"] {
			switch v.PostFormValue("side:" + field) {
			case "keep":
				req.Keep = append(req.Keep, field)
			case "take":
				req.Take = append(req.Take, field)
			}
		}
		_, err := v.ask.drafts.RebaseDraft(v.ctx, req)
		return draftLink(id), err
	}
	return "", v.unknownAct()
}

// tryField answers what an edit would come to, as a piece of a page, for a field
// that is being typed into. Without script a button asks for the same.
func (c *Console) tryField(w http.ResponseWriter, r *http.Request) {
	v, cancel := c.enter(w, r)
	if v == nil {
		return
	}
	defer cancel()
	q := r.URL.Query()
	d, err := v.getDraft(v.PathValue("id"))
	if err != nil {
		http.Error(w, "it cannot be tried now", stateOf(err).code)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if err := c.look["draft"].ExecuteTemplate(w, "tried", tryEdit(filesMap(d), q.Get("file"), q.Get("path"), q.Get("try"))); err != nil {
		c.log.Info("an edit was not tried", zap.Error(err))
	}
}
