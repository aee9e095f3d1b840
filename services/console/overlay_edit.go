package console

import (
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"

	"go.uber.org/zap"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/overlay"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// The editor of an overlay keeps all of it in its address until it is proposed:
// where, what is set so far, and which file is open. So nothing is stored that
// nobody proposed, and a link brings it all back.
const (
	overlayNew = "/overlays/new"
	// maxSet bounds what is set, as written in the address.
	maxSet = 12 << 10
)

// fileShape is what the files of a book are called (docs/book.md).
var fileShape = regexp.MustCompile(`^(drinks/)?[a-z0-9]+(-[a-z0-9]+)*\.yaml$`)

// editorState is an overlay in the making.
type editorState struct {
	scope, file, part string
	// over is the overlay that there is; nil where a new one is made.
	over  *pb.Overlay
	edits []overlay.Edit
	all   []*pb.Overlay
	base  *basis
}

// editorState reads the address; the basis is there unless errNoBasis is told.
func (v *visit) editorState() (*editorState, error) {
	q := v.URL.Query()
	s := &editorState{scope: q.Get("scope"), file: q.Get("file"), part: q.Get("part")}
	var err error
	if s.all, err = v.everyOverlay(); err != nil {
		return nil, err
	}
	if s.scope == "" {
		return s, nil
	}
	if !slices.ContainsFunc(v.scopes(), func(c choice) bool { return c.ID == s.scope }) {
		return nil, notFound("region or site", s.scope, link{"/overlays", "All overlays"})
	}
	if i := slices.IndexFunc(s.all, func(o *pb.Overlay) bool {
		return o.Scope == s.scope && o.State != pb.OverlayState_OVERLAY_STATE_RETIRED
	}); i >= 0 {
		s.over = s.all[i]
	}
	switch set := q.Get("set"); {
	case len(set) > maxSet:
		return nil, badRequest("The overlay", "sets more than an address takes", "propose it in two steps, or use the command samecup overlay create")
	case set != "":
		if s.edits, err = readSet(set); err != nil {
			return nil, badRequest("The overlay", "in this address could not be read", "begin it anew from the list of overlays")
		}
	case s.over != nil:
		s.edits = overlayOf(s.over).Edits
	}
	for _, f := range s.need() {
		if !fileShape.MatchString(f) {
			return nil, badRequest("The file", fmt.Sprintf("%.80q is none of a book", f), "open one from the list")
		}
	}
	if s.base, err = v.basisOf(s.scope, s.all, s.need()); err == nil && s.file != "" && s.base.files[s.file] == nil {
		return nil, notFound("file of this edition", s.file, link{overlayNew + "?scope=" + s.scope, "All files"})
	}
	return s, err
}

// need are the files that are looked into: those that are set, and the open one.
func (s *editorState) need() (out []string) {
	for _, e := range s.edits {
		out = append(out, e.File)
	}
	if s.file != "" {
		out = append(out, s.file)
	}
	return out
}

func readSet(text string) (out []overlay.Edit, err error) {
	var raw [][3]string
	if err := json.Unmarshal([]byte(text), &raw); err != nil {
		return nil, fmt.Errorf("read what is set: %w", err)
	}
	for _, e := range raw {
		out = append(out, overlay.Edit{File: e[0], Path: e[1], Value: e[2]})
	}
	return out, nil
}

// writeSet is what readSet reads.
func writeSet(edits []overlay.Edit) string {
	raw := make([][3]string, len(edits))
	for i, e := range edits {
		raw[i] = [3]string{e.File, e.Path, e.Value}
	}
	set, _ := json.Marshal(raw) // strings always marshal
	return string(set)
}

// address is that of the editor with other edits.
func (s *editorState) address(edits []overlay.Edit, more ...string) string {
	q := url.Values{"scope": {s.scope}, "set": {writeSet(edits)}}
	for i := 0; i+1 < len(more); i += 2 {
		q.Set(more[i], more[i+1])
	}
	if s.file != "" {
		q.Set("file", s.file)
	}
	if s.part != "" {
		q.Set("part", s.part)
	}
	return overlayNew + "?" + q.Encode()
}

// scopes are where an overlay can hold: regions, then sites.
func (v *visit) scopes() (out []choice) {
	for _, s := range v.sites().Sites {
		if id := "region." + s.Region; s.Region != "" && !slices.ContainsFunc(out, func(c choice) bool { return c.ID == id }) {
			out = append(out, choice{id, "the region " + s.Region, false})
		}
	}
	for _, s := range v.sites().Sites {
		out = append(out, choice{"site." + s.Id, s.Name, false})
	}
	return out
}

// overlayPropose does what a form of the editor asks; only "propose" sends
// anything.
func overlayPropose(v *visit) (string, error) {
	s, err := v.editorState()
	if errors.Is(err, errNoBasis) {
		return "", badForm("The edition", "its sources cannot be read from here", "Use the command samecup overlay create.")
	}
	if err != nil {
		return "", err
	}
	anchor := "#set"
	if a := v.PostFormValue("anchor"); anchorShape.MatchString(a) {
		anchor = "#" + a
	}
	path, value := v.typed("path"), v.typed("value")
	switch v.PostFormValue("act") {
	case "try":
		return s.address(s.edits, "path", path, "try", value) + anchor, nil
	case "set", "add":
		edits, err := s.with(overlay.Edit{File: s.file, Path: path, Value: value}, v.PostFormValue("act") == "add")
		if err != nil {
			return "", err
		}
		return s.address(edits) + anchor, nil
	case "drop":
		edits := slices.Clone(s.edits)
		for i := range edits {
			if fmt.Sprint(i) == v.PostFormValue("n") {
				return s.address(slices.Delete(edits, i, i+1)) + anchor, nil
			}
		}
		return s.address(edits) + anchor, nil
	case "propose":
		return v.proposeOverlay(s)
	}
	return "", v.unknownAct()
}

// with sets one more field. What stands in the wider book already takes the edit
// out again, and an empty value takes the field away where that is meant.
func (s *editorState) with(e overlay.Edit, mayRemove bool) ([]overlay.Edit, error) {
	bad := faults{}
	if e.Value == "" && !mayRemove {
		bad.at("path", "Nothing was written. To take a field away, use the form at the end of the file.")
		return nil, bad.err()
	}
	edits := slices.DeleteFunc(slices.Clone(s.edits), func(o overlay.Edit) bool { return o.File == e.File && o.Path == e.Path })
	now, _, _ := bookedit.Get(s.base.files[e.File], e.Path)
	if len(edits) < len(s.edits) && bookedit.SameValue(now, e.Value) {
		return edits, nil
	}
	pinned, err := overlay.Pin(s.base.files, []overlay.Edit{e})
	if err != nil {
		bad.at("path", sentence(withoutEdit(err)))
		return nil, bad.err()
	}
	edits = append(edits, pinned[0])
	if _, err := overlay.Pin(s.base.files, edits); err != nil {
		bad.at("path", sentence(withoutEdit(err)))
		return nil, bad.err()
	}
	if len(s.address(edits)) > maxSet {
		bad.at("path", "It sets as much as an address takes. Propose it, and set the rest afterwards.")
		return nil, bad.err()
	}
	return edits, nil
}

// proposeOverlay sends the overlay: a new one, or the one there is with other
// edits. Where they are the same, who wrote them stays known to the authority.
func (v *visit) proposeOverlay(s *editorState) (string, error) {
	bad := faults{}
	reason := v.typed("reason")
	if reason == "" {
		bad.at("reason", "Say why: the approver and the site read it.")
	}
	if len(s.edits) == 0 {
		bad.at("edits", "It sets nothing yet. Open a drink and set a field.")
	}
	if err := bad.err(); err != nil {
		return "", err
	}
	edits := make([]*pb.FieldEdit, len(s.edits))
	for i, e := range s.edits {
		edits[i] = &pb.FieldEdit{File: e.File, Path: e.Path, Value: e.Value}
	}
	if etag := v.PostFormValue("etag"); etag != "" { // that of the overlay that was there
		if sameEdits(s.over, edits) {
			edits = nil
		}
		name := "overlays/" + s.scope
		_, err := v.ask.overlays.RebaseOverlay(v.ctx, &pb.RebaseOverlayRequest{RequestId: v.requestID(), Name: name, Etag: etag, Reason: reason, Edits: edits})
		return "/" + name, err
	}
	res, err := v.ask.overlays.CreateOverlay(v.ctx, &pb.CreateOverlayRequest{RequestId: v.requestID(), Scope: s.scope, Reason: reason, Edits: edits})
	return "/" + res.GetOverlay().GetName(), err
}

func sameEdits(o *pb.Overlay, edits []*pb.FieldEdit) bool {
	return slices.EqualFunc(o.GetEdits(), edits, func(a *pb.OverlayEdit, b *pb.FieldEdit) bool {
		return a.Edit.GetFile() == b.File && a.Edit.GetPath() == b.Path && a.Edit.GetValue() == b.Value
	})
}

// tryOverlay answers what setting a field would come to, as a piece of a page, for
// a field that is being typed into. Without script a button asks for the same.
func (c *Console) tryOverlay(w http.ResponseWriter, r *http.Request) {
	v, cancel := c.enter(w, r)
	if v == nil {
		return
	}
	defer cancel()
	s, err := v.editorState()
	if err != nil || s.base == nil {
		http.Error(w, "it cannot be tried now", http.StatusConflict)
		return
	}
	files := s.base.files
	for _, e := range s.edits {
		if next, err := bookedit.Set(files, e.File, e.Path, e.Value); err == nil {
			files = next
		}
	}
	q := r.URL.Query()
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	if err := c.look["overlay_edit"].ExecuteTemplate(w, "tried", tryEdit(files, s.file, q.Get("path"), q.Get("try"))); err != nil {
		c.log.Info("a field was not tried", zap.Error(err))
	}
}
