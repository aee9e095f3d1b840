package drink

import (
	"fmt"
	"slices"
	"strings"
)

// ChangeKind says what a change is about.
type ChangeKind string

// The kinds of change between two books.
const (
	// Added and Removed are servings.
	Added   ChangeKind = "added"
	Removed ChangeKind = "removed"
	// Shared is a change to what several servings use: house, vessel, ingredient.
	Shared ChangeKind = "shared"
	// FieldChange is a change to servings themselves.
	FieldChange ChangeKind = "field"
	// Derived is what several changes do together to a serving.
	Derived ChangeKind = "derived"
	// VesselNeed is a vessel that servings newly need, or need no longer.
	VesselNeed ChangeKind = "vessel"
)

// Effect is a derived fact of a serving that a change moves, as a person reads
// it: "16.9 %" to "17.4 %".
type Effect struct {
	Serving string `json:"serving"`
	Fact    string `json:"fact"`
	Old     string `json:"old"`
	New     string `json:"new"`
}

// Change is one difference between two books with one cause.
type Change struct {
	Kind ChangeKind `json:"kind"`
	// Safety is true where allergens or hard limits are touched.
	Safety bool `json:"safety"`
	// Subject is what changed: a serving's ID, a drink's where the same change
	// was made to several of its servings, "house pull", "vessel c350".
	Subject string `json:"subject"`
	// Field is what changed in it, empty where the subject came or went.
	Field string `json:"field,omitempty"`
	// Old and New are in trade units; empty where there was or is nothing.
	Old string `json:"old,omitempty"`
	New string `json:"new,omitempty"`
	// Reaches lists the servings that the change touches, in book order.
	Reaches []string `json:"reaches,omitempty"`
	// Effects lists the derived facts that move because of it.
	Effects []Effect `json:"effects,omitempty"`

	moves moves
}

// moves says which derived facts a change can move, so that an effect is put
// under its cause.
type moves uint8

const (
	movesFacts moves = 1 << iota
	movesAllergens
)

// String is one line, without the effects: "latte/medium: froth depth 10 mm ->
// 12 mm (8 mm to 12 mm -> 10 mm to 14 mm)".
func (c Change) String() string {
	var w strings.Builder
	if c.Safety {
		w.WriteString("SAFETY ")
	}
	w.WriteString(c.Subject)
	switch {
	case c.Kind == Added:
		w.WriteString(": new: " + c.New)
	case c.Kind == Removed:
		w.WriteString(": no longer in the book (was " + c.Old + ")")
	case c.Kind == VesselNeed && c.New != "":
		w.WriteString(": " + c.New)
	case c.Kind == VesselNeed:
		w.WriteString(": " + c.Old)
	case c.Kind == Derived:
		w.WriteString(": the changes together")
	default:
		w.WriteString(joinField(c.Kind, c.Field) + arrow(c.Old, c.New))
	}
	switch {
	case c.Kind == Shared && len(c.Reaches) == 0:
		w.WriteString(": reaches no serving that both books have")
	case c.Kind == Shared || c.Kind == VesselNeed && c.New != "" || c.Kind == FieldChange && len(c.Reaches) > 1:
		w.WriteString(": reaches " + plural(fmt.Sprint(len(c.Reaches)), "serving"))
		const few = 3
		if len(c.Reaches) <= few {
			w.WriteString(" (" + strings.Join(c.Reaches, ", ") + ")")
		}
	}
	return w.String()
}

func joinField(kind ChangeKind, field string) string {
	switch {
	case field == "":
		return ""
	case kind == Shared && field == allergensField:
		return " " + field + ":"
	case kind == Shared:
		return " " + field
	}
	return ": " + field
}

// arrow words a change of value. Where both sides carry a tolerance in brackets
// the values and the tolerances are set against each other.
func arrow(old, now string) string {
	switch {
	case old == "" && now == "":
		return ""
	case old == "":
		return " added: " + now
	case now == "":
		return " removed (was " + old + ")"
	}
	oldValue, oldRest, okOld := strings.Cut(strings.TrimSuffix(old, ")"), " (")
	newValue, newRest, okNew := strings.Cut(strings.TrimSuffix(now, ")"), " (")
	if !okOld || !okNew || !strings.HasSuffix(old, ")") || !strings.HasSuffix(now, ")") {
		return " " + old + " -> " + now
	}
	switch {
	case oldValue == newValue:
		return " " + newValue + " (" + oldRest + " -> " + newRest + ")"
	case oldRest == newRest:
		return " " + oldValue + " -> " + newValue + " (" + newRest + ")"
	}
	return " " + oldValue + " -> " + newValue + " (" + oldRest + " -> " + newRest + ")"
}

// differ carries both books through a comparison.
type differ struct {
	old, new *Book
	// pairs are the servings that stand in both books, in the new one's order.
	pairs   []servingPair
	changes []Change
}

type servingPair struct{ old, new *Serving }

// Diff names what differs between two books and what follows from it: servings
// that came or went, fields in trade units, shared things with the servings
// that they reach, derived facts under the change that moves them, and vessels
// newly needed. One cause is one change; those that touch safety come first.
// Order within a list that a book does not mean, such as that of its vessels, is
// no difference. An empty list means that the books say the same.
func Diff(old, new *Book) []Change {
	d := &differ{old: old, new: new}
	d.servings()
	d.house()
	d.vessels()
	d.ingredients()
	d.fields()
	d.effects()
	d.needs()
	slices.SortStableFunc(d.changes, func(a, b Change) int {
		switch {
		case a.Safety == b.Safety:
			return 0
		case a.Safety:
			return -1
		}
		return 1
	})
	return d.changes
}

func (d *differ) add(c Change) { d.changes = append(d.changes, c) }

// servings pairs what stands in both books and names what came and went.
func (d *differ) servings() {
	was := map[string]*Serving{}
	for i := range d.old.Drinks {
		for j := range d.old.Drinks[i].Servings {
			s := &d.old.Drinks[i].Servings[j]
			was[s.ID] = s
		}
	}
	for i := range d.new.Drinks {
		for j := range d.new.Drinks[i].Servings {
			s := &d.new.Drinks[i].Servings[j]
			if before, ok := was[s.ID]; ok {
				d.pairs = append(d.pairs, servingPair{before, s})
				delete(was, s.ID)
				continue
			}
			d.add(Change{Kind: Added, Subject: s.ID, New: d.new.summary(s)})
		}
	}
	for i := range d.old.Drinks {
		for j := range d.old.Drinks[i].Servings {
			if s := &d.old.Drinks[i].Servings[j]; was[s.ID] == s {
				d.add(Change{Kind: Removed, Subject: s.ID, Old: d.old.summary(s)})
			}
		}
	}
}

// summary words a serving for somebody who has not seen its card.
func (b *Book) summary(s *Serving) string {
	out := s.Vessel
	if s.Shots > 0 {
		out += ", " + plural(fmt.Sprint(s.Shots), "shot")
	}
	for _, p := range s.Parts {
		out += ", " + p.Ingredient + " " + partText(p)
	}
	if f, err := b.Facts(s); err == nil {
		for _, l := range factLines(f) {
			out += "; " + l.label + " " + l.text
		}
		out += "; " + allergenWords(f.Allergens)
	}
	return out
}

func partText(p Part) string {
	if p.Unit == Count {
		return plural(p.Amount.String(), "pump")
	}
	return FormatQuantity(p.Amount, p.Unit)
}

func allergenWords(a AllergenStatement) string {
	out := "contains " + orNone(a.Contains)
	if len(a.MayContain) > 0 {
		out += ", may contain " + strings.Join(a.MayContain, ", ")
	}
	if len(a.Unknown) > 0 {
		out += ", UNKNOWN for " + strings.Join(a.Unknown, ", ")
	}
	return out
}

// needs names vessels that the drinks newly need, or need no longer. What a
// site has on its shelves is not in a book.
func (d *differ) needs() {
	before, after := usersOfVessels(d.old), usersOfVessels(d.new)
	for _, id := range vesselOrder(d.new) {
		if users := after[id]; len(users) > 0 && len(before[id]) == 0 {
			d.add(Change{Kind: VesselNeed, Subject: "vessel " + id, Reaches: users,
				New: d.new.vesselText(id) + ", is newly needed; which sites have it is not known here"})
		}
	}
	for _, id := range vesselOrder(d.old) {
		if len(before[id]) > 0 && len(after[id]) == 0 {
			d.add(Change{Kind: VesselNeed, Subject: "vessel " + id, Old: d.old.vesselText(id) + ", is no longer needed"})
		}
	}
}

func usersOfVessels(b *Book) map[string][]string {
	out := map[string][]string{}
	for i := range b.Drinks {
		for j := range b.Drinks[i].Servings {
			s := &b.Drinks[i].Servings[j]
			out[s.Vessel] = append(out[s.Vessel], s.ID)
		}
	}
	return out
}

func vesselOrder(b *Book) []string {
	out := make([]string, len(b.Vessels))
	for i := range b.Vessels {
		out[i] = b.Vessels[i].ID
	}
	return out
}
