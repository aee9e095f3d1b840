package console

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"samecup.example/samecup/internal/drink"
	pb "samecup.example/samecup/proto/samecup/v1"
)

// changePart is what a draft or an overlay changes, in the words of a chain.
type changePart struct {
	// Broken is set where the book has errors, so that nothing can be compared.
	Broken, None     bool
	Against          string
	Safety           []string
	Reach            string
	Changes, Effects *Table
}

func (v *visit) changePart(b *book, changes []*pb.BookChange, safety []string) *changePart {
	p := &changePart{None: len(changes) == 0, Safety: sentences(safety)}
	p.Changes = &Table{ID: "changes", Caption: plural(len(changes), "change", "changes"), Cols: cols("~what", "~was", "~becomes", "~reaches", "marked"), Empty: "Nothing changes."}
	p.Effects = &Table{ID: "effects", Caption: "What follows from it", Cols: cols("fact", "~was", "~becomes", "~servings"),
		Empty: "No strength, allergen, caffeine, temperature, energy or cost moves by it."}
	for _, c := range changes {
		mark := Cell{}
		if c.Safety {
			mark = Cell{Text: "safety", Tone: "alert"}
		}
		p.Changes.add(head(changeWords(b, drink.ChangeKind(c.Kind), c.Subject, c.Field), ""), text(c.Old), text(c.New), text(reachWords(b, c.Reaches)), mark)
		p.follow(b, c.Effects)
	}
	slices.SortStableFunc(p.Effects.Rows, func(x, y []Cell) int { return cmp.Compare(y[0].Tone, x[0].Tone) })
	return p
}

// follow adds what follows from a change; servings that move alike share a row.
func (p *changePart) follow(b *book, effects []*pb.BookEffect) {
	for _, e := range effects {
		serving := b.servingWordsOr(e.Serving)
		i := slices.IndexFunc(p.Effects.Rows, func(r []Cell) bool { return r[0].Text == e.Fact && r[1].Text == e.Old && r[2].Text == e.New })
		if i >= 0 {
			p.Effects.Rows[i][3].Text += "; " + serving
			continue
		}
		fact := head(e.Fact, "")
		if strings.Contains(e.Fact, "allergen") || strings.Contains(e.Fact, "contain") {
			fact.Tone = "alert"
		}
		p.Effects.add(fact, text(e.Old), text(e.New), text(serving))
	}
}

// changeWords says what a change is about.
func changeWords(b *book, kind drink.ChangeKind, subject, field string) string {
	what := subjectWords(b, subject)
	if field != "" {
		what += ": " + plain(field)
	}
	switch kind {
	case drink.Added:
		what += " is new"
	case drink.Removed:
		what += " goes"
	case drink.Derived:
		what += ": the changes together"
	}
	return what
}

func sentences(in []string) []string {
	out := make([]string, len(in))
	for i, s := range in {
		out[i] = sentence(s)
	}
	return out
}

// subjectWords names what a change is about: a serving, a drink, or a shared
// thing such as "vessel c350".
func subjectWords(b *book, subject string) string {
	if b != nil && b.serving(subject) != nil {
		return b.servingWords(subject)
	}
	if b != nil {
		for i := range b.Drinks {
			if b.Drinks[i].ID == subject {
				return b.Drinks[i].Name
			}
		}
	}
	return sentenceCase(strings.ReplaceAll(subject, "/", ", "))
}

func reachWords(b *book, servings []string) string {
	const few = 4
	var out []string
	for i, id := range servings {
		if i == few && len(servings) > few+1 {
			return fmt.Sprintf("%s and %d more servings", strings.Join(out, "; "), len(servings)-few)
		}
		out = append(out, b.servingWordsOr(id))
	}
	return strings.Join(out, "; ")
}

// reach says in which sites a change of the chain's book arrives, and which keep
// what they have.
func (v *visit) reach(needsRebase []string) string {
	sites := v.sites()
	if len(sites.Sites) == 0 {
		return "No site is there yet that it could reach."
	}
	ids := make([]string, 0, len(sites.Sites))
	for _, s := range sites.Sites {
		ids = append(ids, s.Id)
	}
	out := fmt.Sprintf("Once rolled out everywhere it reaches %s: %s.", plural(len(ids), "site", "sites"), sites.names(ids))
	if len(needsRebase) > 0 {
		stay := "stays"
		if len(needsRebase) > 1 {
			stay = "stay"
		}
		out += fmt.Sprintf(" %s %s on what is there until the overlay is rebased, since it sets a field that changes.", sentenceCase(v.scopesWords(needsRebase)), stay)
	}
	return out
}

// cautionBox is a caution to tick.
type cautionBox struct{ ID, Text, Place string }

func cautionBoxes(in []*pb.ReviewCaution) []cautionBox {
	out := make([]cautionBox, len(in))
	for i, c := range in {
		out[i] = cautionBox{ID: c.Id, Text: sentence(c.Problem.GetText()), Place: problemPlace(c.Problem)}
	}
	return out
}

func problemPlace(p *pb.Problem) string {
	out := p.GetFile()
	if p.GetLine() > 0 {
		out += fmt.Sprintf(", line %d", p.Line)
	}
	if p.GetField() != "" {
		out += ": " + p.Field
	}
	return strings.TrimPrefix(out, ": ")
}

func (v *visit) approvalWords(in []*pb.Approval) []string {
	var out []string
	for _, a := range in {
		s := fmt.Sprintf("%s approved as %s, %s", v.who(a.Person), a.Role, v.at(a.CreateTime))
		if n := len(a.Cautions); n > 0 {
			s += ", having acknowledged " + plural(n, "caution", "cautions")
		}
		out = append(out, s+".")
	}
	return out
}

// approval is what an approver is offered.
type approval struct {
	Cautions []cautionBox
	Form     *form
	// Roles that the person has, and that still have to approve.
	Roles []string
	// Why nothing is offered; empty where something is.
	Why string
	// Needed are the roles that still have to approve, in words.
	Needed string
}

// mayApprove works out what a person is offered on a review; editors are those
// who may not approve it, given the approvals that stand.
func (v *visit) mayApprove(needed, editors []string, given []*pb.Approval) (roles []string, why string) {
	if len(needed) == 0 {
		return nil, "No approval is missing."
	}
	for _, r := range needed {
		if v.me.any(r) {
			roles = append(roles, r)
		}
	}
	others := v.holders(needed)
	if others == "" {
		others = "nobody else yet; an administrator gives roles, on the page People"
	}
	switch {
	case v.me.Local:
		return roles, ""
	case slices.Contains(editors, v.me.Name):
		return nil, fmt.Sprintf("You edited this, so you may not approve it. Who could: %s.", others)
	case slices.ContainsFunc(given, func(a *pb.Approval) bool { return a.Person == v.me.Name }):
		return nil, fmt.Sprintf("You have approved it. The other approval, as %s, needs another person: %s.", orWords(needed), others)
	case len(roles) == 0:
		return nil, v.lacks("approve it", needed)
	}
	return roles, ""
}
