package console

import (
	"cmp"
	"fmt"
	"html/template"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// draftPage is a draft with its book.
type draftPage struct {
	ID, Title, State, Tone string
	Lead                   string
	Steps                  []stageStep
	Errors, Cautions       int
	// Next says what the draft waits for, and leads there.
	Next Cell
	// May is set where the person may edit it as it stands; Lacks says why not.
	May     bool
	Lacks   string
	Drinks  []draftDrink
	Others  []link
	File    *fileEdit
	Change  *changePart
	Found   *Table
	Remarks *Table
	// Elsewhere counts findings in other files than the one that is open.
	Elsewhere int
	// Behind offers to bring it up to date; Both are the fields to choose for.
	Behind    bool
	Both      []string
	Approvals []string
	// Ended says that it can be withdrawn no longer.
	Ended, MayRemark bool
	Form             *form
}

type draftDrink struct {
	Name, Href string
	Tone, Note string
	Servings   []draftCup
}

type draftCup struct {
	Words, Href string
	Cup         template.HTML
}

// draftHref is a file of a draft.
func draftHref(id, file string) string {
	if file == "" {
		return draftLink(id)
	}
	return draftLink(id) + "?file=" + url.QueryEscape(file)
}

func (v *visit) getDraft(id string) (*pb.Draft, error) {
	res, err := v.ask.drafts.GetDraft(v.ctx, &pb.GetDraftRequest{Name: "drafts/" + id, ReadMask: &fieldmaskpb.FieldMask{Paths: []string{"files"}}})
	if err != nil {
		return nil, missingOr(err, "draft", id, link{"/drafts", "All drafts"})
	}
	return res.Draft, nil
}

func draftShow(v *visit) (*view, error) {
	id := v.PathValue("id")
	d, err := v.getDraft(id)
	if err != nil {
		return nil, err
	}
	files := filesMap(d)
	read, problems := drink.LoadFiles(files)
	var b *book
	if !problems.Unreadable() {
		b = newBook(read, 0)
	}
	p := &draftPage{ID: id, Title: d.Title, State: draftWord(d.State), Tone: draftTone(d.State), Next: draftWaits(d), Form: v.newForm(d.Etag),
		Approvals: v.approvalWords(d.Approvals), MayRemark: v.me.any(roleAnyActor...)}
	p.Ended = d.State >= pb.DraftState_DRAFT_STATE_RELEASED
	p.Lead = fmt.Sprintf("Begun by %s from edition %d, saved %s, last %s; edited by %s.", v.who(d.Author), d.BaseEdition, plural(int(d.Revision), "time", "times"), v.at(d.UpdateTime), v.whoAll(d.Editors))
	if d.BaseEdition == 0 {
		p.Lead = strings.Replace(p.Lead, " from edition 0", "", 1)
	}
	for s := pb.DraftState_DRAFT_STATE_OPEN; s <= pb.DraftState_DRAFT_STATE_RELEASED; s++ {
		p.Steps = append(p.Steps, stageStep{draftWord(s), s < d.State && d.State != pb.DraftState_DRAFT_STATE_WITHDRAWN, s == d.State})
	}
	p.Lacks = v.lacks("edit it", roleAuthor)
	p.May = p.Lacks == "" && !p.Ended
	out := &view{Title: d.Title + ", draft", Data: p, Scripts: []string{"try.js"}}
	p.findings(d)
	p.menu(id, b, files, d.Problems)
	if res, err := v.ask.drafts.ReviewDraft(v.ctx, &pb.ReviewDraftRequest{Name: d.Name}); v.part("what the draft changes", err) {
		p.Change = v.changePart(b, res.Changes, res.SafetyReasons)
		p.Change.Against = "the newest edition"
		p.Change.Broken = p.Errors > 0
		p.Change.Reach = v.reach(res.NeedsRebase)
		p.Behind = p.May && slices.ContainsFunc(res.Cautions, func(c *pb.ReviewCaution) bool {
			return strings.HasPrefix(c.Problem.GetText(), "the draft was begun from edition")
		})
		out.Tables = append(out.Tables, p.Change.Changes, p.Change.Effects)
	}
	if reasonOf(v.refused) == "DRAFT_CONFLICT" {
		p.Both = fieldsOf(v.refused)
	}
	p.remarks(v, d)
	if err := p.file(v, d, b, files); err != nil {
		return nil, err
	}
	out.Tables = append(out.Tables, p.Found, p.Remarks)
	return out, nil
}

// findings counts what the check says, and lists it with the way to the field.
func (p *draftPage) findings(d *pb.Draft) {
	p.Found = &Table{ID: "findings", Caption: "What the check finds", Cols: cols("level", "~where", "~what, and the mend"), Empty: "The check finds nothing against it."}
	for _, f := range d.Problems {
		switch f.Level {
		case "error":
			p.Errors++
		case "caution":
			p.Cautions++
		default:
			continue
		}
		href := ""
		if f.File != "" {
			href = draftHref(p.ID, f.File)
		}
		p.Found.add(Cell{Text: f.Level, Tone: levelTone(f.Level)}, head(cmp.Or(problemPlace(f), "the whole book"), href), text(sentence(f.Text)))
	}
	slices.SortStableFunc(p.Found.Rows, func(a, b []Cell) int { return -cmp.Compare(a[0].Text, b[0].Text) })
}

// menu lists the drinks of the draft with each size's cup.
func (p *draftPage) menu(id string, b *book, files map[string][]byte, problems []*pb.Problem) {
	of := drinkFiles(files)
	shown := map[string]bool{}
	if b != nil {
		for i := range b.Drinks {
			d := &b.Drinks[i]
			path := of[d.ID]
			shown[path] = true
			g := draftDrink{Name: d.Name, Href: draftHref(id, path)}
			g.Tone, g.Note = worst(path, problems)
			for k := range d.Servings {
				s := &d.Servings[k]
				g.Servings = append(g.Servings, draftCup{servingTail(b, s), draftHref(id, path), cupHTML(b, s)})
			}
			p.Drinks = append(p.Drinks, g)
		}
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		if !shown[path] {
			_, note := worst(path, problems)
			word := path
			if note != "" {
				word += ", " + note
			}
			p.Others = append(p.Others, link{draftHref(id, path), word})
		}
	}
}

// worst says how a file stands with the check.
func worst(path string, problems []*pb.Problem) (tone, note string) {
	errs, cautions := 0, 0
	for _, p := range problems {
		if p.File == path && p.Level == "error" {
			errs++
		}
		if p.File == path && p.Level == "caution" {
			cautions++
		}
	}
	switch {
	case errs > 0:
		return "alert", plural(errs, "error", "errors")
	case cautions > 0:
		return "caution", plural(cautions, "caution", "cautions")
	}
	return "", ""
}

func (p *draftPage) remarks(v *visit, d *pb.Draft) {
	p.Remarks = &Table{ID: "remarks", Caption: "Remarks", Cols: cols("when", "who", "about", "~what", "#at save"), Empty: "Nobody remarked on it yet."}
	for _, c := range d.Comments {
		p.Remarks.add(v.moment(c.CreateTime), text(v.who(c.Author)), text(cmp.Or(c.Field, "the whole")), head(c.Text, ""), textf("%d", c.Revision))
	}
}

// file fills in the file that the address names.
func (p *draftPage) file(v *visit, d *pb.Draft, b *book, files map[string][]byte) error {
	q := v.URL.Query()
	path := q.Get("file")
	if q.Get("as") == "new" {
		p.File = &fileEdit{New: true, YAML: true, Name: "A new drink", Self: draftLink(p.ID) + "?as=new", Path: p.Form.Or("file", "drinks/new-drink.yaml"),
			Content: p.Form.Or("content", newDrink), May: p.May, Form: p.Form, AsFields: draftLink(p.ID)}
		return nil
	}
	if path == "" {
		return nil
	}
	src, ok := files[path]
	if !ok {
		return notFound("file of this draft", path, link{draftLink(p.ID), "The whole draft"})
	}
	f := &fileEdit{Path: path, Name: path, Self: draftHref(p.ID, path), YAML: q.Get("as") == "yaml", Content: string(src), May: p.May, Form: p.Form}
	f.AsFields, f.AsYAML = f.Self, f.Self+"&as=yaml"
	for _, g := range p.Drinks {
		if g.Href == f.Self {
			f.Name = g.Name
		}
	}
	p.File = f
	for _, x := range d.Problems {
		if x.Level != "note" && x.File != path {
			p.Elsewhere++
		}
	}
	f.Groups, f.Loose = fieldsOfFile(b, path, src, d.Problems)
	if f.YAML {
		f.Self = f.AsYAML
		f.wholeFile(v, src)
		for _, g := range f.Groups {
			for _, d := range g.Fields {
				f.Loose = append(f.Loose, d.Findings...)
			}
		}
		return nil
	}
	if len(f.Groups) == 0 { // it cannot be read, so only as a whole
		f.YAML, f.Self = true, f.AsYAML
		return nil
	}
	f.typed(v, files, q)
	return nil
}

// wholeFile keeps what was typed into the YAML of a file, and sets it against
// what somebody else saved meanwhile.
func (f *fileEdit) wholeFile(v *visit, src []byte) {
	if v.Method != http.MethodPost || !v.PostForm.Has("content") {
		return
	}
	f.Content = lines(v.PostFormValue("content"))
	if reasonOf(v.refused) == "ETAG_DIFFERS" {
		f.Theirs = clashes(f.Path, src, []byte(f.Content))
	}
}

// typed keeps what was tried or refused in its field.
func (f *fileEdit) typed(v *visit, files map[string][]byte, q url.Values) {
	path, value := q.Get("path"), q.Get("try")
	trying := q.Has("try")
	if v.Method == http.MethodPost {
		path, value, trying = v.PostFormValue("path"), v.typed("value"), false
	}
	for _, g := range f.Groups {
		for _, d := range g.Fields {
			if d.Path != path {
				continue
			}
			d.Typed = value
			if trying {
				d.Tried = tryEdit(files, f.Path, path, value)
			}
			if reasonOf(v.refused) == "ETAG_DIFFERS" && d.Value != value {
				d.Clash = d.Value
			}
		}
	}
}

// lines undoes the two characters that a browser ends each line with.
func lines(s string) string { return strings.ReplaceAll(s, "\r\n", "\n") }

// newDrink is what a new drink's file begins with.
const newDrink = `id: new-drink
name: New drink
steps:
  - dose
  - pull
  - {act: steam, ingredient: milk, after: []}
  - {act: wipe, criticality: safety}
  - {act: pour, after: [pull, steam]}
checks:
  milk_temp: {target: 60 °C, within: 4 °C}
servings:
  - size: cup
    vessel: cup
    shots: 1
    milk: whole-milk
    air: 15 %
    parts: [{ingredient: milk, amount: 120 ml}]
`
