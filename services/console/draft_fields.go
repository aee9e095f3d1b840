package console

import (
	"fmt"
	"html/template"
	"maps"
	"slices"
	"strings"

	"samecup.example/samecup/internal/bookedit"
	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// finding is a finding of the check as a page shows it.
type finding struct{ Level, Tone, Text, Place string }

func findingOf(p *pb.Problem) finding {
	return finding{Level: p.Level, Tone: levelTone(p.Level), Text: sentence(p.Text)}
}

func levelTone(level string) string {
	switch level {
	case "error":
		return "alert"
	case "caution":
		return "caution"
	}
	return "quiet"
}

// fileEdit is one file of a draft, field by field.
type fileEdit struct {
	Path, Name string
	// Self is the address of this page, to which its forms are sent.
	Self string
	// YAML is shown instead of fields where it is asked for; New begins a file.
	YAML, New bool
	Content   string
	// Theirs is what stands now where a file was refused because somebody saved.
	Theirs []string
	Loose  []finding
	Groups []*fieldGroup
	May    bool
	Form   *form
	// AsYAML and AsFields lead from one to the other.
	AsYAML, AsFields string
}

// fieldGroup is what belongs together: a size with its cup, a check, a step.
type fieldGroup struct {
	Title  string
	Cup    template.HTML
	Fields []*draftField
}

// draftField is one value with its findings.
type draftField struct {
	ID, Path, Label string
	Value           string
	// Typed is what stands in the field where it is not the value: what was
	// tried, or refused.
	Typed string
	Long  bool
	Line  int
	// Instead is what stands in the wider book where an overlay sets the field.
	Instead string
	// Clash says what stands now where somebody else saved in between.
	Clash    string
	Findings []finding
	Tried    *tried
}

// Shown is what the field holds.
func (f *draftField) Shown() string {
	if f.Typed != "" {
		return f.Typed
	}
	return f.Value
}

// Bad says that an error stands at it.
func (f *draftField) Bad() bool {
	return slices.ContainsFunc(f.Findings, func(x finding) bool { return x.Level == "error" })
}

// fieldCup is how many times larger a cup stands beside its fields.
const fieldCup = 1.6

// longField is from how many characters a field is written on several lines.
const longField = 48

// fieldsOfFile groups the fields of a file and puts each finding at the field
// that it is about, or among the loose ones.
func fieldsOfFile(b *book, path string, src []byte, problems []*pb.Problem) (groups []*fieldGroup, loose []finding) {
	by := map[string]*fieldGroup{}
	var fields []*draftField
	var drinkID string
	if value, _, ok := bookedit.Get(src, "id"); ok {
		drinkID = value
	}
	for i, f := range bookedit.Fields(src) {
		p, err := bookedit.Parse(f.Path)
		if err != nil {
			continue
		}
		title, rest := groupOf(p)
		g := by[title]
		if g == nil {
			g = &fieldGroup{Title: title}
			if len(p) > 1 && p[0].Name == "servings" && p[1].Name == "size" {
				g.Cup = cupOfSize(b, drinkID, p[1].Value)
			}
			by[title], groups = g, append(groups, g)
		}
		d := &draftField{ID: fmt.Sprintf("f%d", i), Path: f.Path, Label: labelOf(rest), Value: f.Value, Long: len(f.Value) > longField, Line: f.Line}
		fields, g.Fields = append(fields, d), append(g.Fields, d)
	}
	for _, p := range problems {
		if p.File != path || p.Level == "note" {
			continue
		}
		if d := fieldAt(fields, p); d != nil {
			d.Findings = append(d.Findings, findingOf(p))
			continue
		}
		f := findingOf(p)
		f.Place = problemPlace(p)
		loose = append(loose, f)
	}
	return groups, loose
}

// groupOf is the group that a path belongs to, and what is left of it.
func groupOf(p bookedit.Path) (title string, rest bookedit.Path) {
	if len(p) == 1 {
		return "In general", p
	}
	switch s := p[1]; {
	case s.Kind == bookedit.Match && (p[0].Name == "servings" || p[0].Name == "ingredients" || p[0].Name == "vessels"):
		return sentenceCase(plain(s.Value)), p[2:]
	case p[0].Name == "checks":
		return "Checks", p[1:]
	case p[1].Kind == bookedit.Key && len(p) > 2 && p[1].Name == "checks":
		return sentenceCase(plain(p[0].Name)) + ", checks", p[2:]
	}
	return sentenceCase(plain(p[0].Name)), p[1:]
}

// labelOf says a path as people read it: "Milk temperature, target".
func labelOf(p bookedit.Path) string {
	var words []string
	for i, s := range p {
		switch s.Kind {
		case bookedit.Match:
			words = append(words, plain(s.Value))
		case bookedit.Index:
			words = append(words, fmt.Sprintf("%d", s.Index+1))
		case bookedit.Key:
			if i+1 < len(p) && p[i+1].Kind != bookedit.Key {
				if p[i+1].Kind == bookedit.Match {
					continue // the list's name says less than its element's
				}
			}
			if m := drink.MeasureByCode(s.Name); m != nil {
				words = append(words, strings.ToLower(m.Label))
			} else {
				words = append(words, plain(s.Name))
			}
		}
	}
	return sentenceCase(strings.Join(words, ", "))
}

// fieldAt finds the field that a finding is about: by its path, by the check or
// part of the drink that a size takes over, else by its line. A finding names a
// serving by its id, such as servings[latte/glass].vessel.
func fieldAt(fields []*draftField, p *pb.Problem) *draftField {
	want, tail := p.Field, ""
	if rest, ok := strings.CutPrefix(want, "servings["); ok {
		if id, t, ok := strings.Cut(rest, "]"); ok {
			tail = strings.TrimPrefix(t, ".")
			parts := strings.Split(id, "/")
			if len(parts) > 1 {
				want = "servings[size=" + parts[1] + "]" + t
			}
		}
	}
	for _, path := range []string{want, tail, parent(want), parent(tail)} {
		if path == "" || path == "servings" {
			continue
		}
		for _, exact := range []bool{true, false} {
			for _, f := range fields {
				// What is wrong with parts is most often an amount.
				if path == "parts" || strings.HasSuffix(path, ".parts") {
					if strings.HasPrefix(f.Path, path) && strings.HasSuffix(f.Path, ".amount") {
						return f
					}
					continue
				}
				if f.Path == path || !exact && (strings.HasPrefix(f.Path, path+".") || strings.HasPrefix(f.Path, path+"[")) {
					return f
				}
			}
		}
	}
	for _, f := range fields {
		if p.Line > 0 && f.Line == int(p.Line) {
			return f
		}
	}
	return nil
}

func parent(path string) string {
	if i := strings.LastIndexByte(path, '.'); i > 0 {
		return path[:i]
	}
	return ""
}

func cupOfSize(b *book, drinkID, size string) template.HTML {
	if b == nil {
		return ""
	}
	for i := range b.Drinks {
		if b.Drinks[i].ID != drinkID {
			continue
		}
		for k := range b.Drinks[i].Servings {
			if s := &b.Drinks[i].Servings[k]; s.Size == size {
				return cupLarge(b, s, fieldCup)
			}
		}
	}
	return ""
}

// tried is what an edit would come to, before it is saved.
type tried struct {
	// Fault is why it cannot be made at all.
	Fault    string
	Findings []finding
	Effects  []string
	// Gone counts findings that it mends.
	Gone int
	Same bool
}

// maxTried bounds how many effects are told beside a field.
const maxTried = 12

// tryEdit works an edit out on copies: nothing is sent.
func tryEdit(files map[string][]byte, file, path, value string) *tried {
	next, err := bookedit.Set(files, file, path, value)
	if err != nil {
		return &tried{Fault: sentence(err.Error())}
	}
	before, was := drink.LoadAndCheckFiles(files)
	after, is := drink.LoadAndCheckFiles(next)
	t := &tried{}
	old := map[string]bool{}
	for _, p := range was {
		if p.Level != drink.Note {
			old[p.String()] = true
		}
	}
	for _, p := range is {
		switch s := p.String(); {
		case p.Level == drink.Note:
		case old[s]:
			delete(old, s)
		default:
			f := finding{Level: p.Level.String(), Tone: levelTone(p.Level.String()), Place: p.Field}
			p.File, p.Line, p.Field = "", 0, ""
			f.Text = sentence(p.String())
			t.Findings = append(t.Findings, f)
		}
	}
	t.Gone = len(old)
	if !was.Unreadable() && !is.Unreadable() {
		b := newBook(after, 0)
		for _, c := range drink.Diff(before, after) {
			line := changeWords(b, c.Kind, c.Subject, c.Field)
			if c.Old != "" || c.New != "" {
				line += fmt.Sprintf(": %s → %s", orNothing(c.Old), orNothing(c.New))
			}
			t.Effects = append(t.Effects, line)
			for _, e := range c.Effects {
				t.Effects = append(t.Effects, fmt.Sprintf("%s: %s %s → %s", b.servingWordsOr(e.Serving), e.Fact, e.Old, e.New))
			}
		}
	}
	if n := len(t.Effects); n > maxTried {
		t.Effects = append(t.Effects[:maxTried], fmt.Sprintf("and %d more", n-maxTried))
	}
	t.Same = len(t.Effects) == 0 && len(t.Findings) == 0 && t.Gone == 0
	return t
}

// clashes names what differs between a file as it was sent and as it stands.
func clashes(path string, stands, sent []byte) []string {
	var out []string
	for _, d := range bookedit.Diff(map[string][]byte{path: stands}, map[string][]byte{path: sent}) {
		out = append(out, fmt.Sprintf("%s: stands now %s; yours %s", d.Path, orNothing(d.Old), orNothing(d.New)))
	}
	return out
}

func orNothing(s string) string {
	if s == "" {
		return "nothing"
	}
	return s
}

// filesMap is a draft's files by path.
func filesMap(d *pb.Draft) map[string][]byte {
	out := map[string][]byte{}
	for _, f := range d.GetFiles() {
		out[f.Path] = f.Content
	}
	return out
}

// drinkFiles finds the file of each drink by the drink's id.
func drinkFiles(files map[string][]byte) map[string]string {
	out := map[string]string{}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		if strings.HasPrefix(path, "drinks/") {
			if id, _, ok := bookedit.Get(files[path], "id"); ok {
				out[id] = path
			}
		}
	}
	return out
}
