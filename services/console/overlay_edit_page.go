package console

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	"samecup.example/samecup/internal/overlay"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// editorPage shows an overlay in the making.
type editorPage struct {
	Scope, Where string
	// Over is set where there is an overlay already, whose fields are changed.
	Over           bool
	Regions, Sites []choice
	Edition        uint64
	Note, NoBase   string
	Drinks, Shared []choice
	Parts          []choice
	Set            string
	Rows           []setRow
	Fault          string
	File           *fileEdit
	Errors         []finding
	Change         *changePart
	Cautions       []string
	Ready          bool
	Reason         input
	Lacks          string
	Form           *form
	FileName       string
}

// setRow is a field that the overlay sets.
type setRow struct {
	N                     int
	Label, Path           string
	Present, Value, Fault string
	Href                  string
}

func overlayEdit(v *visit) (*view, error) {
	s, err := v.editorState()
	if err != nil && !errors.Is(err, errNoBasis) {
		return nil, err
	}
	p := &editorPage{Scope: s.scope, Form: v.newForm(s.over.GetEtag()), Lacks: v.lacks("propose an overlay", roleAuthor), Over: s.over != nil}
	for _, c := range v.scopes() {
		c.Chosen = c.ID == s.scope
		if slices.ContainsFunc(s.all, func(o *pb.Overlay) bool { return o.Scope == c.ID && o.State != pb.OverlayState_OVERLAY_STATE_RETIRED }) {
			c.Name += ", which has one already"
		}
		if strings.HasPrefix(c.ID, "region.") {
			p.Regions = append(p.Regions, c)
		} else {
			p.Sites = append(p.Sites, c)
		}
	}
	out := &view{Title: "A new overlay", Data: p, Scripts: []string{"try.js"}}
	if s.scope == "" {
		return out, nil
	}
	p.Where = v.scopeWords(s.scope)
	if out.Title = "A new overlay for " + p.Where; p.Over {
		out.Title = "Changing the overlay of " + p.Where
	}
	if err != nil {
		p.NoBase = "The sources of the newest edition cannot be read from here: no draft gave it, and no site follows it unchanged. The command samecup overlay create takes fields by their paths."
		return out, nil
	}
	p.Edition, p.Note = s.base.edition, s.base.note
	reason := s.over.GetReason()
	p.Reason = p.Form.input("reason", "Why it departs from the chain's book", reason, input{Hint: "The approver reads it, and so does everybody who looks the place up.", Need: true})
	v.weigh(p, s)
	if p.Change != nil {
		out.Tables = append(out.Tables, p.Change.Changes, p.Change.Effects)
	}
	return out, nil
}

// weigh works out what the overlay comes to, and opens a file of it.
func (v *visit) weigh(p *editorPage, s *editorState) {
	names := s.base.released
	if p.Drinks, p.Shared = fileNames(names, s.base.sources, s.file); len(s.need()) == 0 {
		return
	}
	before, was := s.base.loaded()
	if !s.base.whole && slices.ContainsFunc(s.edits, func(e overlay.Edit) bool { return !strings.HasPrefix(e.File, "drinks/") }) {
		p.Note = strings.TrimSpace(p.Note + " What follows for other drinks than those opened here is told once it is proposed.")
	}
	good := p.rows(s)
	files, after, found := s.base.files, before, was
	if len(good) > 0 {
		got, err := s.base.after(overlay.Overlay{Scope: s.scope, BaseEdition: s.base.edition, Edits: good})
		if err != nil {
			p.Fault = sentence(withoutEdit(err))
		} else {
			files = got.files
			after, found = got.loaded()
		}
	}
	b := newBook(after, 0)
	if found.Unreadable() {
		b = names
	}
	for _, f := range found.At(drink.Error) {
		p.Errors = append(p.Errors, finding{Level: "error", Tone: "alert", Text: sentence(f.String())})
	}
	if len(good) > 0 && p.Fault == "" {
		p.Change = v.changePart(b, changesToProto(before, after, found), overlay.Safety(before, after).NeedsFoodSafety)
		p.Change.Against, p.Change.Broken = "the wider book", len(p.Errors) > 0
		p.Change.Reach = v.scopeReach(s.scope)
		known := map[string]bool{}
		for _, c := range overlay.Cautions(was) {
			known[c.ID] = true
		}
		for _, c := range overlay.Cautions(found) {
			if !known[c.ID] {
				p.Cautions = append(p.Cautions, sentence(c.Problem.String()))
			}
		}
	}
	p.Ready = p.Lacks == "" && len(good) > 0 && len(good) == len(p.Rows) && p.Fault == "" && len(p.Errors) == 0
	v.open(p, s, b, files, found)
}

// rows lists what is set, with what stands there now; the edits that can be made
// are given back pinned.
func (p *editorPage) rows(s *editorState) (good []overlay.Edit) {
	// Where they go together they are pinned at once; else it is seen which do not.
	all, together := overlay.Pin(s.base.files, s.edits)
	for i, e := range s.edits {
		r := setRow{N: i, Label: p.fieldWords(e.File, e.Path), Path: e.File + " " + e.Path, Value: orElse(e.Value, "taken away"),
			Href: s.withFile(e.File).address(s.edits) + "#file"}
		pinned, err := all, together
		if err == nil {
			pinned = all[i : i+1]
		} else {
			pinned, err = overlay.Pin(s.base.files, []overlay.Edit{e})
		}
		if err != nil {
			r.Fault = sentence(withoutEdit(err))
			r.Present, _, _ = bookedit.Get(s.base.files[e.File], e.Path)
		} else {
			good, r.Present = append(good, pinned[0]), orNothing(pinned[0].Base)
		}
		p.Rows = append(p.Rows, r)
	}
	p.Set = writeSet(s.edits)
	return good
}

func (s *editorState) withFile(file string) *editorState {
	t := *s
	t.file, t.part = file, ""
	return &t
}

// withoutEdit takes the number of an edit off an error about it.
func withoutEdit(err error) string {
	_, text, ok := strings.Cut(err.Error(), "edit 1: ")
	if !ok {
		return strings.TrimPrefix(err.Error(), "overlay: ")
	}
	return text
}

// open fills in the file that the address names, field by field.
func (v *visit) open(p *editorPage, s *editorState, b *book, files map[string][]byte, found drink.Problems) {
	src, ok := files[s.file]
	if !ok {
		return
	}
	for _, c := range slices.Concat(p.Drinks, p.Shared) {
		if c.Chosen {
			p.FileName = c.Name
		}
	}
	f := &fileEdit{Path: s.file, Name: p.FileName, May: p.Lacks == "", Form: p.Form}
	f.Groups, f.Loose = fieldsOfFile(b, s.file, src, problemsToProto(found))
	for _, g := range f.Groups {
		p.Parts = append(p.Parts, choice{g.Title, g.Title, g.Title == s.part})
		for _, d := range g.Fields {
			if i := slices.IndexFunc(s.edits, func(e overlay.Edit) bool { return e.File == s.file && e.Path == d.Path }); i >= 0 {
				d.Instead = p.Rows[i].Present
			}
		}
	}
	if s.part != "" {
		f.Groups = slices.DeleteFunc(f.Groups, func(g *fieldGroup) bool { return g.Title != s.part })
	}
	f.typed(v, files, v.URL.Query())
	if path := v.PostFormValue("path"); path != "" && v.refused != nil {
		for _, g := range f.Groups {
			for _, d := range g.Fields {
				if d.Path == path {
					d.Tried = &tried{Fault: p.Form.Fault("path")}
				}
			}
		}
	}
	p.File = f
}

// fieldWords names a field as people say it: "Latte, checks: milk temperature,
// target".
func fieldWords(b *book, s sources, file, path string) string {
	p := &editorPage{}
	p.Drinks, p.Shared = fileNames(b, s, file)
	return p.fieldWords(file, path)
}

func (p *editorPage) fieldWords(file, path string) string {
	name := file
	for _, in := range [][]choice{p.Drinks, p.Shared} {
		if i := slices.IndexFunc(in, func(c choice) bool { return c.ID == file }); i >= 0 {
			name = in[i].Name
		}
	}
	q, err := bookedit.Parse(path)
	if err != nil || len(q) == 0 {
		return name + ": " + path
	}
	title, rest := groupOf(q)
	label := labelOf(rest)
	if last := q[len(q)-1]; last.Kind == bookedit.Append {
		if label = strings.TrimSuffix(labelOf(rest[:len(rest)-1])+", one more", ", "); strings.HasPrefix(label, ", ") {
			label = label[2:]
		}
	}
	if len(q) == 1 || label == "" {
		return name + ": " + strings.ToLower(orElse(label, title))
	}
	return name + ", " + strings.ToLower(title) + ": " + strings.ToLower(label)
}

// scopeReach says where an overlay would hold.
func (v *visit) scopeReach(scope string) string {
	region, ok := strings.CutPrefix(scope, "region.")
	if !ok {
		return "It would hold for " + v.scopeWords(scope) + " alone."
	}
	var ids []string
	for _, s := range v.sites().Sites {
		if s.Region == region {
			ids = append(ids, s.Id)
		}
	}
	return fmt.Sprintf("It would hold for %s of the region %s: %s.", plural(len(ids), "site", "sites"), region, v.sites().names(ids))
}

// changesToProto compares books that can be read.
func changesToProto(before, after *drink.Book, found drink.Problems) []*pb.BookChange {
	if found.Unreadable() {
		return nil
	}
	var out []*pb.BookChange
	for _, c := range drink.Diff(before, after) {
		x := &pb.BookChange{Kind: string(c.Kind), Safety: c.Safety, Subject: c.Subject, Field: c.Field, Old: c.Old, New: c.New, Reaches: c.Reaches, Text: c.String()}
		for _, e := range c.Effects {
			x.Effects = append(x.Effects, &pb.BookEffect{Serving: e.Serving, Fact: e.Fact, Old: e.Old, New: e.New})
		}
		out = append(out, x)
	}
	return out
}

func problemsToProto(in drink.Problems) []*pb.Problem {
	out := make([]*pb.Problem, len(in))
	for i, p := range in {
		q := p
		q.File, q.Line, q.Field = "", 0, ""
		out[i] = &pb.Problem{Level: p.Level.String(), File: p.File, Line: int32(p.Line), Field: p.Field, Text: q.String()} //nolint:gosec // a line
	}
	return out
}
